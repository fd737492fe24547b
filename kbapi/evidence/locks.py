"""Whether a control can be used on a chip: reports become shares, leaning on the series."""

from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, replace
from functools import partial
from itertools import compress
from typing import Final, TypeVar

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Connection

from kbapi.evidence.small_cells import NO_CELL, Cell, shown_cells
from kbapi.evidence.units import (
    MILLION,
    OTHERS_NEEDED,
    Standing,
    newcomer_factor,
    weight_ppm_of,
)
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
_TRIED: Final = "written_and_read_back"
_WEIGHT_UNTRIED: Final = 0.5
_FEWEST_LENT: Final = 10
"""A related chip lends so many units of five known contributors, or nothing."""

Integers = NDArray[np.int64]
Flags = NDArray[np.bool_]
Vector = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class LockReporters:
    """The contributors of lock reports: whom small cells count, and who is established."""

    known: frozenset[int]
    """The numbers of those whom small cells count."""
    established: frozenset[int]
    """The numbers of those who are established in a group with five others."""

    def established_among(self, contributors: AbstractSet[int]) -> frozenset[int]:
        """Those who are established among all contributors of reports on one control of a chip."""
        if len(contributors) <= OTHERS_NEEDED:
            return frozenset()
        return self.established.intersection(contributors)


def find_reporters(
    connection: Connection, standing: Standing, groups: Sequence[LockGroup]
) -> LockReporters:
    """The standing of all contributors of these reports."""
    contributors = np.unique(_contributors(groups))
    established, known = standing.established_and_known(connection, contributors)
    return LockReporters(frozenset(known.tolist()), frozenset(established.tolist()))


def _contributors(groups: Sequence[LockGroup]) -> Integers:
    """The contributor of each unit, those of a group side by side."""
    text = ",".join(group.contributors for group in groups)
    return np.fromstring(text, np.int64, sep=",") if text else np.zeros(0, dtype=np.int64)


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
    has_established: bool
    """Whether any of their contributors is established."""
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
    reporters: LockReporters,
    *,
    in_parts: bool = True,
) -> LockShares:
    """The shares of one control on one domain, broken down unless `in_parts` is false."""
    reported = [g for g in groups if (g.domain, g.control) == (domain, control)]
    own = _Reports([g for g in reported if g.chip_key == chip_key], reporters)
    lent = _prior([g for g in reported if g.series == series], chip_key, reporters)
    prior = lent or even_prior(len(STATUSES))
    counts = own.weights(own.everywhere)
    parted = own if in_parts else _Reports([], reporters)
    splits = _Splits(SharePrior(posterior_shares(counts, prior), STRENGTH_OF_THE_WHOLE), parted)
    # Reported shares are given as they are; related chips are used only where there are none.
    shares = counts / counts.sum() if own.units else posterior_shares(counts, prior)
    return LockShares(
        domain=domain,
        control=control,
        status=_status(shares, known=own.units > 0 or lent is not None),
        level=Level.CHIP if own.units else Level.SERIES if lent else Level.NONE,
        units=own.units,
        has_established=bool(own.established.any()),
        open=estimate_share(counts, _OPEN, prior, CONFIDENCE),
        statuses=_statuses(own.groups, shares),
        found_by=_found_by(own.groups),
        changes=_changes(own.groups),
        unchanged_units=sum(g.units for g in own.groups if _is_unchanged(g)),
        by_machine=splits.of(lambda g: g.machine),
        by_firmware_month=splits.of(lambda g: g.firmware_month),
        by_protection=splits.of_protections(),
        withheld_groups=splits.withheld,
        whole=own.cell(own.everywhere),
        cells=_cells(parted),
    )


class _Reports:
    """The latest reports on one control of a chip, a unit each: arrays of shape (units,).

    A contributor weighs at most max(1, min(3, W / 30)) units, where W is the weight of all. In the
    whole and in each part newcomers keep what `newcomer_factor` leaves of their weight.
    """

    def __init__(self, groups: list[LockGroup], reporters: LockReporters) -> None:
        self.groups = groups
        self.group = np.repeat(np.arange(len(groups)), [group.units for group in groups])
        self.units = len(self.group)
        self.everywhere = np.ones(self.units, dtype=np.bool_)
        self.contributor = _contributors(groups)
        among = set(self.contributor.tolist())
        established = reporters.established_among(among)
        self.known = self._are_of(reporters.known & among)
        self.established = self._are_of(established)
        self._status = np.array([STATUSES.index(group.status) for group in groups], dtype=np.int64)
        tried = np.array([group.found_by == _TRIED for group in groups], dtype=np.bool_)
        weight_ppm = weight_ppm_of(self.contributor, self.established, self.everywhere)
        self._weight = weight_ppm / MILLION * np.where(tried, 1.0, _WEIGHT_UNTRIED)[self.group]
        self._factor = 1.0
        if established:
            self._factor = self._newcomer_factor(self.everywhere)

    def _are_of(self, contributors: AbstractSet[int]) -> Flags:
        return np.isin(self.contributor, np.array(sorted(contributors), dtype=np.int64))

    def _newcomer_factor(self, inside: Flags) -> float:
        by_established = float(self._weight[inside & self.established].sum())
        by_newcomers = float(self._weight[inside & ~self.established].sum())
        return min(self._factor, newcomer_factor(by_established, by_newcomers))

    def weights(self, inside: Flags) -> Vector:
        """The weight of these units by status, newcomers limited among them as in the whole."""
        factor = np.where(self.established, 1.0, self._newcomer_factor(inside))
        status = self._status[self.group[inside]]
        weight = (self._weight * factor)[inside]
        return np.asarray(np.bincount(status, weight, len(STATUSES)), dtype=np.float64)

    def cell(self, inside: Flags) -> Cell:
        """These units, and those of their contributors whom small cells count."""
        return Cell(int(inside.sum()), frozenset(self.contributor[inside & self.known].tolist()))


def _cells(own: _Reports) -> dict[str, Cell]:
    """The units with each status, way of finding and change, and of those unchanged."""
    parts: dict[str, list[int]] = {_UNCHANGED: []}
    for place, group in enumerate(own.groups):
        changed = group.changes.split(",") if _is_open(group) and group.changes else ()
        unchanged = (_UNCHANGED,) if _is_unchanged(group) else ()
        for name in (group.status, group.found_by, *changed, *unchanged):
            parts.setdefault(name, []).append(place)
    return {name: own.cell(np.isin(own.group, places)) for name, places in parts.items()}


def _is_unchanged(group: LockGroup) -> bool:
    return _is_open(group) and not group.changes


def reported_controls(
    groups: Iterable[LockGroup], chip_key: str, series: str
) -> list[tuple[Domain, Control]]:
    """Domain and control of everything that the chip or its series has reports on, sorted."""
    related = (g for g in groups if g.chip_key == chip_key or g.series == series)
    return sorted({(g.domain, g.control) for g in related})


def _prior(series: list[LockGroup], chip_key: str, reporters: LockReporters) -> SharePrior | None:
    by_chip = []
    for key in sorted({group.chip_key for group in series} - {chip_key}):
        lent = _Reports([group for group in series if group.chip_key == key], reporters)
        cell = lent.cell(lent.known)
        # Chips and tokens can be invented: a flood of both must not lend to every chip of a series.
        if not cell.is_small and cell.units >= _FEWEST_LENT:
            by_chip.append(lent.weights(lent.known))
    return fit_share_prior(np.array(by_chip)) if by_chip else None


def _status(shares: Vector, *, known: bool) -> OverallLockStatus:
    if not known:
        return "unknown"
    largest = int(np.argmax(shares))
    return STATUSES[largest] if shares[largest] >= _CLEAR_SHARE else "mixed"


def _statuses(own: list[LockGroup], shares: Vector) -> tuple[LockStatusShare, ...]:
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
    """Breakdowns without cells of fewer than five contributors; these are counted."""

    def __init__(self, prior: SharePrior, own: _Reports) -> None:
        self._prior = prior
        self._own = own
        self.withheld = 0

    def of(self, value_of: Callable[[LockGroup], str]) -> tuple[OpenShare, ...]:
        """The open share by value, in the order of values; unknown values are left out."""
        by_group = [value_of(group) for group in self._own.groups]
        values = sorted({*by_group})
        place = {value: number for number, value in enumerate(values)}
        code = np.array([place[value] for value in by_group], dtype=np.int64)[self._own.group]
        inside = {value: code == number for value, number in place.items()}
        cells = {value: self._own.cell(flags) for value, flags in inside.items()}
        unstated = cells.pop("", NO_CELL)
        shown = shown_cells(list(cells.values()), beside=unstated)
        self.withheld += shown.count(False)
        return tuple(self._split(value, inside[value]) for value in compress(cells, shown))

    def of_protections(self) -> tuple[OpenShare, ...]:
        """The open share by protection and its state."""
        return tuple(one for name in PROTECTIONS for one in self.of(partial(_protection, name)))

    def _split(self, value: str, inside: Flags) -> OpenShare:
        found = estimate_share(self._own.weights(inside), _OPEN, self._prior, CONFIDENCE)
        return OpenShare(value, found.share, (found.low, found.high), int(inside.sum()))
