"""The suggested start of a chip."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cached_property
from math import ceil, floor
from typing import Final, Literal

from sqlalchemy import Connection

from kbapi.advice.cautions import Caution, cautions_for
from kbapi.advice.documented import FactoryLockAnswer, PublishedNote
from kbapi.advice.evidence_found import (
    EvidenceFound,
    EvidenceSummary,
    FilterDifference,
    Percentile,
    differing_filters,
    evidence_summary,
    find_with_peers,
    keep_findings,
    outdated_by,
    percentile_of,
    rounded_down,
    setting_of,
)
from kbapi.advice.locks.shares import open_text
from kbapi.advice.next_step.query import Search
from kbapi.advice.next_step.search import (
    USUAL_WIDTHS,
    SearchForecast,
    SearchState,
    forecast_of,
    search_state,
)
from kbapi.advice.phrases import (
    domains_text,
    no_lock_reports,
    setting_in_short,
    setting_text,
)
from kbapi.advice.start import text as start_text
from kbapi.advice.start.influence import (
    MOST_MOVED,
    StartMove,
    find_largest_move,
    finding_of,
    fitted_setting,
    setting_if_untold_failed,
    start_fit,
)
from kbapi.advice.start.no_start import NoStartCode, summary_without, why_no_start
from kbapi.advice.start.query import DEFAULT_FAILURE_MINUTES, Question
from kbapi.advice.stored_answers import OutdatedBy, answer_once
from kbapi.chips.chip import ChipSummary
from kbapi.errors import Problem, QueryInvalid
from kbapi.evidence.pools import SCALES
from kbapi.instance.instance import Instance
from kbapi.metrics.counters import count_start_moved
from kbapi.stats.estimate.siblings import Level
from kbapi.stats.search.next_step import Boldness, SearchOption, search_options
from kbapi.stats.start.start import NoStart, Start, StartFit, StartMethod, chance_stable
from kbapi.storage.answers import AnswerBytes, had_start, save_pool_check
from kbapi.storage.pools import LineRow
from kbapi.time_budget import check_time
from kbapi.vocabulary import Domain, Grade, LimitControl, Load, LockChange, OverallLockStatus

_A_LITTLE_ABOVE_MHZ: Final = 50.0
"""So far above the highest reported clock its voltage is used: it is lower than the true one."""

_MOST_CHANCE: Final = 0.99
"""No number of results makes it certain that one more machine is stable."""

StartWarningCode = Literal[
    "no_contributor_established",
    "mostly_new_contributors",
    "untold_stops",
    "moved_by_one_contributor",
]


@dataclass(frozen=True, slots=True)
class AtClock:
    """The start as an absolute voltage, from the stock voltages that were reported."""

    clock_mhz: float
    """The clock that the voltage is for, in MHz."""
    stock_mv: float
    """Stock voltage at this clock in mV, estimated from reports; the stock of one unit differs."""
    setting_mv: float
    """The suggested absolute voltage at this clock in mV."""
    distance_mhz: float
    """Distance from this clock to the nearest clock that was reported, in MHz."""
    reports: int
    """Number of reported stock voltages behind the estimate."""


@dataclass(frozen=True, slots=True)
class SuggestedStart:
    """The suggested first setting to try, with the share and confidence that it holds for."""

    setting_mv: float | None
    """The setting in mV with two decimals, negative is lower; for fixed_clock_voltage it is below
    the unit's own stock voltage; null for count_offset."""
    setting_counts: int | None
    """The setting in counts, negative is lower; null except for count_offset."""
    grid_steps: int
    """The setting as grid steps below stock, 1 or more."""
    value_to_enter: int
    """Whole number of mV or counts, rounded toward stock; negative is lower. For
    fixed_clock_voltage it is the distance below your own stock voltage at that clock."""
    stable_share: float
    """Share of units that should be stable at the setting, 0 to 1."""
    confidence: float
    """One-sided confidence that at least this share is stable, as asked for, 0 to 1."""
    attained_confidence: float
    """Highest confidence at which the answer would still be this grid step, 0 to 1."""
    chance_stable: float
    """Chance that one more machine like the reported ones is stable at the setting, in hundredths
    up to 0.99. It is the best estimate and no bound: `stable_share` and `confidence` are the bound.
    """
    stable_share_used: float
    """Share that the setting was computed for. It is higher than `stable_share` in large pools, in
    case results are false, and where results drift, are excluded or count in part."""
    level: Level
    """Whose units the start is computed from: `chip`, `series`, `line` or `all_chips`. The last is
    one chip of each other line with the same control, where no related chip has enough results."""
    method: StartMethod
    """How the start was computed."""
    setting_if_untold_failed: float | None
    """The setting in its unit, negative is lower, if each own stop without a stated end had failed
    soon after its pass. It is never deeper than the start. It is 0 for no start, null without such
    stops."""
    at_clock: AtClock | None
    """The start as an absolute voltage; null except for fixed_clock_voltage at clocks near or
    between those that were reported."""


@dataclass(frozen=True, slots=True)
class StartOption:
    """A first setting that a person may choose, and what a search from there takes."""

    name: Boldness
    """`cautious`, `usual` (begins at the start) or `bold`."""
    setting_mv: float | None
    """The first setting in mV with two decimals, negative is lower; null for count_offset."""
    setting_counts: int | None
    """The first setting in counts, negative is lower; null except for count_offset."""
    grid_steps: int
    """The first setting as grid steps below stock, 1 or more."""
    value_to_enter: int
    """Whole number of mV or counts, rounded toward stock; negative is lower."""
    chance_fails: float
    """Chance that one more machine fails at the first setting: the best estimate, 0 to 1."""
    max_risk: float
    """Highest chance of failure of each later setting, as /v1/next-step takes it, 0 to 1."""
    expected_search: SearchForecast
    """What the search takes on average, and the deepest setting that has passed in the end."""
    text: str
    """The option in one sentence."""


@dataclass(frozen=True, slots=True)
class NoStartReason:
    """Why there is no suggested start."""

    code: NoStartCode
    """The reason as a code that never changes."""
    text: str
    """The reason in short sentences."""
    units_needed: int | None = None
    """Units that the share and confidence take, at least; null except for `share_out_of_reach`."""
    units_failed_at_first: int | None = None
    """Units that failed at their first setting, for `fails_near_stock`; null where fewer than five
    known contributors have one."""
    start_for_lower_share: SuggestedStart | None = None
    """The start for the largest of 0.95, 0.90, 0.75 and 0.50 below the share asked for that has
    one. More units may fail there than was asked for. Null where none has one, and for the usual
    share unless asked for with detail=percentiles: `text` says whether to ask for another share."""


@dataclass(frozen=True, slots=True)
class StartWarning:
    """Why an answer deserves less trust than its confidence says."""

    code: StartWarningCode
    """`no_contributor_established`: false results would count in full. `mostly_new_contributors`:
    new contributors together weigh more than the others. `untold_stops`: the start moves by more
    than 10 mV (2 counts) if all stops without a stated end fail soon. `moved_by_one_contributor`:
    it moves as far without one contributor."""
    text: str
    """The warning in one sentence; it is also in `summary`."""


@dataclass(frozen=True, slots=True)
class Meaning:
    """What a suggested start means: for which loads, after how much testing."""

    loads: tuple[Load, ...]
    """Load classes that at least half of the units with a stable setting passed."""
    grade: Grade | None
    """Weakest grade of testing among the stable settings; null where the chip itself has none."""
    text: str
    """The meaning in one sentence."""


@dataclass(frozen=True, slots=True)
class LockSummary:
    """Whether the control can be used at all on this chip: read it before the number."""

    status: OverallLockStatus
    """Status of most reports; `mixed` without a clear majority, `unknown` without reports."""
    share_open: float | None
    """Share of units on which the control is open, 0 to 1; null without reports."""
    interval: tuple[float, float] | None
    """95 % interval of the open share: lower end, upper end; null without reports."""
    units: float
    """Total weight of the chip's own reports; a unit weighs 1 at most."""
    changes: tuple[LockChange, ...]
    """What had been changed on units where it is open: history, never a recommendation."""
    factory_lock: FactoryLockAnswer
    """What is documented about the series, beside what was reported."""
    text: str
    """The status in one sentence; without reports, the documented one."""


@dataclass(frozen=True, slots=True)
class NextStepLink:
    """The usual step from a setting that has passed, and where to ask for the next one."""

    step_mv: float | None
    """The usual step in mV with two decimals, negative is lower; null for count_offset."""
    step_counts: int | None
    """The usual step in counts, negative is lower; null except for count_offset."""
    href: str
    """Path of the endpoint that proposes the next setting from your own trials."""


@dataclass(frozen=True, slots=True)
class StartAnswer:
    """A suggested first setting for a chip, or the reason why there is none."""

    chip: ChipSummary
    """The chip that was asked about."""
    domain: Domain
    """The supply rail that was asked about."""
    control: LimitControl
    """The control that the answer is about: the one asked for, else the one with most results."""
    moved_with: tuple[Domain, ...]
    """Domains that moved together with the one asked about; empty where it moved alone."""
    filters: dict[str, str]
    """Filters that were asked with, value by name; empty for all results. The settings of this and
    of other chips are of results that fit them; `locks` and `evidence` are of all results."""
    clock_band_mhz: int | None
    """Lower end of the clock band of the results in MHz, with fixed_clock_voltage; else null."""
    locks: LockSummary
    """Whether the control can be used on this chip."""
    start: SuggestedStart | None
    """The suggested start; null with too few results, `reason` says why."""
    reason: NoStartReason | None
    """Why there is no start; null where there is one."""
    percentiles: tuple[Percentile, ...] | None
    """Settings at which 90, 75, 50, 25 and 10 % of units are stable; null unless asked for with
    detail=percentiles."""
    options: tuple[StartOption, ...] | None
    """Searches to choose from, cautious to bold. Near stock and near the deepest allowed setting
    there are fewer than three. Null unless asked for with detail=options, and without a start."""
    options_least_cost: Boldness | None
    """The option with the least expected cost: minutes of the search, less the value of the depth
    it reaches. Null unless asked for with a value of one mV or count."""
    related_chips: tuple[str, ...]
    """Keys of related chips that have results; empty where there is a start."""
    meaning: Meaning | None
    """What the start means, or that for a lower share; null where neither is given."""
    warnings: tuple[StartWarning, ...]
    """Why the answer deserves less trust than its confidence says; empty in most answers."""
    evidence: EvidenceSummary
    """The evidence behind the answer."""
    notes: tuple[PublishedNote, ...]
    """Notes on the chip and its series, of the catalogue and of curators."""
    differing_filters: tuple[FilterDifference, ...]
    """Filters whose values differ beyond chance among all results of the pool."""
    next_step: NextStepLink
    """How to go on from a setting that has passed."""
    summary: str
    """The answer in a few short sentences."""
    cautions: tuple[Caution, ...]
    """Cautions that belong to the answer."""


@dataclass(frozen=True, slots=True)
class FittedStart:
    """The fit of a question, with what an answer must report of how its start could move."""

    fit: StartFit
    """For the share that was asked for."""
    shown: StartFit
    """The same, or for a lower share where that start is given instead."""
    move: StartMove | None
    """Of the start that is given."""
    if_untold_failed: float | None
    """The setting if all stops without a stated end had failed soon; None without any."""

    @property
    def lower(self) -> StartFit | None:
        """The fit for a lower share; None where no such start is given."""
        return None if self.shown is self.fit else self.shown


def fit_question(question: Question, found: EvidenceFound) -> FittedStart:
    """The start of this evidence, and how far its most influential contributor moves it."""
    fit = start_fit(question, found)
    check_time("fit")
    shown = _shown_fit(question, fit)
    about = replace(question, stable_share=shown.stable_share)
    untold = setting_if_untold_failed(about, found, shown)
    return FittedStart(fit, shown, find_largest_move(about, found, shown), untold)


def _shown_fit(question: Question, fit: StartFit) -> StartFit:
    """The fit, or that for a lower share where its start is given instead of none.

    The usual answer has none: it would be deeper, and it would show results that wait.
    """
    lower = fit.answer.lower if isinstance(fit.answer, NoStart) else None
    if lower is None or not question.admits_other_shares:
        return fit
    shares = lower.stable_share, lower.stable_share_used
    return replace(fit, answer=lower, stable_share=shares[0], stable_share_used=shares[1])


def start_answer(question: Question, found: EvidenceFound) -> StartAnswer:
    """A start, or the reason why there is none."""
    return _answer_of(question, found, fit_question(question, found))


def _answer_of(question: Question, found: EvidenceFound, fitted: FittedStart) -> StartAnswer:
    control, fit = found.control, fitted.fit
    shown = _suggested_start(question, found, fitted)
    start = None if isinstance(fit.answer, NoStart) else shown
    lower = None if start else shown
    reason, summary = _reason_and_summary(question, found, fitted, lower)
    options = _options(question, found, fit)
    least_cost = _least_cost(question, options or ())
    if least_cost:
        setting = setting_in_short(control, least_cost.value_to_enter)
        summary = f"{summary} {start_text.least_cost(least_cost.name, setting)}"
    warnings = _warnings(found, fitted, has_start=shown is not None)
    return StartAnswer(
        chip=question.chip.summary,
        domain=question.domain,
        control=control,
        moved_with=found.domains_beside(question.domain),
        filters=question.filters_response,
        clock_band_mhz=found.clock_band_mhz,
        locks=lock_summary(found),
        start=start,
        reason=reason,
        percentiles=_percentiles(found, fit) if question.detail == "percentiles" else None,
        options=options,
        options_least_cost=least_cost.name if least_cost else None,
        related_chips=() if start else found.related_chips,
        meaning=_meaning(question, found, fitted) if shown else None,
        warnings=warnings,
        evidence=evidence_summary(
            found, fit.borrowed_units, fit.sibling_agreement, fit.optimality_gap
        ),
        notes=found.notes,
        differing_filters=differing_filters(found),
        next_step=_next_step_link(found),
        summary=_with_warnings(summary, warnings),
        cautions=cautions_for(question, control),
    )


def _reason_and_summary(
    question: Question, found: EvidenceFound, fitted: FittedStart, lower: SuggestedStart | None
) -> tuple[NoStartReason | None, str]:
    """Why there is no start, if there is none, and the summary without its warnings."""
    fit = fitted.fit
    if not isinstance(fit.answer, NoStart):
        return None, _summary(question, found, fit)
    setting = None if lower is None else setting_text(found.control, lower.value_to_enter)
    share = None if fit.answer.lower is None else fit.answer.lower.stable_share
    for_lower_share = start_text.for_lower_share(question, setting, share)
    why = why_no_start(question, found, fit, fit.answer, for_lower_share)
    summary = summary_without(question, found, why) + start_text.instead(setting, share)
    return NoStartReason(*why, lower), summary


def _warnings(
    found: EvidenceFound, fitted: FittedStart, *, has_start: bool
) -> tuple[StartWarning, ...]:
    control, own, move = found.control, found.own, fitted.move
    warnings = []
    if own is not None and own.units > 0 and own.outlier_report.is_young:
        warnings.append(StartWarning("no_contributor_established", start_text.not_established()))
    elif own is not None and own.outlier_report.is_mostly_new:
        warnings.append(StartWarning("mostly_new_contributors", start_text.mostly_new()))
    now, untold = fitted_setting(found, fitted.shown), fitted.if_untold_failed
    if now and untold is not None and untold - now > MOST_MOVED[control]:
        whole = setting_in_short(control, ceil(untold)) if untold else None
        warnings.append(StartWarning("untold_stops", start_text.if_untold_failed(whole)))
    if move is not None and move.is_large(control):
        text = start_text.moved_by_one(control, MOST_MOVED[control], has_start)
        warnings.append(StartWarning("moved_by_one_contributor", text))
    return tuple(warnings)


def _with_warnings(summary: str, warnings: tuple[StartWarning, ...]) -> str:
    """The summary, after what is said of its contributors and before what could move it."""
    moves = ("untold_stops", "moved_by_one_contributor")
    first = [one.text for one in warnings if one.code not in moves]
    last = [one.text for one in warnings if one.code in moves]
    return " ".join([*first, summary, *last])


def lock_summary(found: EvidenceFound) -> LockSummary:
    """Whether the control can be used at all."""
    locks, factory_lock = found.locks, found.factory_lock
    if locks is None:
        text = no_lock_reports(factory_lock.in_short)
        return LockSummary("unknown", None, None, 0.0, (), factory_lock, text)
    return LockSummary(
        status=locks.status,
        share_open=round(locks.open.share, 3),
        interval=(round(locks.open.low, 3), round(locks.open.high, 3)),
        units=round(locks.open.units, 1),
        changes=tuple(change.value for change in locks.changes),
        factory_lock=factory_lock,
        text=open_text(locks),
    )


def _suggested_start(
    question: Question, found: EvidenceFound, fitted: FittedStart
) -> SuggestedStart | None:
    fit, start = fitted.shown, fitted.shown.answer
    if not isinstance(start, Start):
        return None
    steps = start.steps
    setting = setting_of(found.control, found.grid, steps)
    in_counts = found.control == "count_offset"
    return SuggestedStart(
        setting_mv=None if in_counts else setting,
        setting_counts=int(setting) if in_counts else None,
        grid_steps=steps,
        value_to_enter=-found.grid.enter(steps),
        stable_share=start.stable_share,
        confidence=question.confidence,
        attained_confidence=rounded_down(start.interval.shallow_confidence),
        chance_stable=_chance_stable(found, fit, steps),
        stable_share_used=round(start.stable_share_used, 3),
        level=fit.level,
        method=fit.method,
        setting_if_untold_failed=fitted.if_untold_failed,
        at_clock=_at_clock(question, found, setting),
    )


def _chance_stable(found: EvidenceFound, fit: StartFit, steps: int) -> float:
    """The chance of one more unit in hundredths: more digits would show more of a new result."""
    chance = chance_stable(fit.pool, steps, found.grid, SCALES[found.control])
    return min(round(chance, 2), _MOST_CHANCE)


def _options(
    question: Question, found: EvidenceFound, fit: StartFit
) -> tuple[StartOption, ...] | None:
    """The searches to choose from, planned from the fit of the start; None if not asked for.

    Raises
    ------
    QueryInvalid
        When the value is that of a unit of another control.
    """
    _require_value_unit(question, found.control)
    if question.detail != "options" or not isinstance(fit.answer, Start):
        return None
    costs = question.failure_minutes
    search = Search(
        chip=question.chip, failure_minutes=DEFAULT_FAILURE_MINUTES if costs is None else costs
    )
    state = search_state(question, search, found, fit)
    check_time("plan of the search")
    if fit.answer.steps > state.deepest:
        return ()
    options = search_options(state.unit.plan)
    check_time("options")
    return tuple(_option(state, fit, one) for one in options)


def _require_value_unit(question: Question, control: LimitControl) -> None:
    in_counts = control == "count_offset"
    wrong, right = ("mv", "count") if in_counts else ("count", "mv")
    if getattr(question, f"value_per_{wrong}_minutes") is not None:
        text = f"{control} wants value_per_{right}_minutes."
        raise QueryInvalid(problems=[Problem(f"value_per_{wrong}_minutes", "invalid", text)])


def _option(state: SearchState, fit: StartFit, option: SearchOption) -> StartOption:
    control, grid, steps = state.found.control, state.found.grid, option.first_steps
    setting, entered = setting_of(control, grid, steps), -grid.enter(steps)
    in_counts = control == "count_offset"
    fails = round(1.0 - _chance_stable(state.found, fit, steps), 2)
    expected = forecast_of(state, option.expected)
    return StartOption(
        name=option.boldness,
        setting_mv=None if in_counts else setting,
        setting_counts=int(setting) if in_counts else None,
        grid_steps=steps,
        value_to_enter=entered,
        chance_fails=fails,
        max_risk=option.max_risk,
        expected_search=expected,
        text=start_text.option(
            option.boldness,
            setting_in_short(control, entered),
            fails,
            (expected.trials, expected.failures),
            setting_in_short(control, round(expected.stable_at)),
        ),
    )


def _least_cost(question: Question, options: Sequence[StartOption]) -> StartOption | None:
    """The option whose minutes, less the value of its depth, are the fewest; None without value."""
    value = question.value_per_mv_minutes, question.value_per_count_minutes
    worth = next((one for one in value if one is not None), None)
    if worth is None:
        return None

    def cost(option: StartOption) -> float:
        return option.expected_search.minutes + worth * option.expected_search.stable_at

    return min(options, key=cost, default=None)


def _next_step_link(found: EvidenceFound) -> NextStepLink:
    control, grid = found.control, found.grid
    steps = floor(Fraction(USUAL_WIDTHS[control].careful) / grid.step)
    step = setting_of(control, grid, max(grid.least_gain(), steps))
    in_counts = control == "count_offset"
    return NextStepLink(
        step_mv=None if in_counts else step,
        step_counts=int(step) if in_counts else None,
        href="/v1/next-step",
    )


def _at_clock(question: Question, found: EvidenceFound, setting_mv: float) -> AtClock | None:
    """The start as an absolute voltage; None far from the clocks that were reported.

    The line cannot be extended there: for a low clock, its voltage could lie above stock.
    """
    line = found.stock_line
    if line is None:
        return None
    asked = question.clock_mhz or line.centre_mhz
    if not line.clocks_mhz[0] <= asked <= line.clocks_mhz[-1] + _A_LITTLE_ABOVE_MHZ:
        return None
    stock = line.at(min(asked, float(line.clocks_mhz[-1])))
    return AtClock(
        clock_mhz=asked,
        stock_mv=round(stock.stock_mv, 2),
        setting_mv=round(stock.stock_mv + setting_mv, 2),
        distance_mhz=line.at(asked).distance_mhz,
        reports=stock.reports,
    )


def _summary(question: Question, found: EvidenceFound, fit: StartFit) -> str:
    steps = fit.answer.steps if isinstance(fit.answer, Start) else 0
    units = 0 if found.own is None else found.own.units
    failures = 0 if found.own is None else found.own.failures
    borrowed = 0.0 if fit.level is Level.CHIP else fit.borrowed_units
    lines = found.other_lines
    summary = start_text.summary_of_start(
        start_text.lead(found.factory_lock, found.locks, units),
        domains_text(question.domain, found.domains_beside(question.domain)),
        setting_text(found.control, -found.grid.enter(steps)),
        _expected(question, found, fit),
        start_text.based_on(question, units, borrowed, failures, lines),
        lines,
    )
    return summary + start_text.stricter_text(
        fit.stable_share, fit.stable_share_used, found.guard, fit.own_units
    )


def _expected(question: Question, found: EvidenceFound, fit: StartFit) -> str:
    if not isinstance(fit.answer, Start):
        return ""
    chance = _chance_stable(found, fit, fit.answer.steps)
    return start_text.expected_to_hold(chance, question)


def _percentiles(found: EvidenceFound, fit: StartFit) -> tuple[Percentile, ...]:
    return tuple(percentile_of(found.control, found.grid, depth) for depth in fit.percentiles)


def _meaning(question: Question, found: EvidenceFound, fitted: FittedStart) -> Meaning:
    own, about = found.own, replace(question, stable_share=fitted.shown.stable_share)
    return Meaning(
        loads=() if own is None else own.loads,
        grade=None if own is None else own.grade,
        text=start_text.meaning_of(about),
    )


@dataclass(frozen=True)
class _StartFound:
    """The evidence of a question, and the fit of it."""

    question: Question
    evidence: EvidenceFound

    @property
    def line(self) -> LineRow | None:
        return self.evidence.line

    @property
    def has_results(self) -> bool:
        return self.evidence.has_results

    @cached_property
    def fitted(self) -> FittedStart:
        """Computed once for the answer, and for what is kept beside it."""
        return fit_question(self.question, self.evidence)


def _keep_check(connection: Connection, found: _StartFound, instance: Instance) -> None:
    own, line, fitted = found.evidence.own, found.line, found.fitted
    # Another share, a filter or a delayed result would change what the queue says of the pool.
    if own is None or line is None or found.question.is_delayed:
        return
    had_one = had_start(connection, own.id)
    finding = finding_of(found.evidence, fitted.fit, fitted.move, had_one)
    save_pool_check(connection, own.id, line.revision, instance.today(), finding)


def advise_start(instance: Instance, question: Question) -> AnswerBytes:
    """The start of a chip, stored or computed.

    Raises
    ------
    StorageBusy, StorageBroken
        When the database can't be read now.
    """

    def find(connection: Connection) -> _StartFound:
        delayed = question.is_delayed
        found = find_with_peers(connection, question, instance, is_delayed=delayed)
        return _StartFound(question, found)

    def compute(found: _StartFound) -> StartAnswer:
        move = found.fitted.move
        count_start_moved(found.evidence.control, move.moves_by if move else None)
        return _answer_of(question, found.evidence, found.fitted)

    def keep(connection: Connection, found: _StartFound) -> None:
        keep_findings(connection, found.evidence, instance)
        _keep_check(connection, found, instance)

    def by(found: _StartFound) -> OutdatedBy:
        return outdated_by(found.evidence)

    texts = question.filter_texts
    return answer_once(instance, "start", question, find, compute, keep, texts, by)
