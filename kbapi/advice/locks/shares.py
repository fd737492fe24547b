"""What is known of one control on one domain, as it goes over the wire."""

from dataclasses import asdict, dataclass
from typing import Final

from kbapi.advice.locks import text as lock_text
from kbapi.advice.locks.text import PartInWords
from kbapi.evidence.lock_differences import (
    Contradiction,
    LockDifferences,
    LockMonths,
    LockSplit,
)
from kbapi.evidence.locks import LockShares, Split
from kbapi.stats.estimate.siblings import Level
from kbapi.vocabulary import (
    LOCKED_STATUSES,
    Control,
    Domain,
    LockChange,
    LockCondition,
    LockFoundBy,
    LockStatus,
    OverallLockStatus,
)

_OPEN_EVERYWHERE: Final = 0.95
"""From this share of machines on a control counts as open, unless a lock is reported."""


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
class LockDifference:
    """A condition whose values differ beyond chance in their open share."""

    condition: LockCondition
    """The condition that was compared."""
    p_value: float
    """Chance of a difference this clear if no condition had an influence, corrected for the number
    of conditions compared, 0 to 1."""
    most_different_value: str
    """The value that differs most clearly from the others."""
    values: tuple[OpenShare, ...]
    """The open share by value, each of five units or more."""
    text: str
    """The difference in one sentence."""


@dataclass(frozen=True, slots=True)
class LockChangePoint:
    """Whether the open share changed from some firmware month on, and from which one."""

    is_change: bool
    """Whether a change along firmware months is beyond chance; if not, most fields are null."""
    since: str | None
    """First firmware month after the change, as 2026-03; null without a change."""
    since_range: tuple[str, str] | None
    """Earliest and latest month of the change that fit about as well; null without a change."""
    p_value: float | None
    """Chance of a change this clear at any month if there were none, 0 to 1; null without one."""
    before: OpenShare | None
    """The open share before the change; null without a change."""
    after: OpenShare | None
    """The open share since the change; null without a change."""
    text: str
    """The change in one sentence, or that there is none."""


@dataclass(frozen=True, slots=True)
class LockContradiction:
    """Units with the same firmware month, microcode and protections, some open and some locked."""

    firmware_month: str
    """Firmware month that these units share, as 2026-03; empty where it was not reported."""
    microcode: str
    """Microcode version that these units share; empty where it was not reported."""
    protections: tuple[str, ...]
    """Protections that these units share, each with its state, such as `memory_integrity on`."""
    units_open: int
    """Number of these units on which the control is open."""
    units_locked: int
    """Number of these units on which the control is locked."""
    machine_classes: int
    """Number of machine classes among these units."""
    text: str
    """The contradiction in one sentence."""


@dataclass(frozen=True, slots=True)
class LockComparison:
    """By which conditions lock reports differ, since when, and where they contradict each other.

    Only units with a value that was written and read back count here, one of each contributor.
    """

    units: int
    """Number of units that were compared."""
    compared_by: tuple[LockCondition, ...]
    """Conditions with two values or more of five units each, which were compared."""
    by_condition: tuple[LockDifference, ...]
    """Conditions that differ beyond chance; empty where none does."""
    change: LockChangePoint
    """Whether the open share changed along firmware months."""
    contradictions: tuple[LockContradiction, ...]
    """Groups of equal units with both results, the most even group first, ten at most."""
    text: str
    """The differences in a few sentences."""


@dataclass(frozen=True, slots=True)
class ControlLocks:
    """What lock reports say of one control on one domain."""

    domain: Domain
    """The supply rail."""
    control: Control
    """The control."""
    status: OverallLockStatus
    """Status of most reports; `mixed` without a clear majority, `unknown` without reports."""
    text: str
    """The status in one sentence."""
    share_open: float
    """Share of units on which the control is open, also where only in the firmware menu, 0 to 1."""
    interval: tuple[float, float]
    """Interval of the open share: lower end, upper end."""
    confidence: float
    """Two-sided confidence of the interval, 0 to 1."""
    units: float
    """Total weight of the chip's own reports; a unit weighs 1 at most, and one half without a value
    that was written and read back."""
    level: Level
    """Whose reports the shares are from: `chip`, `series` where only related chips have reports, or
    `none`."""
    statuses: tuple[LockStatusShare, ...]
    """The share of each lock status."""
    found_by: tuple[LockFoundByCount, ...]
    """How many units found the status in which way."""
    changes: tuple[LockChangeCount, ...]
    """What had been changed on open units: history, never a recommendation."""
    unchanged_units: int | None
    """Open units that reported no change; null where a filter leaves fewer than five of them."""
    changes_text: str
    """The changes in one sentence."""
    by_machine: tuple[OpenShare, ...]
    """The open share by machine class."""
    by_firmware_month: tuple[OpenShare, ...]
    """The open share by firmware month."""
    by_protection: tuple[OpenShare, ...]
    """The open share by protection and its state."""
    withheld_groups: int
    """Number of values with fewer than five units, which are not shown."""
    differences: LockComparison
    """By which conditions reports differ, since when, and where they contradict each other."""


def control_response(shares: LockShares, differences: LockDifferences) -> ControlLocks:
    """What the reports say, as it goes over the wire."""
    return ControlLocks(
        domain=shares.domain,
        control=shares.control,
        status=shares.word,
        text=_open_text(shares),
        share_open=round(shares.open.share, 4),
        interval=(round(shares.open.low, 4), round(shares.open.high, 4)),
        confidence=shares.open.confidence,
        units=round(shares.open.units, 2),
        level=shares.level,
        statuses=tuple(
            LockStatusShare(one.status, round(one.share, 4), one.units) for one in shares.statuses
        ),
        found_by=tuple(LockFoundByCount(one.value, one.units) for one in shares.found_by),
        changes=tuple(LockChangeCount(one.value, one.units) for one in shares.changes),
        unchanged_units=shares.unchanged_units,
        changes_text=lock_text.changes_text(
            shares.unchanged_units, [(one.value, one.units) for one in shares.changes]
        ),
        by_machine=_splits_response(shares.by_machine),
        by_firmware_month=_splits_response(shares.by_firmware_month),
        by_protection=_splits_response(shares.by_protection),
        withheld_groups=shares.withheld_groups,
        differences=differs_response(differences),
    )


def _open_text(shares: LockShares) -> str:
    text = open_text(shares)
    is_reported = shares.level != "none" and shares.units > 0
    return f"{text} {lock_text.based_on_reports(shares.units)}" if is_reported else text


def open_text(shares: LockShares) -> str:
    """On how many machines the control is open, in one sentence."""
    if shares.level == "none":
        return lock_text.unknown_text()
    return lock_text.open_sentence(
        shares.word,
        shares.open.share,
        (shares.open.low, shares.open.high),
        shares.level,
        [one.status for one in shares.statuses],
    )


def in_short(told: ControlLocks) -> str:
    """Whether it can be set, and how that has changed."""
    verdict = lock_text.verdict_text(told.control, told.domain, told.share_open)
    change = told.differences.change
    if change.since is None or change.before is None or change.after is None:
        return verdict
    parts = (PartInWords(**asdict(one)) for one in (change.before, change.after))
    return lock_text.changed_since(verdict, lock_text.change_in_short(change.since, *parts))


def suggests_lock(told: ControlLocks) -> bool:
    """Whether anything that is shown of a control suggests that it may be locked.

    Only what is shown: what an answer adds must not give a withheld status away.
    """
    statuses = {one.status for one in told.statuses}
    return told.share_open < _OPEN_EVERYWHERE or not statuses.isdisjoint(LOCKED_STATUSES)


def _splits_response(splits: tuple[Split, ...]) -> tuple[OpenShare, ...]:
    return tuple(_split_response(split) for split in splits)


def _split_response(split: Split) -> OpenShare:
    low, high = split.interval
    interval = (round(low, 4), round(high, 4))
    return OpenShare(split.value, round(split.share_open, 4), interval, split.units)


def differs_response(differences: LockDifferences) -> LockComparison:
    """By what reports differ, as it goes over the wire."""
    by = tuple(_differs_by(split) for split in differences.splits)
    change = _change_response(differences.change)
    return LockComparison(
        units=differences.units,
        compared_by=differences.compared_by,
        by_condition=by,
        change=change,
        contradictions=tuple(_contradiction_response(one) for one in differences.contradictions),
        text=lock_text.differences_text(
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
        most_different_value=split.clearest,
        values=_splits_response(split.values),
        text=lock_text.split_text(split.by, clearest, others),
    )


def _change_response(change: LockMonths | None) -> LockChangePoint:
    if change is None or not change.is_change:
        told = lock_text.no_change_text(can_tell=change is not None)
        return LockChangePoint(False, None, None, None, None, None, told)
    between = (change.earliest, change.latest)
    return LockChangePoint(
        is_change=True,
        since=change.since,
        since_range=between,
        p_value=_rounded(change.p_value),
        before=_split_response(change.before),
        after=_split_response(change.after),
        text=lock_text.change_text(
            change.since, between, _part(change.before), _part(change.after)
        ),
    )


def _contradiction_response(found: Contradiction) -> LockContradiction:
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
        text=lock_text.contradiction_text(
            [*conditions, *protections], found.open, found.locked, found.machines
        ),
    )


def _part(split: Split) -> PartInWords:
    return PartInWords(split.value, split.share_open, split.interval, split.units)


def _rounded(p_value: float) -> float:
    """Three digits that count: a chance this small is not nought."""
    return float(f"{p_value:.3g}")
