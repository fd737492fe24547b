"""Results of one contributor: read back, listed with re-tests due, withdrawn."""

from dataclasses import dataclass
from datetime import date
from typing import Any, Final

import orjson
from sqlalchemy import Connection

from kbapi.chips.chip import ChipSummary
from kbapi.errors import ReceiptWrong, SubmissionGone
from kbapi.evidence.longevity import grids_of
from kbapi.instance.instance import Instance
from kbapi.instance.secret import contributor_hash, is_receipt_of
from kbapi.intake.decision_reasons import LEFT_WITH_SETTING
from kbapi.intake.responses import (
    IgnoredReading,
    Reason,
    ScreenedSetting,
    Screening,
    describe_stored,
)
from kbapi.storage import answers, pools, results
from kbapi.storage import results as results_rows
from kbapi.storage.contributors import (
    Sent,
    Since,
    delete_contributor,
    drop_unit_if_unused,
    find_contributor,
    find_since,
    load_sent,
)
from kbapi.storage.follow_ups import StoredFollowUp, load_follow_ups
from kbapi.storage.pools import drop_unused_places
from kbapi.storage.results import StoredSubmission
from kbapi.vocabulary import Domain, FollowUpStatus, LimitControl


@dataclass(frozen=True, slots=True)
class FollowUpDetail:
    """A stored follow-up."""

    month: str
    """Month of its arrival, YYYY-MM."""
    status: FollowUpStatus
    """`counted`: part of every answer. `unverified`: stored, without proof that the setting still
    takes effect. `recorded`: stored with the result and changes no number."""
    reasons: tuple[str, ...]
    """Codes of why it does not count; empty for a counted one."""
    document: dict[str, Any]
    """The follow-up as it was sent."""


@dataclass(frozen=True, slots=True)
class SubmissionDetail:
    """A stored result as it is screened now."""

    id: str
    """Id of the result, a UUID."""
    chip: ChipSummary
    """The chip that the result was understood to be about."""
    screening: Screening
    """How the whole result is screened now."""
    settings: tuple[ScreenedSetting, ...]
    """How each setting is screened now, in the order of the document."""
    measured_in: str
    """Month of the measurement, YYYY-MM; the month of arrival where none was sent."""
    rules_version: int
    """Version of the rules that screened it last."""
    document: dict[str, Any]
    """The result as it was sent, without its tokens."""
    chip_conflict: str | None
    """How `chip_ids` contradicts the name of the chip; null where they agree."""
    reading_ignored: tuple[IgnoredReading, ...]
    """Numbers of readings that cannot be right and are not used."""
    warnings: tuple[Reason, ...]
    """What it costs that the result has no tokens; empty for one with both."""
    follow_ups: tuple[FollowUpDetail, ...]
    """Follow-ups on its settings, oldest first."""


def read_own_result(instance: Instance, public_id: str, receipt: str) -> SubmissionDetail:
    """The result that the receipt belongs to, as it is screened now.

    Raises
    ------
    ReceiptWrong
        Whether or not there is such a submission.
    SubmissionGone
        When the receipt fits and the submission has been withdrawn.
    """
    require_receipt(instance, public_id, receipt)
    with instance.reading() as connection:
        stored = results.find_submission(connection, public_id)
        if stored is None:
            raise SubmissionGone
        described = describe_stored(instance, connection, stored)
        followed = load_follow_ups(connection, stored.id)
    return SubmissionDetail(
        id=described.id,
        chip=described.chip,
        screening=described.screening,
        settings=described.settings,
        measured_in=stored.measured_month,
        rules_version=stored.rules_version,
        document=orjson.loads(stored.document),
        chip_conflict=described.chip_conflict,
        reading_ignored=described.reading_ignored,
        warnings=described.warnings,
        follow_ups=tuple(describe_follow_up(one) for one in followed),
    )


def describe_follow_up(one: StoredFollowUp) -> FollowUpDetail:
    """A stored follow-up, with the reason if a decision took it out."""
    reasons = tuple(orjson.loads(one.reasons))
    if one.is_taken_out and one.status != "recorded":
        return FollowUpDetail(
            one.measured_month,
            "recorded",
            (LEFT_WITH_SETTING, *reasons),
            orjson.loads(one.document),
        )
    return FollowUpDetail(one.measured_month, one.status, reasons, orjson.loads(one.document))


def withdraw_own_result(instance: Instance, public_id: str, receipt: str) -> None:
    """Remove a result and all evidence from it, in one transaction.

    Raises what `read_own_result` raises.
    """
    require_receipt(instance, public_id, receipt)
    with instance.writing(takes_back=True) as connection:
        stored = results.find_submission(connection, public_id)
        if stored is None:
            raise SubmissionGone
        remove_result(connection, stored)
    instance.overwrite_withdrawn()


def remove_result(connection: Connection, stored: StoredSubmission) -> None:
    """Remove a result and everything that was derived from it."""
    places = results.delete_submission(connection, stored.id)
    drop_unit_if_unused(connection, stored.unit)
    drop_unused_places(connection, places)
    answers.outdate_answers_of_line(connection, stored.line_id)
    pools.drop_chip_if_unused(connection, stored.chip_id, stored.line_id)


def require_receipt(instance: Instance, public_id: str, receipt: str) -> None:
    """Nothing, if the receipt is that of the result with this id.

    Raises
    ------
    ReceiptWrong
        Whether or not there is such a result.
    """
    if not is_receipt_of(instance.secret, public_id, receipt):
        raise ReceiptWrong


RESULTS_A_PAGE: Final = 100
_RETESTS: Final = (30, 90, 365)
"""Days after which a setting in use is worth a re-test: limits shrink with age and heat."""
ENDED: Final = {
    "failed_later": "It failed later, here or nearer to stock. Step back toward stock.",
    "failed_in_later_result": "A later result of this machine failed here or nearer to stock. Step "
    "back toward stock.",
    "given_up": "A follow-up reports that it was given up.",
    "machine_gone": "A follow-up reports that the machine is gone.",
    "fails_at_stock_too": "A follow-up reports that the machine fails at stock.",
}
"""Why a setting is no longer in use, by code."""
_OF_THE_MACHINE: Final = frozenset({"machine_gone", "fails_at_stock_too"})


@dataclass(frozen=True, slots=True)
class InUseSetting:
    """A setting that the contributor keeps in use."""

    domain: Domain
    """The supply rail."""
    control: LimitControl
    """How it is adjusted."""
    clock_mhz: float | None
    """The clock of a fixed_clock_voltage setting, in MHz; null for the other controls."""
    in_use: float
    """The setting in use: mV from stock, negative is lower (voltage_offset); counts from stock,
    negative is lower (count_offset); absolute mV (fixed_clock_voltage)."""


@dataclass(frozen=True, slots=True)
class EndedSetting(InUseSetting):
    """A setting that the result reports to be in use, and that is no longer."""

    reason: Reason
    """Why it ended."""


@dataclass(frozen=True, slots=True)
class MySubmission:
    """One result of the contributor, as it is screened now."""

    id: str
    """Id of the result, a UUID."""
    chip: ChipSummary
    """The chip that the result is about."""
    measured_in: str
    """Month of the measurement, YYYY-MM; the month of arrival where none was sent."""
    screening: Screening
    """How the whole result is screened now."""
    settings: tuple[ScreenedSetting, ...]
    """How each setting is screened now, in the order of the document."""
    in_use: tuple[InUseSetting, ...]
    """Settings that the result reports to be in use, and that no later report ended."""
    in_use_ended: tuple[EndedSetting, ...]
    """Settings that the result reports to be in use, and that a later report ended."""
    retests_due: tuple[Reason, ...]
    """Why the settings in use should be tested again now; empty if no test is due."""


@dataclass(frozen=True, slots=True)
class MySubmissions:
    """A page of the contributor's results, oldest first."""

    submissions: tuple[MySubmission, ...]
    """At most 100 results."""
    next_cursor: str | None
    """Send it as `cursor` for the next page; null on the last page."""


@dataclass(frozen=True, slots=True)
class WithdrawnSubmissions:
    """How many results were withdrawn."""

    withdrawn: int
    """Results that were withdrawn; 0 if there were none."""
    text: str
    """What withdrawing removes, and what it cannot remove."""


def list_own_results(instance: Instance, token: str, cursor: str | None = None) -> MySubmissions:
    """The contributor's results, settings in use and re-tests due; empty for an unknown token."""
    token_hash = contributor_hash(instance.secret, token)
    with instance.reading() as connection:
        contributor_id = find_contributor(connection, token_hash)
        if contributor_id is None:
            return MySubmissions((), None)
        sent = load_sent(connection, contributor_id, cursor, RESULTS_A_PAGE + 1)
        results = tuple(_describe(instance, connection, one) for one in sent[:RESULTS_A_PAGE])
    return MySubmissions(results, results[-1].id if len(sent) > RESULTS_A_PAGE else None)


def _describe(instance: Instance, connection: Connection, sent: Sent) -> MySubmission:
    stored = results_rows.load_submission_of(connection, sent.public_id)
    described = describe_stored(instance, connection, stored)
    document = orjson.loads(stored.document)
    since = find_since(connection, stored.id)
    in_use, ended = _in_use(instance, stored, document, since)
    due = _retests_due(sent.received_day, instance.today(), since) if in_use else ()
    return MySubmission(
        id=stored.public_id,
        chip=described.chip,
        measured_in=stored.measured_month,
        screening=described.screening,
        settings=described.settings,
        in_use=in_use,
        in_use_ended=ended,
        retests_due=due,
    )


def _in_use(
    instance: Instance, stored: StoredSubmission, document: dict[str, Any], since: Since
) -> tuple[tuple[InUseSetting, ...], tuple[EndedSetting, ...]]:
    """The settings that are still in use, and those that a later report ended."""
    in_use, ended = [], []
    for place, setting in enumerate(document.get("settings") or ()):
        if setting.get("in_use") is None:
            continue
        values = (
            setting["domain"],
            setting["control"],
            setting.get("clock_mhz"),
            setting["in_use"],
        )
        code = _end_of(instance, stored, place, setting, since)
        if code is None:
            in_use.append(InUseSetting(*values))
        else:
            ended.append(EndedSetting(*values, Reason(code, ENDED[code])))
    return tuple(in_use), tuple(ended)


def _end_of(
    instance: Instance,
    stored: StoredSubmission,
    place: int,
    setting: dict[str, Any],
    since: Since,
) -> str | None:
    """The code of the first report that ended the setting in use; None while it goes on."""
    pool_id = stored.settings[place].place.pool_id
    steps = _steps_in_use(instance, stored, setting)
    for end in since.ends:
        is_deeper = steps is None or end.steps > steps
        if end.reason in _OF_THE_MACHINE or (
            end.pool_id == pool_id
            and (end.reason == "given_up" or (end.reason in _FAILED and not is_deeper))
        ):
            return end.reason
    return None


_FAILED: Final = frozenset({"failed_later", "failed_in_later_result"})


def _steps_in_use(
    instance: Instance, stored: StoredSubmission, setting: dict[str, Any]
) -> int | None:
    """The setting in use in steps below stock; None where the chip or its stock is not known."""
    control, value = setting["control"], setting["in_use"]
    grid = grids_of(instance.catalogue, control)(stored.chip_key)
    below = -value
    if control == "fixed_clock_voltage":
        stock_mv = setting.get("stock_mv")
        below = None if stock_mv is None else stock_mv - value
    return None if grid is None or below is None else grid.unstable_steps(max(0.0, below))


def _retests_due(received: date, today: date, since: Since) -> tuple[Reason, ...]:
    age = (today - received).days
    due = []
    passed = [days for days in _RETESTS if days <= age]
    if passed and since.longest_days < passed[-1]:
        due.append(f"after_{passed[-1]}_days")
    if since.has_later_firmware:
        due.append("firmware_changed")
    if since.has_later_driver:
        due.append("driver_changed")
    return tuple(Reason(code, RETESTS_DUE[code]) for code in due)


RETESTS_DUE: Final = {
    **{
        f"after_{days}_days": f"{days} days have passed. Test again and send a follow-up."
        for days in _RETESTS
    },
    "firmware_changed": "Later results report another firmware for this machine. Limits may have "
    "changed: test again.",
    "driver_changed": "Later results report another driver for this chip. Limits may have "
    "changed: test again.",
}
"""Why a setting in use should be tested again, by code."""


def withdraw_own_results(instance: Instance, token: str) -> WithdrawnSubmissions:
    """How many results of the contributor were removed, with all evidence from them.

    One transaction: all are removed, or none.
    """
    token_hash = contributor_hash(instance.secret, token)
    with instance.writing(takes_back=True) as connection:
        contributor_id = find_contributor(connection, token_hash)
        if contributor_id is None:
            return WithdrawnSubmissions(0, _WITHDRAWN)
        removed = remove_contributor(connection, contributor_id)
    instance.overwrite_withdrawn()
    return WithdrawnSubmissions(removed, _WITHDRAWN)


_WITHDRAWN: Final = "They were deleted here. Backups made before still contain them."


def remove_contributor(connection: Connection, contributor_id: int) -> int:
    """How many results of the contributor were removed, with everything derived from them."""
    removed = delete_contributor(connection, contributor_id)
    drop_unused_places(connection, removed.places)
    for line_id in sorted({line_id for _, line_id in removed.chips}):
        answers.outdate_answers_of_line(connection, line_id)
    for chip_id, line_id in removed.chips:
        pools.drop_chip_if_unused(connection, chip_id, line_id)
    return removed.submissions
