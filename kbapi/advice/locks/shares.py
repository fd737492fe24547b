"""The lock reports on one control as an answer shows them: shares, and what they differ by."""

from dataclasses import dataclass, replace
from typing import Final

from kbapi.advice.locks import text as lock_text
from kbapi.advice.phrases import no_lock_reports, open_share_text
from kbapi.evidence.lock_differences import (
    Contradiction,
    LockDifferences,
    LockMonths,
    LockSplit,
)
from kbapi.evidence.locks import (
    LockChangeCount,
    LockFoundByCount,
    LockShares,
    LockStatusShare,
    OpenShare,
)
from kbapi.stats.estimate.siblings import Level
from kbapi.vocabulary import (
    LOCKED_STATUSES,
    Control,
    Domain,
    LockCondition,
    OverallLockStatus,
)

_OPEN_EVERYWHERE: Final = 0.95
"""From this share of machines on a control counts as open, unless a lock is reported."""


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
    """The open share by value, as if all had the same machine classes; each of five known
    contributors or more."""
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
    """The open share before the change, in machine classes with both; null without a change."""
    after: OpenShare | None
    """The open share since the change, as if both sides had the same machine classes; null without
    a change."""
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

    Only units with a value that was written and read back count here, one of each contributor. New
    contributors hardly count beside established ones. Units of one machine class are compared.
    """

    units: int
    """Number of units that were compared."""
    compared_by: tuple[LockCondition, ...]
    """Conditions with two values or more of five contributors each, which were compared."""
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
    that was written and read back. Units of new contributors, or of one with several, weigh less.
    """
    level: Level
    """Whose reports the shares are from: `chip`, `series` where only related chips have reports, or
    `none`."""
    only_new_contributors: bool
    """Whether no contributor of these reports is established yet: then new ones weigh in full."""
    statuses: tuple[LockStatusShare, ...]
    """The share of each lock status."""
    found_by: tuple[LockFoundByCount, ...]
    """How many units found the status in which way."""
    changes: tuple[LockChangeCount, ...]
    """What had been changed on open units: history, never a recommendation."""
    unchanged_units: int | None
    """Open units that reported no change; null where a filter leaves too few of them."""
    changes_text: str
    """The changes in one sentence."""
    by_machine: tuple[OpenShare, ...]
    """The open share by machine class."""
    by_firmware_month: tuple[OpenShare, ...]
    """The open share by firmware month."""
    by_protection: tuple[OpenShare, ...]
    """The share of machines with an open control, for each protection and each of its states."""
    withheld_groups: int
    """Number of values with fewer than five contributors, which are not shown."""
    differences: LockComparison
    """By which conditions reports differ, since when, and where they contradict each other."""


def control_response(shares: LockShares, differences: LockDifferences) -> ControlLocks:
    """The lock reports on a control as an answer shows them."""
    return ControlLocks(
        domain=shares.domain,
        control=shares.control,
        status=shares.status,
        text=_status_text(shares),
        share_open=round(shares.open.share, 3),
        interval=(round(shares.open.low, 3), round(shares.open.high, 3)),
        confidence=shares.open.confidence,
        units=round(shares.open.units, 1),
        level=shares.level,
        only_new_contributors=shares.units > 0 and not shares.has_established,
        statuses=tuple(replace(one, share=round(one.share, 3)) for one in shares.statuses),
        found_by=shares.found_by,
        changes=shares.changes,
        unchanged_units=shares.unchanged_units,
        changes_text=lock_text.changes_text(shares.unchanged_units, shares.changes),
        by_machine=_rounded_shares(shares.by_machine),
        by_firmware_month=_rounded_shares(shares.by_firmware_month),
        by_protection=_rounded_shares(shares.by_protection),
        withheld_groups=shares.withheld_groups,
        differences=comparison_response(differences),
    )


def _status_text(shares: LockShares) -> str:
    text = open_text(shares)
    if shares.level == "none" or shares.units == 0:
        return text
    based_on = lock_text.based_on_reports(shares.units, has_established=shares.has_established)
    return f"{text} {based_on}"


def open_text(shares: LockShares) -> str:
    """On how many machines the control is open, and that what opened it is no advice."""
    if shares.level == "none":
        return no_lock_reports()
    text = open_share_text(
        shares.status,
        # Rounded like the share of the answer: rounded once, 0.8549 is 85 %, and twice 86 %.
        round(shares.open.share, 3),
        (round(shares.open.low, 3), round(shares.open.high, 3)),
        shares.level,
        [one.status for one in shares.statuses],
    )
    return f"{text} {lock_text.CHANGES_ARE_NO_ADVICE}" if shares.changes else text


def in_short(locks: ControlLocks) -> str:
    """On how many machines the control can be set, and how that has changed."""
    machines = lock_text.machines_open_text(
        locks.control,
        locks.domain,
        locks.share_open,
        only_new_contributors=locks.only_new_contributors,
    )
    change = locks.differences.change
    if change.since is None or change.before is None or change.after is None:
        return machines
    since = lock_text.change_in_short(change.since, change.before, change.after)
    return lock_text.changed_since(machines, since)


def suggests_lock(locks: ControlLocks) -> bool:
    """Whether an answer shows that the control may be locked.

    Statuses that it withholds have no influence: the alternatives would reveal them.
    """
    statuses = {one.status for one in locks.statuses}
    return locks.share_open < _OPEN_EVERYWHERE or not statuses.isdisjoint(LOCKED_STATUSES)


def _rounded_shares(shares: tuple[OpenShare, ...]) -> tuple[OpenShare, ...]:
    return tuple(map(_rounded_share, shares))


def _rounded_share(one: OpenShare) -> OpenShare:
    low, high = one.interval
    interval = (round(low, 3), round(high, 3))
    return replace(one, share_open=round(one.share_open, 3), interval=interval)


def comparison_response(differences: LockDifferences) -> LockComparison:
    """The differences between lock reports as an answer shows them."""
    by = tuple(_difference_response(split) for split in differences.splits)
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


def _difference_response(split: LockSplit) -> LockDifference:
    clearest = next(one for one in split.values if one.value == split.clearest)
    others = [one for one in split.values if one.value != split.clearest]
    return LockDifference(
        condition=split.by,
        p_value=_significant(split.p_value),
        most_different_value=split.clearest,
        values=_rounded_shares(split.values),
        text=lock_text.split_text(split.by, clearest, others),
    )


def _change_response(change: LockMonths | None) -> LockChangePoint:
    if change is None or not change.is_change:
        text = lock_text.no_change_text(can_compare=change is not None)
        return LockChangePoint(False, None, None, None, None, None, text)
    between = (change.earliest, change.latest)
    return LockChangePoint(
        is_change=True,
        since=change.since,
        since_range=between,
        p_value=_significant(change.p_value),
        before=_rounded_share(change.before),
        after=_rounded_share(change.after),
        text=lock_text.change_text(change.since, between, change.before, change.after),
    )


def _contradiction_response(found: Contradiction) -> LockContradiction:
    versions = [("firmware_month", found.firmware_month), ("microcode", found.microcode)]
    conditions = [(name, value) for name, value in versions if value]
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


def _significant(p_value: float) -> float:
    """Rounded to three significant digits, so that a small chance does not become 0."""
    return float(f"{p_value:.3g}")
