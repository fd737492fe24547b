"""The body of a next-step question: the runs of a search, read by the rules for results."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any, Final

from marshmallow import ValidationError, validate

from kbapi.advice.start.query import DEFAULT_FAILURE_MINUTES
from kbapi.bounds import CLOCK_LEAST_MHZ, CLOCK_MOST_MHZ, MOST_TRIALS
from kbapi.chips.catalogue import Catalogue
from kbapi.chips.chip import ChipName
from kbapi.documents.measurements import Trial, TrialSchema
from kbapi.documents.reader import chip_of_body, read_body, refusal_of
from kbapi.documents.refusal_rules import (
    refuse_absent,
    refuse_absent_in_force,
    refuse_in_force,
    refuse_value,
)
from kbapi.documents.results import SubmittedResult, SubmittedSetting
from kbapi.documents.shapes import (
    StrictSchema,
    Text,
    WholeNumber,
    choice,
    choices,
    described,
    number,
    problems_of,
    several,
)
from kbapi.errors import Problem
from kbapi.time_budget import check_time
from kbapi.vocabulary import DOMAINS, LIMIT_CONTROLS, Domain, LimitControl

DEFAULT_TRIAL_MINUTES: Final = 20.0
DEFAULT_MAX_RISK: Final = 0.10
MOST_RISK: Final = 0.25
"""A proposed setting fails on at most one unit in four."""
_DAY: Final = 1_440
_STEP: Final = validate.Range(1, 40)


@dataclass(frozen=True, slots=True, kw_only=True)
class Search:
    """A search for the limit of one unit: what is looked for, and every run so far in its order.

    `resolution` and the like are in mV, or in counts for count_offset; None where not sent.
    """

    chip: ChipName
    domain: Domain | None = None
    control: LimitControl | None = None
    moved_with: tuple[Domain, ...] | None = None
    clock_mhz: float | None = None
    stock_mv: float | None = None
    trials: tuple[Trial, ...] = ()
    resolution_mv: float | None = None
    resolution_counts: int | None = None
    trial_minutes: float = DEFAULT_TRIAL_MINUTES
    failure_minutes: float = DEFAULT_FAILURE_MINUTES
    max_risk: float = DEFAULT_MAX_RISK
    max_step: float | None = None

    @property
    def domains_in_force(self) -> frozenset[Domain]:
        """Domains that were off stock in any run."""
        return frozenset(
            one.domain for trial in self.trials for one in trial.settings if one.value != 0
        )

    def setting(self, control: LimitControl, domains: tuple[Domain, ...]) -> SubmittedSetting:
        """The setting whose limit is looked for, without its ends."""
        return SubmittedSetting(
            domains[0],
            control,
            moved_with=domains[1:],
            clock_mhz=self.clock_mhz,
            stock_mv=self.stock_mv,
        )


class NextStepRequestSchema(StrictSchema):
    """A search for the limit of one unit: the runs so far and the limits of risk; not stored."""

    chip = Text(
        required=True,
        metadata=described(
            "The chip as the system prints it, or a catalogue key.", "norvane-sable-7-4820mx"
        ),
    )
    domain = choice(
        DOMAINS,
        "The supply rail; core for a processor and gpu_core for graphics unless given.",
        "core",
    )
    control = choice(
        LIMIT_CONTROLS,
        "How it is adjusted; unless given, the control with the most results.",
        "voltage_offset",
    )
    moved_with = choices(
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
        metadata=described(
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


_NEXT_STEP: Final = NextStepRequestSchema()


def read_search(body: bytes, catalogue: Catalogue) -> Search:
    """The search that a body describes, sound in shape and plausible in every run.

    Raises
    ------
    JsonUnreadable
        When the bytes are not JSON text.
    DocumentRefused
        With every problem; nothing of the document is kept either way.
    """
    reading = read_body(body, _NEXT_STEP)
    problems = list(reading.problems)
    chip = chip_of_body(reading.value, catalogue)
    if isinstance(chip, Problem):
        problems.append(chip)
    try:
        loaded: dict[str, Any] = _NEXT_STEP.load(reading.value)
    except ValidationError as error:
        raise refusal_of([*problems, *problems_of(error.messages)]) from None
    check_time("shape")
    sent = {name: value for name, value in loaded.items() if value is not None}
    sent["trials"] = tuple(_as_it_ended(trial) for trial in sent.get("trials", ()))
    problems += _faults_of(sent)
    if isinstance(chip, ChipName):
        problems += _absent_from(chip, sent, catalogue)
    check_time("rules")
    if problems or not isinstance(chip, ChipName):
        raise refusal_of(problems)
    if "clock_mhz" in sent:
        sent.setdefault("control", "fixed_clock_voltage")
    return Search(**{**sent, "chip": chip})


def _absent_from(chip: ChipName, sent: dict[str, Any], catalogue: Catalogue) -> Iterator[Problem]:
    asked = sent.get("domain"), sent.get("control"), sent.get("moved_with", ())
    yield from refuse_absent(chip, catalogue, "", *asked)
    yield from refuse_absent_in_force(SubmittedResult(trials=sent["trials"]), chip, catalogue)


def _as_it_ended(trial: Trial) -> Trial:
    """The run, failed if anything failed in it: a wrong result needs no crash."""
    return trial if trial.failure is None else replace(trial, outcome="failed")


def _faults_of(sent: dict[str, Any]) -> Iterator[Problem]:
    yield from refuse_in_force(SubmittedResult(trials=sent["trials"]))
    if "resolution_mv" in sent and "resolution_counts" in sent:
        yield Problem("/resolution_counts", "invalid", "Send one resolution, in mV or in counts.")
    if "clock_mhz" in sent and sent.get("control") not in (None, "fixed_clock_voltage"):
        yield Problem(
            "/clock_mhz", "invalid", "Only fixed_clock_voltage has a clock. Leave clock_mhz out."
        )
    if "stock_mv" in sent:
        alone = SubmittedSetting("core", "fixed_clock_voltage", stable_at=sent["stock_mv"])
        yield from refuse_value(alone, "/stock_mv")
