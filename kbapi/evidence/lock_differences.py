"""By what reports on a control differ beyond chance, since when, and where they contradict."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import compress
from operator import attrgetter
from typing import Final

import numpy as np
from numpy.typing import NDArray

from kbapi.evidence.locks import (
    CONFIDENCE,
    STRENGTH_OF_THE_WHOLE,
    LockReporters,
    OpenShare,
)
from kbapi.evidence.small_cells import FEWEST_SHOWN
from kbapi.evidence.units import newcomer_fade
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

Counts = NDArray[np.int64]
Flags = NDArray[np.bool_]


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
    """Units that count: written and read back, the latest of each contributor."""
    compared_by: tuple[LockCondition, ...]
    """Conditions that have two values or more with five of these units each, in one machine class
    or several; a class with a single value is no comparison."""
    splits: tuple[LockSplit, ...]
    """Those of them that are beyond chance."""
    change: LockMonths | None
    """None where no month leaves five units on either side."""
    contradictions: tuple[Contradiction, ...]
    """The most even first, ten at most."""


def find_lock_differences(
    tried: Iterable[TriedLock], share_open: float, reporters: LockReporters
) -> LockDifferences:
    """By what the reports on one control of one chip differ; their order never matters.

    One unit of a contributor counts: three machines of one owner are set up alike, and exact tests
    cannot use weights. Of newcomers as many count as their weight allows. Units are compared with
    units of their own machine class, so those without one take part in no other comparison. Values
    of fewer than five known contributors are not compared, because so few could be recognised. The
    shares of parts are shrunk towards `share_open`, that of the whole.
    """
    reports = counted_reports(tried, reporters)
    known = reporters.known
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


def counted_reports(tried: Iterable[TriedLock], reporters: LockReporters) -> list[TriedLock]:
    """The latest tried unit of each contributor, and of newcomers as many as may count.

    Of these the ones that come first by a keyed hash of their unit, which no sender can foresee.
    """
    latest = latest_of_each_contributor(tried)
    established = reporters.established_among({one.contributor_id for one in latest})
    counted = [one for one in latest if one.contributor_id in established]
    newcomers = [one for one in latest if one.contributor_id not in established]
    # Without the tenth that they keep in a share: ten of them beside a hundred others would be a
    # change in a month that has few reports.
    factor = newcomer_fade(float(len(counted)))
    if factor < 1.0:
        newcomers = sorted(newcomers, key=_BY_CONTENT)[: int(factor * len(newcomers))]
    return [*counted, *newcomers]


_BY_CONTENT: Final = attrgetter("unit_order", *LOCK_CONDITIONS, "status")


def latest_of_each_contributor(tried: Iterable[TriedLock]) -> list[TriedLock]:
    """The latest tried unit of each contributor; among several of a month no status is favoured."""
    by_contributor: dict[int, list[TriedLock]] = {}
    for report in tried:
        by_contributor.setdefault(report.contributor_id, []).append(report)
    return [some[0] if len(some) == 1 else _latest(some) for some in by_contributor.values()]


def _latest(reports: Sequence[TriedLock]) -> TriedLock:
    month = max(report.measured_month for report in reports)
    # Units without a token share an empty hash: then what they are decides, never their arrival.
    return min((one for one in reports if one.measured_month == month), key=_BY_CONTENT)


def is_open(report: TriedLock) -> bool:
    """Whether the control could be used."""
    return report.status in OPEN_STATUSES


@dataclass(frozen=True)
class _Table:
    """Units that are compared, by machine class and value: arrays of shape (classes, values)."""

    values: tuple[str, ...]
    opened: Counts
    units: Counts
    known: Counts
    """Of contributors whom small cells count."""

    def some(self, classes: Flags, values: Flags) -> "_Table":
        """These classes and values."""
        opened, units, known = (
            one[classes][:, values] for one in (self.opened, self.units, self.known)
        )
        return _Table(tuple(compress(self.values, values)), opened, units, known)

    def compared(self, fewest: int) -> "_Table":
        """Classes with two values or more, values with so many known contributors."""
        values = (self.units.sum(axis=0) > 0) & (self.known.sum(axis=0) >= fewest)
        classes = (self.units[:, values] > 0).sum(axis=1) >= 2
        if values.all() and classes.all():
            return self
        return self.some(classes, values).compared(fewest)


class _Parts:
    """Parts of a chip's units, whose shares are shrunk towards that of the whole."""

    def __init__(
        self, reports: Sequence[TriedLock], share_open: float, known: frozenset[int]
    ) -> None:
        self._reports = reports
        self._open = np.array([is_open(report) for report in reports], dtype=np.bool_)
        self._known = np.array([one.contributor_id in known for one in reports], dtype=np.bool_)
        self._machine = _codes([report.machine for report in reports])
        self._prior = SharePrior(np.array([share_open, 1.0 - share_open]), STRENGTH_OF_THE_WHOLE)

    def compared(self, by: LockCondition) -> LockSplit | None:
        """How the values of a condition differ; None where there are not two to compare."""
        table = self._table(by).compared(FEWEST_SHOWN)
        if len(table.values) < 2:
            return None
        found = compare_shares(table.opened, table.units)
        values = tuple(self._share(value, table, one) for one, value in enumerate(table.values))
        return LockSplit(by, found.p_value, table.values[found.clearest], values)

    def change(self) -> LockMonths | None:
        """The likeliest change along firmware months."""
        table = self._table("firmware_month").compared(0)
        found = find_change(table.opened, table.units) if table.values else None
        if found is None:
            return None
        sides = _sides(table, found.since)
        if (sides.known.sum(axis=0) < FEWEST_SHOWN).any():
            return None
        before, after = (self._share(value, sides, one) for one, value in enumerate(sides.values))
        return LockMonths(
            is_change=found.p_value <= CHANGE_LEVEL,
            p_value=found.p_value,
            since=table.values[found.since],
            earliest=table.values[found.earliest],
            latest=table.values[found.latest],
            before=before,
            after=after,
        )

    def _table(self, by: LockCondition) -> _Table:
        """The units of each known value of a condition, in the order of the values."""
        values, value = _codes([getattr(report, by) for report in self._reports])
        machines, machine = self._machine if by != "machine" else ((), np.zeros_like(value))
        shape = max(len(machines), 1), len(values)
        place = machine * shape[1] + value
        has_both = (machine >= 0) & (value >= 0)

        def count(inside: Flags) -> Counts:
            chosen = place[has_both & inside]
            return np.bincount(chosen, minlength=shape[0] * shape[1]).reshape(shape)

        everywhere = np.ones(len(value), dtype=np.bool_)
        return _Table(values, count(self._open), count(everywhere), count(self._known))

    def _share(self, value: str, table: _Table, place: int) -> OpenShare:
        share, units = _share_within(table, place)
        counts = units * np.array([share, 1.0 - share])
        found = estimate_share(counts, _OPEN, self._prior, CONFIDENCE)
        return OpenShare(value, found.share, (found.low, found.high), units)


def _codes(texts: Sequence[str]) -> tuple[tuple[str, ...], Counts]:
    """The known values in their order, and the place of each text among them, -1 without one."""
    values = tuple(sorted({*texts} - {*_UNKNOWN}))
    place = {value: number for number, value in enumerate(values)}
    return values, np.array([place.get(text, -1) for text in texts], dtype=np.int64)


def _sides(months: _Table, since: int) -> _Table:
    """All months before this one and all others, in classes with units on either side."""
    begins, texts = [0, since], (months.values[:since], months.values[since:])
    values = tuple(one[0] if len(one) == 1 else f"{one[0]} to {one[-1]}" for one in texts)
    parts = (
        np.add.reduceat(one, begins, axis=1) for one in (months.opened, months.units, months.known)
    )
    return _Table(values, *parts).compared(0)


def _share_within(table: _Table, place: int) -> tuple[float, int]:
    """The open share of a value as if all values had the same machine classes, and its units.

    The share of all units, and the part of the Mantel-Haenszel difference that is due to this
    value: with one class that is the share as reported.
    """
    units, mine = table.units.sum(axis=1), table.units[:, place]
    opened, size, whole = table.opened.sum(axis=1), int(mine.sum()), int(units.sum())
    more = float((table.opened[:, place] - mine * opened / units).sum())
    pairs = float((mine * (units - mine) / units).sum())
    difference = more / pairs if pairs else 0.0
    share = float(opened.sum()) / whole + difference * (whole - size) / whole
    return min(max(share, 0.0), 1.0), size


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
