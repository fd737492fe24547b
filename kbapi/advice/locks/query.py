"""The query of an answer about locks."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Literal

import orjson
from marshmallow import fields

from kbapi.advice.chip_query import ChipQuestionSchema, read_chip_question
from kbapi.chips.catalogue import Catalogue
from kbapi.chips.chip import ChipName
from kbapi.documents.shapes import MACHINE, OneChoiceOf, Whole
from kbapi.vocabulary import CONTROLS, DOMAINS, Control, Domain


@dataclass(frozen=True, slots=True)
class LockQuestion:
    """A question about the locks of a chip."""

    chip: ChipName
    domain: Domain | Literal[""]
    control: Control | Literal[""]
    machine: str
    firmware_month: str

    @property
    def key(self) -> str:
        """The same text for all queries with the same meaning."""
        asked = [self.domain, self.control, self.machine, self.firmware_month]
        return f"{self.chip.key}|{orjson.dumps(asked).decode()}"


class LockQuestionSchema(ChipQuestionSchema):
    """The query parameters of a question about locks."""

    domain = fields.String(
        validate=OneChoiceOf(DOMAINS),
        metadata={"description": "Only this supply rail.", "example": "core"},
    )
    control = fields.String(
        validate=OneChoiceOf(CONTROLS),
        metadata={"description": "Only this control.", "example": "voltage_offset"},
    )
    machine = fields.String(
        validate=MACHINE,
        metadata={"description": "Only reports of this machine class.", "example": "harbour-15"},
    )
    firmware_month = fields.String(
        validate=Whole(r"20[0-9]{2}-(?:0[1-9]|1[0-2])", error="Write a month as 2026-09."),
        metadata={"description": "Only reports with firmware of this month.", "example": "2026-03"},
    )


_LOCK_QUESTION: Final = LockQuestionSchema()


def parse_lock_question(sent: Mapping[str, Sequence[str]], catalogue: Catalogue) -> LockQuestion:
    """The question in these parameters.

    Raises
    ------
    QueryInvalid
        With every problem; a pointer is the name of a parameter.
    """
    question = read_chip_question(_LOCK_QUESTION, sent, catalogue)
    asked = question.values
    return LockQuestion(
        question.chip,
        asked.get("domain", ""),
        asked.get("control", ""),
        asked.get("machine", ""),
        asked.get("firmware_month", ""),
    )
