"""By what reports on a control differ beyond chance, since when, and where they contradict."""

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from operator import attrgetter
from typing import Final

import numpy as np

from kbapi.evidence.locks import (
    CONFIDENCE,
    STRENGTH_OF_THE_WHOLE,
    OpenShare,
)
from kbapi.evidence.small_cells import FEWEST_SHOWN
from kbapi.stats.locks.exact_shares import compare_shares, find_change
from kbapi.stats.locks.shares import SharePrior, estimate_share
from kbapi.stats.time.two_groups import holm_adjusted
from kbapi.storage.locks import TriedLock
from kbapi.vocabulary import LOCK_CONDITIONS, OPEN_STATUSES, PROTECTIONS, LockCondition

SPLIT_LEVEL: Final = 0.05
"""Of all conditions of a control together."""
CHANGE_LEVEL: Final = 0.008
"""Of a control: in stable reports a change is imagined at most as often, because it is exact."""
MOST_CONTRADICTIONS: Final = 10
_UNKNOWN: Final = ("", "unknown")
_OPEN: Final = np.array([True, False])


@dataclass(frozen=True, slots=True)
class LockSplit:
    """A condition by which units may differ.

    `p_value` is raised for the number of conditions looked at (Holm).
    """

    by: LockCondition
    p_value: float
    clearest: str
    """The value that differs most clearly from the others."""
    values: tuple[OpenShare, ...]


@dataclass(frozen=True, slots=True)
class LockMonths:
    """The likeliest change along firmware months, and whether it is beyond chance.

    The true month may be any from `earliest` to `latest`: they fit about as well.
    """

    is_change: bool
    p_value: float
    since: str
    earliest: str
    latest: str
    before: OpenShare
    after: OpenShare


@dataclass(frozen=True, slots=True)
class Contradiction:
    """Units alike in firmware month, microcode and protections, some open and some locked."""

    firmware_month: str
    microcode: str
    protections: tuple[str, ...]
    """Those that were sent, as `memory_integrity on`."""
    open: int
    locked: int
    machines: int
    """Of how many classes of machines they are; an unknown class is one."""


@dataclass(frozen=True)
class LockDifferences:
    """How the conditions of tried reports on one control differ."""

    units: int
    """Units compared: written and read back, the latest of each contributor."""
    compared_by: tuple[LockCondition, ...]
    """Conditions that have two values or more with five of these units each."""
    splits: tuple[LockSplit, ...]
    """Those of them that are beyond chance."""
    change: LockMonths | None
    """None where no month leaves five units on either side."""
    contradictions: tuple[Contradiction, ...]
    """The most even first, ten at most."""


def find_lock_differences(
    tried: Iterable[TriedLock], share_open: float, known: frozenset[int]
) -> LockDifferences:
    """By what the reports on one control of one chip differ; their order never matters.

    One unit of a contributor counts: three machines of one owner are set up alike, and exact tests
    cannot use weights. Values of fewer than five of the `known` contributors are not compared,
    because so few could be recognised. The shares of parts are shrunk towards `share_open`, that
    of the whole.
    """
    reports = latest_of_each_contributor(tried)
    parts = _Parts(reports, share_open, known)
    compared = [one for by in LOCK_CONDITIONS if (one := parts.compared(by)) is not None]
    adjusted = holm_adjusted([one.p_value for one in compared])
    raised = [replace(one, p_value=p) for one, p in zip(compared, adjusted, strict=True)]
    return LockDifferences(
        units=len(reports),
        compared_by=tuple(one.by for one in compared),
        splits=tuple(one for one in raised if one.p_value <= SPLIT_LEVEL),
        change=parts.change(),
        contradictions=_contradictions(reports, known),
    )


def latest_of_each_contributor(tried: Iterable[TriedLock]) -> list[TriedLock]:
    """The latest tried unit of each contributor; among several of a month no status is favoured."""
    latest: dict[int, TriedLock] = {}
    # Units without a token share an empty hash: then what they are decides, never their arrival.
    in_order = sorted(tried, key=attrgetter("unit_order", *LOCK_CONDITIONS, "status"))
    for report in sorted(in_order, key=attrgetter("measured_month"), reverse=True):
        latest.setdefault(report.contributor_id, report)
    return list(latest.values())


def is_open(report: TriedLock) -> bool:
    """Whether the control could be used."""
    return report.status in OPEN_STATUSES


@dataclass(frozen=True, slots=True)
class _Cell:
    """Units that have a value in common."""

    value: str
    opened: int
    units: int
    known: int
    """Of contributors whom small cells count."""


def _together(cells: Sequence[_Cell]) -> _Cell:
    value = cells[0].value if len(cells) == 1 else f"{cells[0].value} to {cells[-1].value}"
    sums = (sum(getattr(cell, name) for cell in cells) for name in ("opened", "units", "known"))
    return _Cell(value, *sums)


class _Parts:
    """Parts of a chip's units, whose shares are shrunk towards that of the whole."""

    def __init__(
        self, reports: Sequence[TriedLock], share_open: float, known: frozenset[int]
    ) -> None:
        self._reports = reports
        self._known = [report for report in reports if report.contributor_id in known]
        self._open = [report for report in reports if is_open(report)]
        self._prior = SharePrior(np.array([share_open, 1.0 - share_open]), STRENGTH_OF_THE_WHOLE)

    def compared(self, by: LockCondition) -> LockSplit | None:
        """How the values of a condition differ; None where there are not two to compare."""
        cells = [cell for cell in self._cells(by) if cell.known >= FEWEST_SHOWN]
        if len(cells) < 2:
            return None
        found = compare_shares(*_counts(cells))
        values = tuple(self._share(cell) for cell in cells)
        return LockSplit(by, found.p_value, cells[found.clearest].value, values)

    def change(self) -> LockMonths | None:
        """The likeliest change along firmware months."""
        cells = self._cells("firmware_month")
        found = find_change(*_counts(cells)) if cells else None
        if found is None:
            return None
        before, after = _together(cells[: found.since]), _together(cells[found.since :])
        if min(before.known, after.known) < FEWEST_SHOWN:
            return None
        return LockMonths(
            is_change=found.p_value <= CHANGE_LEVEL,
            p_value=found.p_value,
            since=cells[found.since].value,
            earliest=cells[found.earliest].value,
            latest=cells[found.latest].value,
            before=self._share(before),
            after=self._share(after),
        )

    def _cells(self, by: LockCondition) -> list[_Cell]:
        """The units of each known value of a condition, in the order of the values."""
        value_of = attrgetter(by)
        of = (self._open, self._reports, self._known)
        opened, units, known = (Counter(map(value_of, reports)) for reports in of)
        values = sorted({*units} - {*_UNKNOWN})
        return [_Cell(value, opened[value], units[value], known[value]) for value in values]

    def _share(self, cell: _Cell) -> OpenShare:
        counts = np.array([cell.opened, cell.units - cell.opened], dtype=np.float64)
        found = estimate_share(counts, _OPEN, self._prior, CONFIDENCE)
        return OpenShare(cell.value, found.share, (found.low, found.high), cell.units)


def _counts(cells: Sequence[_Cell]) -> tuple[np.ndarray, np.ndarray]:
    return np.array([cell.opened for cell in cells]), np.array([cell.units for cell in cells])


def _contradictions(
    reports: Sequence[TriedLock], known: frozenset[int]
) -> tuple[Contradiction, ...]:
    conditions_of = attrgetter("firmware_month", "microcode", *PROTECTIONS)
    alike: dict[tuple[str, ...], list[TriedLock]] = {}
    for report in reports:
        alike.setdefault(conditions_of(report), []).append(report)
    found = [
        _contradiction(some)
        for (month, microcode, *_), some in sorted(alike.items())
        if sum(one.contributor_id in known for one in some) >= FEWEST_SHOWN and (month or microcode)
    ]
    mixed = [one for one in found if min(one.open, one.locked) > 0]
    mixed.sort(key=lambda one: min(one.open, one.locked), reverse=True)
    return tuple(mixed[:MOST_CONTRADICTIONS])


def _contradiction(alike: Sequence[TriedLock]) -> Contradiction:
    opened = sum(map(is_open, alike))
    states = ((name, getattr(alike[0], name)) for name in PROTECTIONS)
    return Contradiction(
        firmware_month=alike[0].firmware_month,
        microcode=alike[0].microcode,
        protections=tuple(f"{name} {state}" for name, state in states if state not in _UNKNOWN),
        open=opened,
        locked=len(alike) - opened,
        machines=len({report.machine for report in alike}),
    )
