"""What a sender may do with a result of their own: read it, withdraw it."""

from dataclasses import dataclass
from typing import Any

import orjson

from kbapi.chips.chip import ChipSummary
from kbapi.errors import ReceiptWrong, SubmissionGone
from kbapi.evidence.book import book_evidence
from kbapi.intake.accepted import IgnoredReading, ScreenedSetting, Screening
from kbapi.intake.decided import LEFT_WITH_SETTING
from kbapi.intake.receipts import is_receipt_of
from kbapi.intake.telling import tell_stored
from kbapi.storage import answers, chip_rows, submissions
from kbapi.storage.follow_up_rows import StoredFollowUp, load_follow_ups
from kbapi.storage.instance import Instance
from kbapi.storage.people import drop_unit_if_unused
from kbapi.storage.places import drop_unused_places
from kbapi.vocabulary import FollowUpStatus


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
    follow_ups: tuple[FollowUpDetail, ...]
    """Follow-ups on its settings, oldest first."""


def read_own_result(instance: Instance, public_id: str, receipt: str) -> SubmissionDetail:
    """The result that the receipt belongs to, as it stands now.

    Raises
    ------
    ReceiptWrong
        Whether or not there is such a submission.
    SubmissionGone
        When the receipt fits and the submission has been withdrawn.
    """
    require_receipt(instance, public_id, receipt)
    with instance.reading() as connection:
        stored = submissions.find_submission(connection, public_id)
        if stored is None:
            raise SubmissionGone
        standing = tell_stored(instance, connection, stored)
        followed = load_follow_ups(connection, stored.id)
    return SubmissionDetail(
        id=standing.id,
        chip=standing.chip,
        screening=standing.screening,
        settings=standing.settings,
        measured_in=stored.measured_month,
        rules_version=stored.rules_version,
        document=orjson.loads(stored.document),
        chip_conflict=standing.chip_conflict,
        reading_ignored=standing.reading_ignored,
        follow_ups=tuple(_tell_follow_up(one) for one in followed),
    )


def _tell_follow_up(one: StoredFollowUp) -> FollowUpDetail:
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
    """Remove a result and everything that stood on it, in one transaction.

    Raises what `read_own_result` raises.
    """
    require_receipt(instance, public_id, receipt)
    with instance.writing(takes_back=True) as connection:
        stored = submissions.find_submission(connection, public_id)
        if stored is None:
            raise SubmissionGone
        places = submissions.delete_submission(connection, stored.id)
        book_evidence(connection, places, stored.unit.contributor_id)
        drop_unit_if_unused(connection, stored.unit)
        drop_unused_places(connection, places)
        answers.outdate_answers_of_line(connection, stored.line_id)
        chip_rows.drop_chip_if_unused(connection, stored.chip_id, stored.line_id)
    instance.overwrite_withdrawn()


def require_receipt(instance: Instance, public_id: str, receipt: str) -> None:
    """Nothing, when the receipt is that of the result with this id.

    Raises
    ------
    ReceiptWrong
        Whether or not there is such a result.
    """
    if not is_receipt_of(instance.secret, public_id, receipt):
        raise ReceiptWrong
