"""The query of a start and of stable shares, and its key among stored answers."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from dataclasses import fields as dataclass_fields
from typing import Any, Final

import orjson
from marshmallow import ValidationError, fields, validate

from kbapi.advice.chip_query import (
    ChipQuestionSchema,
    on_the_hundredth,
    read_chip_question,
)
from kbapi.bounds import CLOCK_LEAST_MHZ, CLOCK_MOST_MHZ
from kbapi.chips.catalogue import Catalogue
from kbapi.chips.chip import ChipName
from kbapi.documents.shapes import (
    MACHINE,
    VERSION_FILTER,
    OneChoiceOf,
    OneNumberOf,
    ParameterNumber,
)
from kbapi.errors import Problem
from kbapi.evidence.units import EVERYTHING, Filters
from kbapi.vocabulary import (
    COOLING,
    DETAILS,
    DOMAINS,
    GRADES,
    LIMIT_CONTROLS,
    LOADS,
    SUPPLIES,
    Detail,
    Domain,
    LimitControl,
)

CONFIDENCES: Final = (0.9, 0.95, 0.99)
_FILTERS: Final = tuple(field.name for field in dataclass_fields(Filters))
DEFAULT_SHARE: Final = 0.9
DEFAULT_CONFIDENCE: Final = 0.95
DEFAULT_FAILURE_MINUTES: Final = 10.0
_MINUTES: Final = validate.Range(0, 1_440)
_OF_OPTIONS: Final = ("failure_minutes", "value_per_mv_minutes", "value_per_count_minutes")
_LEAST_SHARE: Final = 0.5
_MOST_SHARE: Final = 0.99


@dataclass(frozen=True, slots=True)
class Question:
    """A question about one control of a chip, with every default filled in."""

    chip: ChipName
    domain: Domain
    control: LimitControl | None
    """None for the control with the largest pool that holds the domain."""
    moved_with: tuple[Domain, ...] | None
    """Exactly these domains moved together, or None for the largest pool that holds the domain."""
    clock_mhz: float | None
    stable_share: float
    confidence: float
    detail: Detail
    filters: Filters
    """The results that are asked about; those of siblings are never filtered."""
    failure_minutes: float | None = None
    value_per_mv_minutes: float | None = None
    value_per_count_minutes: float | None = None
    """Of options: what a failure costs, and how long a search may take for one mV or count more."""
    key: str = field(init=False)
    """The same text for all queries with the same meaning."""

    def __post_init__(self) -> None:
        """Make the key once: finding the stored answer and computing one both use it."""
        object.__setattr__(self, "key", self._make_key())

    def _make_key(self) -> str:
        moved_with = "any" if self.moved_with is None else "+".join(self.moved_with)
        clock = "any" if self.clock_mhz is None else repr(self.clock_mhz)
        filters = orjson.dumps(self.filters_response).decode()
        costs = self.failure_minutes, self.value_per_mv_minutes, self.value_per_count_minutes
        return (
            f"{self.chip.key}|{self.domain}|{self.control or 'any'}|{moved_with}|{clock}|"
            f"{self.stable_share:.2f}|{self.confidence:.2f}|{self.detail}|{filters}|{costs}"
        )

    @property
    def filter_texts(self) -> dict[str, str]:
        """The filters that are texts, by name; the others are values of closed lists."""
        filters = self.filters_response
        return {name: filters[name] for name in _FREE_TEXTS if name in filters}

    @property
    def is_delayed(self) -> bool:
        """Whether the answer is a percentile or filtered, so that results of the day wait.

        A start for another share or confidence than the usual is a percentile.
        """
        usual = DEFAULT_SHARE, DEFAULT_CONFIDENCE, "start", EVERYTHING
        return (self.stable_share, self.confidence, self.detail, self.filters) != usual

    @property
    def admits_other_shares(self) -> bool:
        """Whether a start for a lower share may be given where the one asked for has none.

        Such an answer is delayed.
        """
        return self.detail == "percentiles" or self.stable_share != DEFAULT_SHARE

    @property
    def filters_response(self) -> dict[str, str]:
        """The filters that were asked for, by name."""
        return {name: value for name, value in asdict(self.filters).items() if value is not None}


_FREE_TEXTS: Final = ("firmware", "machine", "microcode")


class DomainList(fields.String):
    """Domain codes joined by commas."""

    def _deserialize(self, value: Any, attr: str | None, data: Any, **kwargs: Any) -> Any:
        codes = sorted({code for code in str(value).split(",") if code})
        unknown = [code for code in codes if code not in DOMAINS]
        if unknown:
            raise ValidationError(f"Domains joined by commas, each one of: {', '.join(DOMAINS)}.")
        return tuple(codes)


class QuestionSchema(ChipQuestionSchema):
    """The query parameters of a question about one chip's control."""

    domain = fields.String(
        validate=OneChoiceOf(DOMAINS),
        metadata={
            "description": "The supply rail; core for a processor, gpu_core for graphics unless "
            "given.",
            "example": "core",
        },
    )
    control = fields.String(
        validate=OneChoiceOf(LIMIT_CONTROLS),
        metadata={
            "description": "How it is adjusted; unless given, the control with the most results.",
            "example": "voltage_offset",
        },
    )
    moved_with = DomainList(
        metadata={
            "description": "Take the pool in which exactly these moved together, joined by "
            "commas; empty for the domain alone. Unless given: the largest pool that holds the "
            "domain.",
            "example": "ring",
        },
    )
    clock_mhz = ParameterNumber(
        validate=validate.Range(CLOCK_LEAST_MHZ, CLOCK_MOST_MHZ),
        # No example of its own: it would contradict that of the control.
        metadata={"description": "The clock, with fixed_clock_voltage, in MHz, such as 1800."},
    )
    stable_share = ParameterNumber(
        load_default=DEFAULT_SHARE,
        validate=[validate.Range(_LEAST_SHARE, _MOST_SHARE), on_the_hundredth],
        metadata={
            "description": "The share of reported units that the start should hold on.",
            "example": 0.9,
        },
    )
    detail = fields.String(
        load_default="start",
        validate=OneChoiceOf(DETAILS),
        metadata={
            "description": "percentiles adds how deep 90, 75, 50, 25 and 10 % of units hold. "
            "options adds what a cautious, the usual and a bold search take.",
            "example": "percentiles",
        },
    )
    failure_minutes = ParameterNumber(
        validate=_MINUTES,
        metadata={
            "description": "With detail=options: minutes that a failure costs beside its trial, "
            f"such as 30; {DEFAULT_FAILURE_MINUTES:g} unless given.",
        },
    )
    value_per_mv_minutes = ParameterNumber(
        validate=_MINUTES,
        metadata={
            "description": "With detail=options: minutes of search that one mV more is worth, such "
            "as 1.5. `options_least_cost` then names the search of the least cost.",
        },
    )
    value_per_count_minutes = ParameterNumber(
        validate=_MINUTES,
        metadata={"description": "The same for one count more, such as 8; for count_offset."},
    )
    load = fields.String(  # type: ignore[assignment]  # marshmallow keeps fields apart from methods
        validate=OneChoiceOf(LOADS),
        metadata={
            "description": "Only results tested under this load class.",
            "example": "vector_heavy",
        },
    )
    grade = fields.String(
        validate=OneChoiceOf(GRADES),
        metadata={"description": "Only results tested at least this well.", "example": "long"},
    )
    cooling = fields.String(
        validate=OneChoiceOf(COOLING),
        metadata={"description": "Only machines cooled like this.", "example": "repasted"},
    )
    supply = fields.String(
        validate=OneChoiceOf(SUPPLIES),
        metadata={"description": "Only results on mains, or on battery.", "example": "mains"},
    )
    firmware = fields.String(
        validate=VERSION_FILTER,
        metadata={"description": "Only results with this firmware.", "example": "1.14"},
    )
    microcode = fields.String(
        validate=VERSION_FILTER,
        metadata={"description": "Only results with this microcode.", "example": "0x2b"},
    )
    machine = fields.String(
        validate=MACHINE,
        metadata={"description": "Only results of this machine class.", "example": "harbour-15"},
    )
    confidence = ParameterNumber(
        load_default=DEFAULT_CONFIDENCE,
        validate=OneNumberOf(CONFIDENCES),
        metadata={
            "description": "How sure the share should be: 0.9, 0.95 or 0.99.",
            "example": 0.95,
        },
    )


_QUESTION: Final = QuestionSchema()


def parse_question(sent: Mapping[str, Sequence[str]], catalogue: Catalogue) -> Question:
    """The question in these parameters, each with all the values it was sent with.

    Raises
    ------
    QueryInvalid
        With every problem; a pointer is the name of a parameter.
    """
    asked = read_chip_question(_QUESTION, sent, catalogue, _problems_with)
    return _with_defaults(asked.chip, asked.values, catalogue)


def _problems_with(asked: Mapping[str, Any]) -> Iterator[Problem]:
    if "clock_mhz" in asked and asked.get("control") not in (None, "fixed_clock_voltage"):
        yield Problem("clock_mhz", "invalid", "A clock belongs to fixed_clock_voltage alone.")
    for name in _OF_OPTIONS:
        if name in asked and asked.get("detail") != "options":
            yield Problem(name, "invalid", "Send it with detail=options.")


def _with_defaults(chip: ChipName, loaded: dict[str, Any], catalogue: Catalogue) -> Question:
    domain: Domain = loaded.get("domain") or catalogue.usual_domain(chip)
    moved_with = loaded.get("moved_with")
    if moved_with is not None:
        moved_with = tuple(code for code in moved_with if code != domain)
    clock_mhz = loaded.get("clock_mhz")
    return Question(
        chip=chip,
        domain=domain,
        control=loaded.get("control") or ("fixed_clock_voltage" if clock_mhz else None),
        moved_with=moved_with,
        clock_mhz=clock_mhz,
        stable_share=round(loaded["stable_share"], 2),
        confidence=loaded["confidence"],
        detail=loaded["detail"],
        filters=Filters(**{name: loaded.get(name) for name in _FILTERS}),
        **{name: loaded.get(name) for name in _OF_OPTIONS},
    )
