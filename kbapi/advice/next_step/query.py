"""The body of a next-step question: trials, read by the rules for results."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Any, Final

from marshmallow import ValidationError, post_load, validate

from kbapi.bounds import CLOCK_LEAST_MHZ, CLOCK_MOST_MHZ, MOST_TRIALS
from kbapi.chips.catalogue import Catalogue
from kbapi.chips.chip import ChipName
from kbapi.documents.measurements import TrialSchema
from kbapi.documents.personal_data import find_identities, without_personal_data
from kbapi.documents.reader import chip_of_body, read_json
from kbapi.documents.refusals import refuse_in_force, refuse_value
from kbapi.documents.runs import is_failure_of, value_in
from kbapi.documents.shapes import (
    StrictSchema,
    Text,
    WholeNumber,
    as_tuple,
    number,
    problems_of,
    several,
    told,
    word,
    words,
)
from kbapi.documents.types import InForce, SubmittedResult, SubmittedSetting, Trial
from kbapi.errors import DocumentRefused, Problem
from kbapi.evidence.own_runs import (
    OwnRun,
    OwnRuns,
    OwnSearch,
    UnusedRun,
    contradictions_in,
    merge_runs,
)
from kbapi.stats.intervals import Grid
from kbapi.vocabulary import DOMAINS, LIMIT_CONTROLS, Domain, LimitControl

DEFAULT_TRIAL_MINUTES: Final = 20.0
DEFAULT_FAILURE_MINUTES: Final = 10.0
DEFAULT_MAX_RISK: Final = 0.10
MOST_RISK: Final = 0.25
"""Nobody is sent where more than one unit in four fails."""
_DAY: Final = 1_440
_STEP: Final = validate.Range(1, 40)


@dataclass(frozen=True, slots=True)
class SubmittedSearch:
    """A search as it was sent: what is looked for, and every run so far in its order."""

    chip: str
    domain: Domain | None = None
    control: LimitControl | None = None
    moved_with: tuple[Domain, ...] | None = None
    clock_mhz: float | None = None
    stock_mv: float | None = None
    trials: tuple[Trial, ...] = ()
    resolution_mv: float | None = None
    resolution_counts: int | None = None
    trial_minutes: float | None = None
    failure_minutes: float | None = None
    max_risk: float | None = None
    max_step: float | None = None


class NextStepRequestSchema(StrictSchema):
    """A search for the limit of one unit: the runs so far and the limits of risk; not stored."""

    chip = Text(
        required=True,
        metadata=told(
            "The chip as the system prints it, or a catalogue key.", "norvane-sable-7-4820mx"
        ),
    )
    domain = word(
        DOMAINS,
        "The supply rail; core for a processor and gpu_core for graphics unless given.",
        "core",
    )
    control = word(
        LIMIT_CONTROLS,
        "How it is adjusted; unless given, the control with the most results.",
        "voltage_offset",
    )
    moved_with = words(
        DOMAINS,
        "Other domains that are adjusted together with this one; empty for the domain alone. "
        "Unless given, those of the largest pool that holds the domain.",
        ["ring"],
    )
    clock_mhz = number(
        "The clock of the setting, in MHz; only with fixed_clock_voltage.",
        1800,
        validate=validate.Range(CLOCK_LEAST_MHZ, CLOCK_MOST_MHZ),
    )
    stock_mv = number(
        "Stock voltage of this unit at `clock_mhz`, in mV; only with fixed_clock_voltage.", 912
    )
    trials = several(
        TrialSchema,
        MOST_TRIALS,
        "Every run so far, oldest first. A run with a `failure` counts as failed, also with a "
        "wrong result or a corrected machine check.",
    )
    resolution_mv = number(
        "How precisely to find the limit, in mV; 5 unless given.",
        5,
        validate=validate.Range(2, 50),
    )
    resolution_counts = WholeNumber(
        allow_none=True,
        validate=validate.Range(1, 10),
        metadata=told(
            "How precisely to find the limit, in counts (count_offset); 1 unless given.", 1
        ),
    )
    trial_minutes = number(
        "Length of one trial, in minutes; 20 unless given.", 20, validate=validate.Range(1, _DAY)
    )
    failure_minutes = number(
        "Extra time that a failure costs, in minutes; 10 unless given.",
        10,
        validate=validate.Range(0, _DAY),
    )
    max_risk = number(
        "Highest acceptable probability that the proposed setting fails; 0.1 unless given.",
        0.1,
        validate=validate.Range(0.01, MOST_RISK),
    )
    max_step = number(
        "Largest distance of a proposed setting below your deepest pass, or below the start if "
        "that is deeper. In mV, or in counts for count_offset; 20 mV or 4 counts unless given.",
        20,
        validate=_STEP,
    )

    @post_load
    def _make(self, data: dict[str, Any], **_: Any) -> SubmittedSearch:
        as_tuple(data, "trials")
        if data.get("moved_with") is not None:
            data["moved_with"] = tuple(sorted(set(data["moved_with"])))
        return SubmittedSearch(**data)


NEXT_STEP: Final = NextStepRequestSchema()


_CONTRADICTION: Final = (
    "This run passed deeper than trial {other} failed before. Leave out the run that you do not "
    "trust."
)
_WITHOUT_STOCK: Final = (
    "The depth of a fixed voltage needs the stock voltage at its clock. Send stock_mv."
)


def read_search(body: bytes, catalogue: Catalogue) -> OwnSearch:
    """The search that the bytes hold, sound in shape and plausible in every run.

    Raises
    ------
    JsonUnreadable
        When the bytes are not JSON text.
    DocumentRefused
        With every problem; nothing of the document is kept either way.
    """
    reading = read_json(body)
    problems = [*find_identities(reading.value), *reading.problems]
    chip = chip_of_body(reading.value, catalogue)
    if isinstance(chip, Problem):
        problems.append(chip)
    try:
        sent: SubmittedSearch = NEXT_STEP.load(reading.value)
    except ValidationError as error:
        raise _refused([*problems, *problems_of(error.messages)]) from None
    sent = replace(sent, trials=tuple(_as_it_ended(trial) for trial in sent.trials))
    problems += _faults_of(sent)
    if problems or not isinstance(chip, ChipName):
        raise _refused(problems)
    return _search_of(sent, chip)


def _as_it_ended(trial: Trial) -> Trial:
    """The run, failed if anything failed in it: a wrong result needs no crash."""
    return trial if trial.failure is None else replace(trial, outcome="failed")


def _faults_of(sent: SubmittedSearch) -> Iterator[Problem]:
    yield from refuse_in_force(_as_result(sent))
    if sent.resolution_mv is not None and sent.resolution_counts is not None:
        yield Problem("/resolution_counts", "invalid", "Send one resolution, in mV or in counts.")
    if sent.clock_mhz is not None and sent.control not in (None, "fixed_clock_voltage"):
        yield Problem(
            "/clock_mhz", "invalid", "Only fixed_clock_voltage has a clock. Leave clock_mhz out."
        )
    if sent.stock_mv is not None:
        alone = SubmittedSetting("core", "fixed_clock_voltage", stable_at=sent.stock_mv)
        yield from refuse_value(alone, "/stock_mv")


def _as_result(sent: SubmittedSearch, *settings: SubmittedSetting) -> SubmittedResult:
    return SubmittedResult(sent.chip, settings=settings, trials=sent.trials)


def _refused(problems: Sequence[Problem]) -> DocumentRefused:
    return DocumentRefused(problems=list(dict.fromkeys(without_personal_data(problems))))


def _search_of(sent: SubmittedSearch, chip: ChipName) -> OwnSearch:
    return OwnSearch(
        chip=chip,
        domain=sent.domain,
        control=sent.control or ("fixed_clock_voltage" if sent.clock_mhz is not None else None),
        moved_with=sent.moved_with,
        clock_mhz=sent.clock_mhz,
        stock_mv=sent.stock_mv,
        resolution_mv=sent.resolution_mv,
        resolution_counts=sent.resolution_counts,
        trial_minutes=_told(sent.trial_minutes, DEFAULT_TRIAL_MINUTES),
        failure_minutes=_told(sent.failure_minutes, DEFAULT_FAILURE_MINUTES),
        max_risk=_told(sent.max_risk, DEFAULT_MAX_RISK),
        max_step=sent.max_step,
        domains_in_force=frozenset(
            one.domain for trial in sent.trials for one in trial.settings if one.value != 0
        ),
        runs_in=partial(_runs_in, sent),
    )


def _told(value: float | None, default: float) -> float:
    return default if value is None else value


def _runs_in(
    sent: SubmittedSearch, control: LimitControl, domains: tuple[Domain, ...], grid: Grid
) -> OwnRuns:
    """What the runs say of the limit of these rails, moved together by this control."""
    setting = SubmittedSetting(
        domains[0],
        control,
        moved_with=domains[1:],
        clock_mhz=sent.clock_mhz,
        stock_mv=sent.stock_mv,
    )
    if control == "fixed_clock_voltage":
        _require_below_stock(sent, setting)
    result = _as_result(sent, setting)
    judged = [_judged(place, trial, setting, result) for place, trial in enumerate(sent.trials)]
    runs = [one for one in judged if isinstance(one, OwnRun)]
    if contradictions := list(contradictions_in(runs)):
        raise _refused(
            [
                Problem(
                    f"/trials/{run.place}",
                    "passes_beyond_failure",
                    _CONTRADICTION.format(other=failed.place),
                )
                for run, failed in contradictions
            ]
        )
    return merge_runs(runs, grid, [one for one in judged if isinstance(one, UnusedRun)])


def _require_below_stock(sent: SubmittedSearch, setting: SubmittedSetting) -> None:
    """Nothing, where absolute voltages have a depth that can be."""
    problems = [
        Problem(f"/{name}", "required", _WITHOUT_STOCK)
        for name in ("clock_mhz", "stock_mv")
        if getattr(sent, name) is None
    ]
    if not problems:
        # Each rail by itself: a failure of some of them counts for all.
        problems = [
            problem
            for place, trial in enumerate(sent.trials)
            for one in _own_in_force(trial, setting)
            for problem in refuse_value(
                replace(setting, stable_at=one.value), f"/trials/{place}/settings"
            )
        ]
    if problems:
        raise _refused(problems)


def _judged(
    place: int, trial: Trial, setting: SubmittedSetting, result: SubmittedResult
) -> OwnRun | UnusedRun:
    has_passed = trial.outcome == "stable"
    below_stock = _passed_below(trial, setting) if has_passed else _failed_below(trial, setting)
    if below_stock is None:
        return UnusedRun(place, "other_domains")
    if not has_passed and not is_failure_of(setting, trial, result):
        return UnusedRun(place, "failure_not_isolated")
    return OwnRun(place, below_stock, has_passed)


def _passed_below(trial: Trial, setting: SubmittedSetting) -> float | None:
    """How far below stock the setting's rails passed; None where they did not move alike."""
    if not _own_in_force(trial, setting):
        return _at_stock(trial, setting)
    value = value_in(trial, setting)
    return None if value is None else setting.below_stock(value)


def _failed_below(trial: Trial, setting: SubmittedSetting) -> float | None:
    """The deepest that any of the setting's rails lay when it failed.

    What fails with some of them lowered fails with all of them there.
    """
    own = _own_in_force(trial, setting)
    depths = [depth for one in own if (depth := setting.below_stock(one.value)) is not None]
    return max(depths) if depths else _at_stock(trial, setting)


def _own_in_force(trial: Trial, setting: SubmittedSetting) -> list[InForce]:
    """The setting's own rails, as far as they were off stock."""
    clocks = {clock for clock in (trial.clock_mhz, setting.clock_mhz) if clock is not None}
    if setting.control == "fixed_clock_voltage" and len(clocks) > 1:
        return []
    return [
        one
        for one in trial.settings
        if _is_own(one, setting) and setting.below_stock(one.value) != 0
    ]


def _is_own(one: InForce, setting: SubmittedSetting) -> bool:
    return one.control == setting.control and one.domain in setting.domains


def _at_stock(trial: Trial, setting: SubmittedSetting) -> float | None:
    """Stock itself, where a run had nothing in force; a power limit moves no voltage."""
    has_others = any(
        one.value != 0 and one.control != "power_limit" and not _is_own(one, setting)
        for one in trial.settings
    )
    is_another_clock = setting.clock_mhz is not None and trial.clock_mhz not in (
        None,
        setting.clock_mhz,
    )
    return None if has_others or is_another_clock else 0.0
