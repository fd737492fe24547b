"""What is known of one control on one domain, as it goes over the wire."""

from dataclasses import asdict, dataclass
from typing import Final

from kbapi.advice.wording import lock_differences as words
from kbapi.advice.wording import locks as lock_words
from kbapi.advice.wording.lock_differences import PartInWords
from kbapi.evidence.lock_differences import Contradiction, LockChange, LockDifferences, LockSplit
from kbapi.evidence.locks import CountOf, LockShares, Split
from kbapi.vocabulary import LOCKED_STATUSES

_OPEN_EVERYWHERE: Final = 0.95
"""From this share of machines on a control counts as open, unless a lock is reported."""


@dataclass(frozen=True, slots=True)
class LockStatusShare:
    """The share of units with one status."""

    status: str
    share: float
    units: int


@dataclass(frozen=True, slots=True)
class ValueCount:
    """How many units."""

    value: str
    units: int


@dataclass(frozen=True, slots=True)
class OpenShare:
    """The open share among units that have something in common."""

    value: str
    share_open: float
    interval: tuple[float, float]
    units: int


@dataclass(frozen=True, slots=True)
class LockDifference:
    """A condition by which reports differ beyond chance."""

    condition: str
    """machine, firmware_month, microcode or a protection."""
    p_value: float
    """Chance of a difference as clear if no condition meant anything, all of them considered."""
    clearest: str
    """The value that differs most clearly from the others."""
    values: tuple[OpenShare, ...]
    text: str


@dataclass(frozen=True, slots=True)
class LockChangePoint:
    """Since which firmware month reports say something else."""

    is_change: bool
    """Whether any change along firmware months is beyond chance; else nothing of it is told."""
    since: str | None
    """The first month of what is said since then."""
    between: tuple[str, str] | None
    """The first and the last month that fit about as well."""
    p_value: float | None
    """Chance of a change as clear at any month if there were none."""
    before: OpenShare | None
    after: OpenShare | None
    text: str


@dataclass(frozen=True, slots=True)
class LockContradiction:
    """Units alike in what was told of them, some open and some locked."""

    firmware_month: str
    microcode: str
    protections: tuple[str, ...]
    units_open: int
    units_locked: int
    machine_classes: int
    """Of how many classes of machines they are."""
    text: str


@dataclass(frozen=True, slots=True)
class LockComparison:
    """By what reports differ, since when, and where they contradict each other.

    Only units that were written and read back are heard here, one of each contributor.
    """

    units: int
    compared_by: tuple[str, ...]
    """Conditions that have two values or more with five of these units each."""
    by_condition: tuple[LockDifference, ...]
    change: LockChangePoint
    contradictions: tuple[LockContradiction, ...]
    """The most even first, ten at most."""
    text: str


@dataclass(frozen=True, slots=True)
class ControlLocks:
    """What is known of one control on one domain."""

    domain: str
    control: str
    status: str
    """In one word: the status with the largest share, mixed, or unknown without reports."""
    text: str
    share_open: float
    """Open, or open in the firmware's own menu."""
    interval: tuple[float, float]
    confidence: float
    units: float
    """Weight of the chip's own reports; hearsay counts one half."""
    level: str
    """chip, series where siblings alone speak, none."""
    statuses: tuple[LockStatusShare, ...]
    found_by: tuple[ValueCount, ...]
    changes: tuple[ValueCount, ...]
    """What had been changed where it was open: history, never a recommendation."""
    unchanged_units: int | None
    """Open units that told of no change; None where a filter leaves fewer than five of them."""
    changes_text: str
    by_machine: tuple[OpenShare, ...]
    by_firmware_month: tuple[OpenShare, ...]
    by_protection: tuple[OpenShare, ...]
    withheld_cells: int
    """Cells of fewer than five units, which are not shown."""
    differences: LockComparison


def control_told(shares: LockShares, differences: LockDifferences) -> ControlLocks:
    """What the reports say, as it goes over the wire."""
    return ControlLocks(
        domain=shares.domain,
        control=shares.control,
        status=shares.word,
        text=_open_in_words(shares),
        share_open=round(shares.open.share, 4),
        interval=(round(shares.open.low, 4), round(shares.open.high, 4)),
        confidence=shares.open.confidence,
        units=round(shares.open.units, 2),
        level=shares.level,
        statuses=tuple(
            LockStatusShare(one.status, round(one.share, 4), one.units) for one in shares.statuses
        ),
        found_by=_counts_told(shares.found_by),
        changes=_counts_told(shares.changes),
        unchanged_units=shares.unchanged_units,
        changes_text=words.changes_text(
            shares.unchanged_units, [(one.value, one.units) for one in shares.changes]
        ),
        by_machine=_splits_told(shares.by_machine),
        by_firmware_month=_splits_told(shares.by_firmware_month),
        by_protection=_splits_told(shares.by_protection),
        withheld_cells=shares.withheld_cells,
        differences=differs_told(differences),
    )


def _open_in_words(shares: LockShares) -> str:
    if shares.level == "none":
        return lock_words.unknown_in_words()
    text = lock_words.open_in_words(
        shares.word,
        shares.open.share,
        (shares.open.low, shares.open.high),
        shares.level,
        [one.status for one in shares.statuses],
    )
    return f"{text} {lock_words.based_on_reports(shares.units)}" if shares.units else text


def in_short(told: ControlLocks) -> str:
    """Whether it can be set, and how that has changed."""
    verdict = lock_words.verdict_in_words(told.control, told.domain, told.share_open)
    change = told.differences.change
    if change.since is None or change.before is None or change.after is None:
        return verdict
    parts = (PartInWords(**asdict(one)) for one in (change.before, change.after))
    return words.changed_since(verdict, words.change_in_short(change.since, *parts))


def suggests_lock(told: ControlLocks) -> bool:
    """Whether anything that is shown of a control suggests that it may be locked.

    Only what is shown: what an answer adds must not give a withheld status away.
    """
    statuses = {one.status for one in told.statuses}
    return told.share_open < _OPEN_EVERYWHERE or not statuses.isdisjoint(LOCKED_STATUSES)


def _counts_told(counts: tuple[CountOf, ...]) -> tuple[ValueCount, ...]:
    return tuple(ValueCount(count.value, count.units) for count in counts)


def _splits_told(splits: tuple[Split, ...]) -> tuple[OpenShare, ...]:
    return tuple(_split_told(split) for split in splits)


def _split_told(split: Split) -> OpenShare:
    low, high = split.interval
    interval = (round(low, 4), round(high, 4))
    return OpenShare(split.value, round(split.share_open, 4), interval, split.units)


def differs_told(differences: LockDifferences) -> LockComparison:
    """By what reports differ, as it goes over the wire."""
    by = tuple(_differs_by(split) for split in differences.splits)
    change = _change_told(differences.change)
    return LockComparison(
        units=differences.units,
        compared_by=differences.compared_by,
        by_condition=by,
        change=change,
        contradictions=tuple(_contradiction_told(one) for one in differences.contradictions),
        text=words.differences_in_words(
            [one.condition for one in by],
            differences.units,
            differences.compared_by,
            has_change=change.is_change,
            has_contradictions=bool(differences.contradictions),
        ),
    )


def _differs_by(split: LockSplit) -> LockDifference:
    parts = [_part(value) for value in split.values]
    clearest = next(part for part in parts if part.value == split.clearest)
    others = [part for part in parts if part.value != split.clearest]
    return LockDifference(
        condition=split.by,
        p_value=_rounded(split.p_value),
        clearest=split.clearest,
        values=_splits_told(split.values),
        text=words.split_in_words(split.by, clearest, others),
    )


def _change_told(change: LockChange | None) -> LockChangePoint:
    if change is None or not change.is_change:
        told = words.no_change_in_words(can_tell=change is not None)
        return LockChangePoint(False, None, None, None, None, None, told)
    between = (change.earliest, change.latest)
    return LockChangePoint(
        is_change=True,
        since=change.since,
        between=between,
        p_value=_rounded(change.p_value),
        before=_split_told(change.before),
        after=_split_told(change.after),
        text=words.change_in_words(
            change.since, between, _part(change.before), _part(change.after)
        ),
    )


def _contradiction_told(found: Contradiction) -> LockContradiction:
    told = [("firmware_month", found.firmware_month), ("microcode", found.microcode)]
    conditions = [(name, value) for name, value in told if value]
    protections = [(name, state) for name, state in map(str.split, found.protections)]
    return LockContradiction(
        firmware_month=found.firmware_month,
        microcode=found.microcode,
        protections=found.protections,
        units_open=found.open,
        units_locked=found.locked,
        machine_classes=found.machines,
        text=words.contradiction_in_words(
            [*conditions, *protections], found.open, found.locked, found.machines
        ),
    )


def _part(split: Split) -> PartInWords:
    return PartInWords(split.value, split.share_open, split.interval, split.units)


def _rounded(p_value: float) -> float:
    """Three digits that count: a chance this small is not nought."""
    return float(f"{p_value:.3g}")
