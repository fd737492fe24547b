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
from kbapi.evidence.small_cells import FEWEST_UNITS_SHOWN
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
_UNTOLD: Final = ("", "unknown")
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
    """Those that were told, as `memory_integrity on`."""
    open: int
    locked: int
    machines: int
    """Of how many classes of machines they are; untold is one."""


@dataclass(frozen=True)
class LockDifferences:
    """What the reports on one control that stand on trying say of its conditions."""

    units: int
    """Units heard: written and read back, the latest of each contributor."""
    compared_by: tuple[LockCondition, ...]
    """Conditions that have two values or more with five of these units each."""
    splits: tuple[LockSplit, ...]
    """Those of them that are beyond chance."""
    change: LockMonths | None
    """None where no month leaves five units on either side."""
    contradictions: tuple[Contradiction, ...]
    """The most even first, ten at most."""


def find_lock_differences(tried: Iterable[TriedLock], share_open: float) -> LockDifferences:
    """By what the reports on one control of one chip differ; their order never matters.

    A contributor is heard with one unit: whoever has three machines has set them up alike, and
    exact tests know neither weights nor hearsay. Values of fewer than five units are not compared,
    because they could tell on somebody. The shares of parts lean on `share_open`, the whole's.
    """
    heard = heard_once(tried)
    parts = _Parts(heard, share_open)
    compared = [one for by in LOCK_CONDITIONS if (one := parts.compared(by)) is not None]
    adjusted = holm_adjusted([one.p_value for one in compared])
    raised = [replace(one, p_value=p) for one, p in zip(compared, adjusted, strict=True)]
    return LockDifferences(
        units=len(heard),
        compared_by=tuple(one.by for one in compared),
        splits=tuple(one for one in raised if one.p_value <= SPLIT_LEVEL),
        change=parts.change(),
        contradictions=_contradictions(heard),
    )


def heard_once(tried: Iterable[TriedLock]) -> list[TriedLock]:
    """The latest tried unit of each contributor; among several of a month no status is favoured."""
    heard: dict[int, TriedLock] = {}
    # Units without a token share an empty hash: then what they are decides, never their arrival.
    in_order = sorted(tried, key=attrgetter("unit_order", *LOCK_CONDITIONS, "status"))
    for report in sorted(in_order, key=attrgetter("measured_month"), reverse=True):
        heard.setdefault(report.contributor_id, report)
    return list(heard.values())


def is_open(report: TriedLock) -> bool:
    """Whether the control could be used."""
    return report.status in OPEN_STATUSES


@dataclass(frozen=True, slots=True)
class _Cell:
    """Units that have a value in common."""

    value: str
    opened: int
    units: int


def _together(cells: Sequence[_Cell]) -> _Cell:
    value = cells[0].value if len(cells) == 1 else f"{cells[0].value} to {cells[-1].value}"
    return _Cell(value, sum(cell.opened for cell in cells), sum(cell.units for cell in cells))


class _Parts:
    """Parts of a chip's units, whose shares lean on that of the whole."""

    def __init__(self, heard: Sequence[TriedLock], share_open: float) -> None:
        self._heard = heard
        self._open = [report for report in heard if is_open(report)]
        self._prior = SharePrior(np.array([share_open, 1.0 - share_open]), STRENGTH_OF_THE_WHOLE)

    def compared(self, by: LockCondition) -> LockSplit | None:
        """How the values of a condition differ; None where there are not two to compare."""
        cells = [cell for cell in self._cells(by) if cell.units >= FEWEST_UNITS_SHOWN]
        if len(cells) < 2:
            return None
        found = compare_shares(*_counts(cells))
        values = tuple(self._told(cell) for cell in cells)
        return LockSplit(by, found.p_value, cells[found.clearest].value, values)

    def change(self) -> LockMonths | None:
        """The likeliest change along firmware months."""
        cells = self._cells("firmware_month")
        found = find_change(*_counts(cells)) if cells else None
        if found is None:
            return None
        return LockMonths(
            is_change=found.p_value <= CHANGE_LEVEL,
            p_value=found.p_value,
            since=cells[found.since].value,
            earliest=cells[found.earliest].value,
            latest=cells[found.latest].value,
            before=self._told(_together(cells[: found.since])),
            after=self._told(_together(cells[found.since :])),
        )

    def _cells(self, by: LockCondition) -> list[_Cell]:
        """What was told of a condition, in the order of its values."""
        value_of = attrgetter(by)
        units, opened = Counter(map(value_of, self._heard)), Counter(map(value_of, self._open))
        told = sorted({*units} - {*_UNTOLD})
        return [_Cell(value, opened[value], units[value]) for value in told]

    def _told(self, cell: _Cell) -> OpenShare:
        counts = np.array([cell.opened, cell.units - cell.opened], dtype=np.float64)
        found = estimate_share(counts, _OPEN, self._prior, CONFIDENCE)
        return OpenShare(cell.value, found.share, (found.low, found.high), cell.units)


def _counts(cells: Sequence[_Cell]) -> tuple[np.ndarray, np.ndarray]:
    return np.array([cell.opened for cell in cells]), np.array([cell.units for cell in cells])


def _contradictions(heard: Sequence[TriedLock]) -> tuple[Contradiction, ...]:
    conditions_of = attrgetter("firmware_month", "microcode", *PROTECTIONS)
    alike: dict[tuple[str, ...], list[TriedLock]] = {}
    for report in heard:
        alike.setdefault(conditions_of(report), []).append(report)
    told = [
        _contradiction(some)
        for (month, microcode, *_), some in sorted(alike.items())
        if len(some) >= FEWEST_UNITS_SHOWN and (month or microcode)
    ]
    mixed = [one for one in told if min(one.open, one.locked) > 0]
    mixed.sort(key=lambda one: min(one.open, one.locked), reverse=True)
    return tuple(mixed[:MOST_CONTRADICTIONS])


def _contradiction(alike: Sequence[TriedLock]) -> Contradiction:
    opened = sum(map(is_open, alike))
    states = ((name, getattr(alike[0], name)) for name in PROTECTIONS)
    return Contradiction(
        firmware_month=alike[0].firmware_month,
        microcode=alike[0].microcode,
        protections=tuple(f"{name} {state}" for name, state in states if state not in _UNTOLD),
        open=opened,
        locked=len(alike) - opened,
        machines=len({report.machine for report in alike}),
    )
