"""Whether a control can be used on a chip: reports become shares, leaning on the series."""

from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import compress
from typing import Final, TypeVar

import numpy as np
from numpy.typing import NDArray

from kbapi.evidence.small_cells import NO_CELL, Cell, shown_cells
from kbapi.stats.estimate.siblings import Level
from kbapi.stats.locks.shares import (
    ShareEstimate,
    SharePrior,
    estimate_share,
    even_prior,
    fit_share_prior,
    posterior_shares,
)
from kbapi.storage.locks import LockGroup
from kbapi.vocabulary import (
    LOCK_CHANGES,
    LOCKED_STATUSES,
    OPEN_STATUSES,
    PROTECTIONS,
    Control,
    Domain,
    LockChange,
    LockFoundBy,
    LockStatus,
    OverallLockStatus,
)

STATUSES: Final = (*OPEN_STATUSES, *LOCKED_STATUSES)
CONFIDENCE: Final = 0.95
_CLEAR_SHARE: Final = 0.6
STRENGTH_OF_THE_WHOLE: Final = 2.0
"""In units: a part of a chip's units is expected to be like the whole, but soon speaks itself."""
_LEAST_SHARE_SHOWN: Final = 0.01
_OPEN: Final = np.array([status in OPEN_STATUSES for status in STATUSES])


@dataclass(frozen=True, slots=True)
class LockStatusShare:
    """The share of units with one lock status."""

    status: LockStatus
    """The lock status."""
    share: float
    """Share of the reports with this status by weight, 0 to 1."""
    units: int
    """Number of the chip's own units with this status."""


@dataclass(frozen=True, slots=True)
class OpenShare:
    """The share of units on which a control is open, among units that have a value in common."""

    value: str
    """The value in common: a machine class, a month, a version, or a protection and its state."""
    share_open: float
    """Share of these units on which the control is open, 0 to 1."""
    interval: tuple[float, float]
    """95 % interval of the open share: lower end, upper end."""
    units: int
    """Number of units with this value."""


@dataclass(frozen=True, slots=True)
class LockFoundByCount:
    """How many units found the lock status in one way."""

    value: LockFoundBy
    """How the status was found."""
    units: int
    """Number of units."""


@dataclass(frozen=True, slots=True)
class LockChangeCount:
    """On how many open units one thing had been changed to open the control."""

    value: LockChange
    """What had been changed."""
    units: int
    """Number of units."""


_Part = TypeVar("_Part", LockStatusShare, LockFoundByCount)


@dataclass(frozen=True)
class LockShares:
    """What is known of one control on one domain of a chip."""

    domain: Domain
    control: Control
    status: OverallLockStatus
    """The status with the largest share, `mixed` below 0.6, `unknown` without reports."""
    level: Level
    """chip, series where siblings speak for it alone, none."""
    units: int
    """The chip's own units that were reported on."""
    open: ShareEstimate
    statuses: tuple[LockStatusShare, ...]
    found_by: tuple[LockFoundByCount, ...]
    changes: tuple[LockChangeCount, ...]
    """What had been changed where it was open: history, never a recommendation."""
    unchanged_units: int | None
    """Open units without a change; None where these are too few to be shown."""
    by_machine: tuple[OpenShare, ...]
    by_firmware_month: tuple[OpenShare, ...]
    by_protection: tuple[OpenShare, ...]
    withheld_groups: int
    """Cells of fewer than five contributors, which no breakdown shows."""
    whole: Cell
    """All of the chip's own units."""
    cells: Mapping[str, Cell]
    """The units with each status, way of finding and change, and of those unchanged (`_UNCHANGED`),
    by its name."""

    def without_small_cells(self) -> "LockShares":
        """The same where a filter is one breakdown already: none of its cells is small."""
        statuses = self._shown(self.statuses, [one.status for one in self.statuses])
        found_by = self._shown(self.found_by, [one.value for one in self.found_by])
        changes = tuple(one for one in self.changes if not self.cells[one.value].is_small)
        unchanged = self.unchanged_units
        is_hidden = unchanged is not None and self.cells[_UNCHANGED].is_small
        before = len(self.statuses) + len(self.found_by) + len(self.changes)
        hidden = before - len(statuses) - len(found_by) - len(changes) + is_hidden
        return replace(
            self,
            statuses=statuses,
            found_by=found_by,
            changes=changes,
            unchanged_units=None if is_hidden else unchanged,
            withheld_groups=self.withheld_groups + hidden,
        )

    def _shown(self, parts: tuple[_Part, ...], names: Sequence[str]) -> tuple[_Part, ...]:
        """The parts that may be shown; together they are the whole."""
        return tuple(
            compress(parts, shown_cells([self.cells.get(name, NO_CELL) for name in names]))
        )


_UNCHANGED: Final = "unchanged"


def lock_shares(
    groups: Iterable[LockGroup],
    chip_key: str,
    series: str,
    domain: Domain,
    control: Control,
    known: frozenset[int] = frozenset(),
) -> LockShares:
    """The shares of one control on one domain, small cells of `known` contributors."""
    reported = [g for g in groups if (g.domain, g.control) == (domain, control)]
    own = [g for g in reported if g.chip_key == chip_key]
    prior = _prior([g for g in reported if g.series == series and g.chip_key != chip_key])
    counts = _weights(own)
    units = sum(g.units for g in own)
    borrowed = prior is not None
    prior = prior or even_prior(len(STATUSES))
    splits = _Splits(SharePrior(posterior_shares(counts, prior), STRENGTH_OF_THE_WHOLE), known)
    # Reported shares are given as they are; related chips are used only where there are none.
    shares = counts / counts.sum() if units else posterior_shares(counts, prior)
    return LockShares(
        domain=domain,
        control=control,
        status=_status(shares, known=units > 0 or borrowed),
        level=Level.CHIP if units else Level.SERIES if borrowed else Level.NONE,
        units=units,
        open=estimate_share(counts, _OPEN, prior, CONFIDENCE),
        statuses=_statuses(own, shares),
        found_by=_found_by(own),
        changes=_changes(own),
        unchanged_units=sum(g.units for g in own if _is_unchanged(g)),
        by_machine=splits.of(own, lambda g: g.machine),
        by_firmware_month=splits.of(own, lambda g: g.firmware_month),
        by_protection=tuple(
            split for name in PROTECTIONS for split in splits.of(own, partial(_protection, name))
        ),
        withheld_groups=splits.withheld,
        whole=_cell_of(own, known),
        cells=_cells(own, known),
    )


def _cell_of(groups: Iterable[LockGroup], known: frozenset[int]) -> Cell:
    units, contributors = 0, set[int]()
    for group in groups:
        units += group.units
        if known:
            contributors |= known.intersection(map(int, group.contributors.split(",")))
    return Cell(units, contributors)


def _cells(own: list[LockGroup], known: frozenset[int]) -> dict[str, Cell]:
    """The units with each status, way of finding and change, and of those unchanged."""
    parts: dict[str, list[LockGroup]] = {_UNCHANGED: [g for g in own if _is_unchanged(g)]}
    for group in own:
        changed = group.changes.split(",") if _is_open(group) and group.changes else ()
        for name in (group.status, group.found_by, *changed):
            parts.setdefault(name, []).append(group)
    return {name: _cell_of(groups, known) for name, groups in parts.items()}


def _is_unchanged(group: LockGroup) -> bool:
    return _is_open(group) and not group.changes


def reported_controls(
    groups: Iterable[LockGroup], chip_key: str, series: str
) -> list[tuple[Domain, Control]]:
    """Domain and control of everything that the chip or its series has reports on, sorted."""
    related = (g for g in groups if g.chip_key == chip_key or g.series == series)
    return sorted({(g.domain, g.control) for g in related})


def _weights(groups: Iterable[LockGroup]) -> NDArray[np.float64]:
    counts = np.zeros(len(STATUSES))
    for group in groups:
        counts[STATUSES.index(group.status)] += group.weight_ppm / 1e6
    return counts


def _prior(siblings: list[LockGroup]) -> SharePrior | None:
    keys = sorted({group.chip_key for group in siblings})
    if not keys:
        return None
    by_chip = [_weights(g for g in siblings if g.chip_key == key) for key in keys]
    return fit_share_prior(np.array(by_chip))


def _status(shares: NDArray[np.float64], *, known: bool) -> OverallLockStatus:
    if not known:
        return "unknown"
    largest = int(np.argmax(shares))
    return STATUSES[largest] if shares[largest] >= _CLEAR_SHARE else "mixed"


def _statuses(own: list[LockGroup], shares: NDArray[np.float64]) -> tuple[LockStatusShare, ...]:
    units: Counter[LockStatus] = Counter()
    for group in own:
        units[group.status] += group.units
    return tuple(
        LockStatusShare(status, float(shares[place]), units[status])
        for place, status in enumerate(STATUSES)
        if shares[place] >= _LEAST_SHARE_SHOWN or units[status]
    )


def least_open(shares: Iterable[LockShares]) -> LockShares | None:
    """The one that is least likely to be open: rails that move together need all of them."""
    known = [one for one in shares if one.level is not Level.NONE]
    return min(known, key=lambda one: (one.open.share, one.domain), default=None)


def _found_by(own: list[LockGroup]) -> tuple[LockFoundByCount, ...]:
    units: Counter[LockFoundBy] = Counter()
    for group in own:
        units[group.found_by] += group.units
    return tuple(LockFoundByCount(value, units[value]) for value in sorted(units))


def _changes(own: list[LockGroup]) -> tuple[LockChangeCount, ...]:
    units: Counter[LockChange] = Counter()
    for group in own:
        changed = group.changes.split(",") if _is_open(group) else ()
        for change in LOCK_CHANGES:
            if change in changed:
                units[change] += group.units
    return tuple(LockChangeCount(change, units[change]) for change in sorted(units))


def _is_open(group: LockGroup) -> bool:
    return group.status in OPEN_STATUSES


def _protection(name: str, group: LockGroup) -> str:
    state: str = getattr(group, name)
    return "" if state == "unknown" else f"{name} {state}"


class _Splits:
    """Breakdowns that show no cell of fewer than five contributors, and count what they withhold.

    `known` are the contributors that count.
    """

    def __init__(self, prior: SharePrior, known: frozenset[int]) -> None:
        self._prior = prior
        self._known = known
        self.withheld = 0

    def of(
        self, own: list[LockGroup], value_of: Callable[[LockGroup], str]
    ) -> tuple[OpenShare, ...]:
        """The open share by value, in the order of values; unknown values are left out."""
        cells: dict[str, list[LockGroup]] = {}
        for group in own:
            cells.setdefault(value_of(group), []).append(group)
        sizes = {value: _cell_of(cell, self._known) for value, cell in cells.items()}
        untold = sizes.pop("", NO_CELL)
        values = sorted(sizes)
        shown = shown_cells([sizes[value] for value in values], beside=untold)
        self.withheld += shown.count(False)
        return tuple(
            self._split(value, cells[value], sizes[value].units)
            for value in compress(values, shown)
        )

    def _split(self, value: str, cell: list[LockGroup], units: int) -> OpenShare:
        found = estimate_share(_weights(cell), _OPEN, self._prior, CONFIDENCE)
        return OpenShare(value, found.share, (found.low, found.high), units)
