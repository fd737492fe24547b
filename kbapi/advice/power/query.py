"""The query of an answer about power limits."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Literal

import orjson
from marshmallow import fields, validate

from kbapi.advice.chip_query import ChipQuestionSchema, on_the_hundredth, read_chip_question
from kbapi.bounds import MOST_POWER_W
from kbapi.chips.catalogue import Catalogue
from kbapi.chips.chip import ChipName
from kbapi.documents.shapes import OneChoiceOf, ParameterNumber
from kbapi.vocabulary import LOADS, Load

_LEAST_SHARE, _MOST_SHARE, _DEFAULT_SHARE = 0.5, 0.99, 0.95


@dataclass(frozen=True, slots=True)
class PowerQuestion:
    """A question about the power limits of a chip."""

    chip: ChipName
    load: Load | Literal[""]
    keep_share: float
    limit_w: float | None

    @property
    def key(self) -> str:
        """The same text for all queries with the same meaning."""
        asked = [self.load, self.keep_share, self.limit_w]
        return f"{self.chip.key}|{orjson.dumps(asked).decode()}"


class PowerQuestionSchema(ChipQuestionSchema):
    """The query parameters of a question about power limits."""

    load = fields.String(  # type: ignore[assignment]  # marshmallow keeps fields apart from methods
        validate=OneChoiceOf(LOADS),
        metadata={
            "description": "The load class; unless given, the one that most units report.",
            "example": "all_core",
        },
    )
    keep_share = ParameterNumber(
        load_default=_DEFAULT_SHARE,
        validate=[validate.Range(_LEAST_SHARE, _MOST_SHARE), on_the_hundredth],
        metadata={
            "description": "The share of uncapped stock performance to keep.",
            "example": 0.95,
        },
    )
    limit_w = ParameterNumber(
        validate=validate.Range(1, MOST_POWER_W),
        metadata={
            "description": "A power limit, in W. The answer adds its cost and the gain from "
            "tuning under it; above stock both are null.",
            "example": 45,
        },
    )


_POWER_QUESTION: Final = PowerQuestionSchema()


def parse_power_question(sent: Mapping[str, Sequence[str]], catalogue: Catalogue) -> PowerQuestion:
    """The question in these parameters.

    Raises
    ------
    QueryInvalid
        With every problem; a pointer is the name of a parameter.
    """
    question = read_chip_question(_POWER_QUESTION, sent, catalogue)
    asked = question.values
    limit_w = asked.get("limit_w")
    return PowerQuestion(
        question.chip,
        asked.get("load", ""),
        round(asked["keep_share"], 2),
        None if limit_w is None else round(limit_w, 1),
    )
