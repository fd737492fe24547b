"""The wire format of a question about the next step: shape only."""

from dataclasses import dataclass
from typing import Any, Final

from marshmallow import post_load, validate

from kbapi.bounds import CLOCK_LEAST_MHZ, CLOCK_MOST_MHZ, MOST_TRIALS
from kbapi.intake.documents import Trial
from kbapi.intake.measurement_schema import TrialSchema
from kbapi.intake.shapes import as_tuple, number, several, told, word, words
from kbapi.vocabulary import DOMAINS, LIMIT_CONTROLS, Domain, LimitControl
from kbapi.wire import StrictSchema, Text, WholeNumber

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
