"""What a sender is told of a stored result: its chip, the standing of each setting, the reasons."""

from dataclasses import replace
from typing import Final

import orjson
from sqlalchemy import Connection

from kbapi.chips.chip import ChipSummary
from kbapi.intake.accepted import (
    Accepted,
    IgnoredReading,
    Reason,
    ScreenedSetting,
    Screening,
)
from kbapi.intake.decided import DECISION_SENTENCES, codes_of_decision
from kbapi.intake.receipts import receipt_of
from kbapi.intake.screening import CONTRADICTED_BY_FAILURE, LATER_REMARKS, SCREENING_RULES
from kbapi.storage.answers import Peers, find_peers
from kbapi.storage.evidence_rows import find_shallowest_failure
from kbapi.storage.instance import Instance
from kbapi.storage.judging_rows import find_codes
from kbapi.storage.lock_decisions import find_word_about_locks
from kbapi.storage.places import moved_with
from kbapi.storage.submissions import StoredSetting, StoredSubmission

JUDGED: Final = {
    "outlier_deep": "This setting is far deeper than the settings of other units of this chip. "
    "Check the unit (mV), and that the setting took effect. It counts when other "
    "units go as deep or a curator includes it.",
    "outlier_shallow": "This setting fails far shallower than the settings of other units of "
    "this chip. Check that the machine passes at stock. It counts when other "
    "units agree or a curator includes it.",
    "contributor_differs": "Your units of this chip differ as a group from the units of other "
    "contributors. They count when others agree or a curator includes "
    "them.",
}
"""Why the last judging of a pool set a unit aside, for the person who sent it."""

_SENTENCES: Final = (
    {rule.code: rule.sentence for rule in SCREENING_RULES}
    | LATER_REMARKS
    | JUDGED
    | DECISION_SENTENCES
)
_THANKS: Final = "Thank you. Each result makes the suggested starts safer."
_THANKS_FOR_FAILURE: Final = (
    "Thank you. A failed setting is the most useful result: it shows where to stop."
)


def tell_stored(instance: Instance, connection: Connection, stored: StoredSubmission) -> Accepted:
    """The answer to a result that stands in the database."""
    settings = tuple(tell_setting(connection, stored, setting) for setting in stored.settings)
    failed = any(setting.unstable_steps is not None for setting in stored.settings)
    return Accepted(
        id=stored.public_id,
        receipt=receipt_of(instance.secret, stored.public_id),
        chip=ChipSummary(
            stored.chip_key, stored.chip_name, stored.chip_kind, stored.series, stored.line
        ),
        screening=(
            _tell_screening(settings) if settings else _tell_locks_alone(connection, stored.id)
        ),
        settings=settings,
        thanks=_THANKS_FOR_FAILURE if failed else _THANKS,
        chip_conflict=stored.chip_conflict or None,
        reading_ignored=tuple(
            IgnoredReading(**ignored) for ignored in orjson.loads(stored.reading_ignored)
        ),
    )


def tell_repeated(instance: Instance, connection: Connection, first: StoredSubmission) -> Accepted:
    """The answer to a document that was here before: the first one's, and that it is a repeat."""
    return replace(tell_stored(instance, connection, first), duplicate_of=first.public_id)


def tell_setting(
    connection: Connection, stored: StoredSubmission, setting: StoredSetting
) -> ScreenedSetting:
    """How a setting stands: a curator's word first, then what judging and the rules say of it."""
    verdicts = _verdicts(connection, stored, setting)
    codes = [
        *codes_of_decision(setting.decision, setting.decision_reason),
        *verdicts,
        *orjson.loads(setting.reasons),
    ]
    if _is_beaten(connection, setting):
        codes.append(CONTRADICTED_BY_FAILURE)
    return ScreenedSetting(
        domain=setting.domain,
        control=setting.control,
        moved_with=moved_with(setting.domain, setting.domains),
        status="excluded" if verdicts else setting.status,
        reasons=tuple(Reason(code, _SENTENCES[code]) for code in codes),
        grade=setting.grade,
        peers=_peers(connection, setting),
    )


def _verdicts(
    connection: Connection, stored: StoredSubmission, setting: StoredSetting
) -> list[str]:
    """Why the pool's last judging does not believe a setting that nobody vouches for."""
    if setting.status != "counted" or setting.decision:
        return []
    place = setting.place
    return find_codes(connection, place.pool_id, place.unit_id, stored.unit.contributor_id)


def _is_beaten(connection: Connection, setting: StoredSetting) -> bool:
    if setting.status != "counted" or setting.stable_steps is None:
        return False
    failure = find_shallowest_failure(connection, setting.place)
    return failure is not None and setting.stable_steps >= failure


def _peers(connection: Connection, setting: StoredSetting) -> Peers | None:
    if setting.stable_steps is None:
        return None
    return find_peers(connection, setting.place.pool_id, setting.stable_steps)


def _tell_screening(settings: tuple[ScreenedSetting, ...]) -> Screening:
    """Counted if any setting counts; else the first setting's standing and every reason."""
    if any(setting.status == "counted" for setting in settings):
        return Screening("counted", ())
    reasons = {reason.code: reason for setting in settings for reason in setting.reasons}
    return Screening(settings[0].status, tuple(reasons.values()))


def _tell_locks_alone(connection: Connection, submission_id: int) -> Screening:
    """Counted unless a curator rejected it: it tells where nothing can be tuned."""
    word = find_word_about_locks(connection, submission_id)
    if word is None or word[0] != "invalidate":
        return Screening("counted", ())
    codes = codes_of_decision(*word)
    return Screening("excluded", tuple(Reason(code, _SENTENCES[code]) for code in codes))
