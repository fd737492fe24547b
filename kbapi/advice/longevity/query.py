"""The query of an answer about longevity."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from marshmallow import fields

from kbapi.advice.chip_query import ChipQuestionSchema, read_chip_question
from kbapi.chips.catalogue import Catalogue
from kbapi.chips.chip import ChipName
from kbapi.documents.shapes import OneChoiceOf
from kbapi.vocabulary import DOMAINS, LIMIT_CONTROLS, Domain, LimitControl


@dataclass(frozen=True, slots=True)
class LongevityQuestion:
    """A question about settings in use over months."""

    chip: ChipName
    domain: Domain
    control: LimitControl | None
    """None for the one with the most follow-ups."""

    @property
    def key(self) -> str:
        """The same text for all queries with the same meaning."""
        return f"{self.chip.key}|{self.domain}|{self.control or 'any'}"


class LongevityQuestionSchema(ChipQuestionSchema):
    """The query parameters of a question about settings over months."""

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
            "description": "How it is adjusted; unless given, the control with the most "
            "follow-ups.",
            "example": "voltage_offset",
        },
    )


_LONGEVITY_QUESTION: Final = LongevityQuestionSchema()


def parse_longevity_question(
    sent: Mapping[str, Sequence[str]], catalogue: Catalogue
) -> LongevityQuestion:
    """The question in these parameters.

    Raises
    ------
    QueryInvalid
        With every problem; a pointer is the name of a parameter.
    """
    asked = read_chip_question(_LONGEVITY_QUESTION, sent, catalogue)
    domain = asked.values.get("domain", catalogue.usual_domain(asked.chip))
    return LongevityQuestion(asked.chip, domain, asked.values.get("control"))
