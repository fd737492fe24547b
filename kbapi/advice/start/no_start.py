"""Why an answer has no start."""

from typing import Final, Literal, NamedTuple, get_args

from kbapi.advice.evidence_found import EvidenceFound, contributors_in, setting_of
from kbapi.advice.phrases import nothing_for, setting_in_short
from kbapi.advice.start import text as start_text
from kbapi.advice.start.influence import (
    CONTRIBUTORS_OF_A_SILENT_POOL,
    failures_near_stock,
)
from kbapi.advice.start.query import Question
from kbapi.documents.refusal_rules import NOT_ON_THIS_CHIP
from kbapi.stats.estimate.siblings import Level
from kbapi.stats.start.start import NoStart, StartFit
from kbapi.stats.start.start import NoStartReason as NoStartCause

WithoutControlCode = Literal["locked_at_factory", "locked_by_reports", "no_known_control"]
NoStartCode = Literal[
    "no_results",
    "too_few_units",
    "share_out_of_reach",
    "fails_near_stock",
    WithoutControlCode,
    "not_on_this_chip",
]


class WithoutControl(NamedTuple):
    """Why there is nothing to search for: a code and sentences."""

    code: WithoutControlCode
    text: str


class WhyNoStart(NamedTuple):
    """Why there is no start: a code, sentences and the numbers in them."""

    code: NoStartCode
    text: str
    units_needed: int | None = None
    units_failed_at_first: int | None = None


def why_no_start(
    question: Question, found: EvidenceFound, fit: StartFit, none: NoStart, lower: str
) -> WhyNoStart:
    """Why there is no start; `lower` is the sentence on lower shares."""
    why = _why_alone(question, found, fit, none, lower)
    if why.code not in ("no_results", "too_few_units"):
        return why
    unused = start_text.unused_related(found.related.unused)
    return why._replace(text=why.text + unused + start_text.few_lines(found.related.lines))


def _why_alone(
    question: Question, found: EvidenceFound, fit: StartFit, none: NoStart, lower: str
) -> WhyNoStart:
    own = found.own
    if found.absence_text is not None:
        return WhyNoStart(NOT_ON_THIS_CHIP, found.absence_text)
    without = why_without_control(question, found)
    is_empty = own is None and fit.level is Level.NONE
    if without is not None and (is_empty or found.locked_by is not None):
        return WhyNoStart(*without)
    if none.reason is NoStartCause.TOO_FEW_UNITS:
        if own is None or own.units == 0:
            return _no_results(question, found)
        return WhyNoStart("too_few_units", start_text.too_few_units(own.units, fit.own_units))
    if none.units_needed is None:
        return _fails_near_stock(question, found, fit, lower)
    lines = found.other_lines if fit.level is Level.ALL_CHIPS else 0
    text = start_text.share_out_of_reach(
        question, none.units_needed, none.units_behind or 0, of_lines=lines > 0
    )
    return WhyNoStart("share_out_of_reach", text + lower, none.units_needed)


def _fails_near_stock(
    question: Question, found: EvidenceFound, fit: StartFit, lower: str
) -> WhyNoStart:
    """How many contributors failed near which setting, and how many units at their first one."""
    own, failed, at_first = found.own, "", None
    near = None if own is None else failures_near_stock(own, fit.stable_share_used)
    if near is not None:
        whole = round(setting_of(found.control, found.grid, near.steps))
        setting = setting_in_short(found.control, whole)
        failed = start_text.failed_near_stock(near.contributors, setting, is_shown=near.is_shown)
    if own is not None:
        at_first = own.released.failures_at_first_setting.shown
    if own is not None and at_first is not None:
        failed += start_text.failed_at_first(at_first, own.released.units)
    # Curators see only the checks of answers that are not delayed.
    is_queued = not question.is_delayed and contributors_in(own) >= CONTRIBUTORS_OF_A_SILENT_POOL
    units = 0 if own is None else own.units
    text = start_text.fails_near_stock(question, units, failed, is_queued)
    return WhyNoStart("fails_near_stock", text + lower, None, at_first)


def why_without_control(question: Question, found: EvidenceFound) -> WithoutControl | None:
    """Why there is nothing to search for: a lock, or no known control; None where there may be."""
    left = found.factory_lock.controls_left
    if found.locked_by == "documents":
        return WithoutControl("locked_at_factory", start_text.locked_at_factory(left))
    if found.locked_by == "reports":
        text = start_text.locked_by_reports(found.control, question.domain, left)
        return WithoutControl("locked_by_reports", text)
    if not found.is_ruled_out:
        return None
    text = start_text.no_known_control(found.control, question.domain, left)
    return WithoutControl("no_known_control", text)


def _no_results(question: Question, found: EvidenceFound) -> WhyNoStart:
    pool = found.pool
    own = 0 if pool is None or pool.own is None else pool.own.units
    related = 0 if pool is None else sum(one.units for one in (*pool.series, *pool.line))
    return WhyNoStart("no_results", start_text.no_results(question, found.control, own, related))


_WITHOUT_A_CONTROL: Final = get_args(WithoutControlCode)


def summary_without(question: Question, found: EvidenceFound, why: WhyNoStart) -> str:
    """The summary of an answer without a start."""
    factory = start_text.factory_lead(found.factory_lock)
    if why.code == NOT_ON_THIS_CHIP:
        return factory + nothing_for("start", why.text)
    if why.code in _WITHOUT_A_CONTROL:
        return factory + start_text.no_start_without_control(found.locked_by)
    lead = start_text.lead(found.factory_lock, found.locks)
    if why.code in ("fails_near_stock", "share_out_of_reach"):
        return lead + start_text.no_start_here(question, why.units_needed)
    return lead + start_text.no_start_yet()
