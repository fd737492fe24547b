"""The answer to an accepted result: how it was understood, what counts and why."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Final, Literal

import orjson
from sqlalchemy import Connection

from kbapi.chips.chip import ChipSummary
from kbapi.instance.instance import Instance
from kbapi.instance.secret import contributor_hash, receipt_of
from kbapi.intake.decision_reasons import CODE_OF_DECISION, DECISION_SENTENCES
from kbapi.intake.screening import CONTRADICTED_BY_FAILURE, LATER_REMARKS, SCREENING_RULES
from kbapi.storage.evidence import Peers, Surroundings, find_surroundings
from kbapi.storage.locks import find_lock_decision
from kbapi.storage.pools import moved_with
from kbapi.storage.results import StoredSetting, StoredSubmission
from kbapi.vocabulary import DECISION_REASONS, Domain, Grade, LimitControl, ScreeningStatus


@dataclass(frozen=True, slots=True)
class Reason:
    """One reason for a status or an outcome."""

    code: str
    """Code of the rule or of the decision."""
    text: str
    """What the code means, and what would change the status."""


@dataclass(frozen=True, slots=True)
class ScreenedSetting:
    """How one setting was screened."""

    domain: Domain
    """The supply rail that was adjusted."""
    control: LimitControl
    """How it was adjusted."""
    moved_with: tuple[Domain, ...]
    """Other domains that were adjusted together with this one; empty for the domain alone."""
    status: ScreeningStatus
    """`counted`: part of every answer. `unverified`: stored, without proof that the setting took
    effect. `excluded`: stored, and not counted for the reasons given."""
    reasons: tuple[Reason, ...]
    """Every reason for the status, the main reason first; also remarks on a counted setting."""
    grade: Grade
    """How strongly the passed setting was tested: `short` (under 10 minutes) or `quick` (10 minutes
    or more). `long` is 30 minutes or more under two loads or with checked results."""
    peers: Peers | None
    """How many units of the same pool are stable at this setting, as of one moment a day. Null
    before the first answer, with fewer than five known contributors, or without a pass."""


@dataclass(frozen=True, slots=True)
class Screening:
    """How the whole result was screened."""

    status: ScreeningStatus
    """`counted` if any setting counts, else the status of the first setting. A result with locks
    alone counts unless a curator invalidated it."""
    reasons: tuple[Reason, ...]
    """Why no setting counts; empty for a counted result."""


@dataclass(frozen=True, slots=True)
class IgnoredReading:
    """A number of a reading that was not used because it cannot be right."""

    pointer: str
    """JSON pointer to the number in the result."""
    code: str
    """Code of the rule."""
    text: str
    """Why the number cannot be right."""


@dataclass(frozen=True, slots=True)
class Accepted:
    """The whole answer to an accepted result."""

    id: str
    """Id of the stored result, a UUID."""
    receipt: str
    """Secret that reads, follows up and withdraws the result; shown once and not stored."""
    chip: ChipSummary
    """The chip that the result was understood to be about."""
    screening: Screening
    """How the whole result was screened."""
    settings: tuple[ScreenedSetting, ...]
    """How each setting was screened, in the order of the document."""
    thanks: str
    """A sentence of thanks for a person."""
    duplicate_of: str | None = None
    """Id of the earlier result with the same content, which this answer describes; null for a new
    result."""
    chip_conflict: str | None = None
    """How `chip_ids` contradicts the name of the chip; null where they agree."""
    reading_ignored: tuple[IgnoredReading, ...] = ()
    """Numbers of readings that cannot be right and were not used; the rest of the result counts."""
    warnings: tuple[Reason, ...] = ()
    """What it costs that the result has no tokens; empty for one with both."""

    def without_receipt(self) -> str:
        """The answer as JSON to store; a receipt is never stored."""
        return orjson.dumps(replace(self, receipt="")).decode()


@dataclass(frozen=True, slots=True)
class DryRunResponse:
    """The answer to a dry run: how the result would be screened; nothing was stored."""

    chip: ChipSummary
    """The chip that the result was understood to be about."""
    screening: Screening
    """How the whole result would be screened."""
    settings: tuple[ScreenedSetting, ...]
    """How each setting would be screened, in the order of the document."""
    duplicate_of: str | None
    """Id of the stored result with the same content; null for a new result."""
    chip_conflict: str | None
    """How `chip_ids` contradicts the name of the chip; null where they agree."""
    reading_ignored: tuple[IgnoredReading, ...]
    """Numbers of readings that cannot be right and would not be used."""
    warnings: tuple[Reason, ...]
    """What it would cost that the result has no tokens; empty for one with both."""
    dry_run: Literal[True] = True
    """Always true: nothing was stored."""


def dry_run_from(accepted: Accepted) -> DryRunResponse:
    """The answer without the fields of stored results."""
    return DryRunResponse(
        chip=accepted.chip,
        screening=accepted.screening,
        settings=accepted.settings,
        duplicate_of=accepted.duplicate_of,
        chip_conflict=accepted.chip_conflict,
        reading_ignored=accepted.reading_ignored,
        warnings=accepted.warnings,
    )


def accepted_from(kept: str, receipt: str) -> Accepted:
    """The stored answer, with its receipt derived again."""
    fields: dict[str, Any] = orjson.loads(kept)
    return Accepted(
        id=fields["id"],
        receipt=receipt,
        chip=ChipSummary(**fields["chip"]),
        screening=Screening(
            fields["screening"]["status"], _reasons(fields["screening"]["reasons"])
        ),
        settings=tuple(_setting(setting) for setting in fields["settings"]),
        thanks=fields["thanks"],
        duplicate_of=fields["duplicate_of"],
        chip_conflict=fields.get("chip_conflict"),
        reading_ignored=tuple(IgnoredReading(**one) for one in fields.get("reading_ignored", ())),
        warnings=_reasons(fields.get("warnings", [])),
    )


def _reasons(kept: list[dict[str, str]]) -> tuple[Reason, ...]:
    return tuple(Reason(**reason) for reason in kept)


def _setting(kept: dict[str, Any]) -> ScreenedSetting:
    peers = kept["peers"]
    return ScreenedSetting(
        **{
            **kept,
            "moved_with": tuple(kept["moved_with"]),
            "reasons": _reasons(kept["reasons"]),
            "peers": None if peers is None else Peers(**peers),
        }
    )


OUTLIER_SENTENCES: Final = {
    "outlier_deep": "This setting is far deeper than the settings of other units of this chip. "
    "Check the unit (mV), and that the setting took effect. It counts when other "
    "units go as deep or a curator includes it.",
    "contributor_differs": "Your units of this chip are deeper as a group than the units of other "
    "contributors. They count when others agree or a curator includes "
    "them.",
}
"""Why the latest outlier check of a pool excluded a unit, for the sender."""

SENTENCES_OF_REASONS: Final = (
    {rule.code: rule.sentence for rule in SCREENING_RULES}
    | LATER_REMARKS
    | OUTLIER_SENTENCES
    | DECISION_SENTENCES
)
"""Why a setting does not count, or counts although a rule applies, by code."""
EXCLUDING_CODES: Final = tuple(
    code
    for code in (*(rule.code for rule in SCREENING_RULES), *LATER_REMARKS, *OUTLIER_SENTENCES)
    if code != CONTRADICTED_BY_FAILURE
)
"""The stored reasons of rules and of the outlier check."""
LISTED_CODES: Final = (*EXCLUDING_CODES, *DECISION_REASONS)
"""The reasons by which results can be listed: those of rules, outlier check and curators."""
_THANKS: Final = "Thank you. Each result makes the suggested starts safer."
_THANKS_FOR_FAILURE: Final = (
    "Thank you. A failed setting is the most useful result: it shows where to stop."
)


def describe_stored(
    instance: Instance,
    connection: Connection,
    stored: StoredSubmission,
    *,
    is_new_unit: bool = False,
) -> Accepted:
    """The answer to a stored result; no outlier check has seen a new unit."""
    settings = describe_settings(connection, stored, stored.settings, is_new_unit=is_new_unit)
    failed = any(setting.unstable_steps is not None for setting in stored.settings)
    return Accepted(
        id=stored.public_id,
        receipt=receipt_of(instance.secret, stored.public_id),
        chip=ChipSummary(
            stored.chip_key, stored.chip_name, stored.chip_kind, stored.series, stored.line
        ),
        screening=(
            _describe_screening(settings)
            if settings
            else _describe_locks_alone(connection, stored.id)
        ),
        settings=settings,
        thanks=_THANKS_FOR_FAILURE if failed else _THANKS,
        chip_conflict=stored.chip_conflict or None,
        reading_ignored=tuple(
            IgnoredReading(**ignored) for ignored in orjson.loads(stored.reading_ignored)
        ),
        warnings=_warnings_about(instance, stored),
    )


def _warnings_about(instance: Instance, stored: StoredSubmission) -> tuple[Reason, ...]:
    """What it costs that the result has no tokens; empty for one with both."""
    if stored.has_unit_token:
        return ()
    has_contributor = stored.contributor_hash != contributor_hash(instance.secret, None)
    code = "unit_token_missing" if has_contributor else "contributor_token_missing"
    return (Reason(code, TOKEN_WARNINGS[code]),)


TOKEN_WARNINGS: Final = {
    "contributor_token_missing": "The result has no contributor token. All such results together "
    "weigh as one contributor. Without its receipt it cannot be found again.",
    "unit_token_missing": "The result has no unit token. Your equal results count as one machine, "
    "and different ones as different machines.",
}
"""What a result costs its sender without tokens, by code."""


def describe_repeated(
    instance: Instance, connection: Connection, first: StoredSubmission
) -> Accepted:
    """The answer to a repeated document: that of the first one, marked as a repeat."""
    return replace(describe_stored(instance, connection, first), duplicate_of=first.public_id)


def describe_settings(
    connection: Connection,
    stored: StoredSubmission,
    settings: Sequence[StoredSetting],
    *,
    is_new_unit: bool = False,
) -> tuple[ScreenedSetting, ...]:
    """How some settings of a document are screened."""
    found = find_surroundings(
        connection,
        stored.id,
        stored.unit.contributor_id,
        settings,
        is_new_unit=is_new_unit,
    )
    return tuple(map(_describe_setting, settings, found))


def _describe_setting(setting: StoredSetting, around: Surroundings) -> ScreenedSetting:
    """Reasons of a curator come first, then those of outlier check and rules."""
    codes = [
        *_decision_codes(setting.decision, setting.decision_reason),
        *around.outlier_codes,
        *orjson.loads(setting.reasons),
    ]
    passed, failure = setting.stable_steps, around.shallowest_failure
    if passed is not None and failure is not None and passed >= failure:
        codes.append(CONTRADICTED_BY_FAILURE)
    return ScreenedSetting(
        domain=setting.domain,
        control=setting.control,
        moved_with=moved_with(setting.domain, setting.domains),
        status="excluded" if around.outlier_codes else setting.status,
        reasons=tuple(Reason(code, SENTENCES_OF_REASONS[code]) for code in codes),
        grade=setting.grade,
        peers=None if passed is None else around.peers(passed),
    )


def _describe_screening(settings: tuple[ScreenedSetting, ...]) -> Screening:
    """Counted if any setting counts; else the status of the first setting and every reason."""
    if any(setting.status == "counted" for setting in settings):
        return Screening("counted", ())
    reasons = {reason.code: reason for setting in settings for reason in setting.reasons}
    return Screening(settings[0].status, tuple(reasons.values()))


def _describe_locks_alone(connection: Connection, submission_id: int) -> Screening:
    """Counted unless a curator invalidated it: it shows which machines cannot be tuned."""
    decision = find_lock_decision(connection, submission_id)
    if decision is None or decision[0] != "invalidate":
        return Screening("counted", ())
    codes = _decision_codes(*decision)
    return Screening("excluded", tuple(Reason(code, SENTENCES_OF_REASONS[code]) for code in codes))


def _decision_codes(decision: str, reason_code: str | None) -> tuple[str, ...]:
    """The codes of a curator's decision; none where the rules decide.

    >>> _decision_codes("include", "depth_confirmed"), _decision_codes("", None)
    (('included_by_curator', 'depth_confirmed'), ())
    """
    if not decision or reason_code is None:
        return ()
    return CODE_OF_DECISION[decision], reason_code
