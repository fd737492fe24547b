"""The query of an answer about gains."""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal

import orjson
from marshmallow import fields, validate

from kbapi.advice.chip_query import ChipQuestionSchema, read_chip_question
from kbapi.bounds import MOST_POWER_W
from kbapi.chips.catalogue import Catalogue
from kbapi.chips.chip import ChipName
from kbapi.documents.shapes import OneChoiceOf, ParameterNumber
from kbapi.errors import Problem
from kbapi.vocabulary import LOADS, Load

_MOST_PERFORMANCE: Final = 1e9
_OWN: Final = (
    ("performance", "own_performance_stock", "own_performance_tuned"),
    ("power", "own_power_stock_w", "own_power_tuned_w"),
)


@dataclass(frozen=True, slots=True)
class GainsQuestion:
    """A question about the gains of a chip."""

    chip: ChipName
    load: Load | Literal[""]
    own_ratios: Mapping[str, float]
    """Tuned over stock by measure, in thousandths. The stored answer keeps nothing else of them."""

    @property
    def key(self) -> str:
        """The same text for all queries with the same meaning."""
        asked = [self.load, sorted(self.own_ratios.items())]
        return f"{self.chip.key}|{orjson.dumps(asked).decode()}"

    @property
    def own_changes(self) -> dict[str, float]:
        """The logarithms of the own ratios, with performance per watt where both were sent."""
        changes = {name: math.log(ratio) for name, ratio in self.own_ratios.items()}
        if len(changes) == len(_OWN):
            changes["performance_per_watt"] = changes["performance"] - changes["power"]
        return changes


def _own(description: str, example: float, most: float) -> ParameterNumber:
    return ParameterNumber(
        validate=validate.Range(0, most, min_inclusive=False),
        metadata={"description": description, "example": example},
    )


class GainsQuestionSchema(ChipQuestionSchema):
    """The query parameters of a question about gains."""

    load = fields.String(  # type: ignore[assignment]  # marshmallow keeps fields apart from methods
        validate=OneChoiceOf(LOADS),
        metadata={"description": "Only readings under this load class.", "example": "all_core"},
    )
    own_performance_stock = _own(
        "Performance of your machine at stock; more is better.", 41.2, _MOST_PERFORMANCE
    )
    own_performance_tuned = _own(
        "Performance of your tuned machine, in the unit used at stock.", 44.6, _MOST_PERFORMANCE
    )
    own_power_stock_w = _own("Power draw of your machine at stock, in W.", 60, MOST_POWER_W)
    own_power_tuned_w = _own("Power draw of your tuned machine, in W.", 60, MOST_POWER_W)


_GAINS_QUESTION: Final = GainsQuestionSchema()


def parse_gains_question(sent: Mapping[str, Sequence[str]], catalogue: Catalogue) -> GainsQuestion:
    """The question in these parameters.

    Raises
    ------
    QueryInvalid
        With every problem; a pointer is the name of a parameter.
    """
    asked = read_chip_question(_GAINS_QUESTION, sent, catalogue, lambda _: _halves_of_pairs(sent))
    return GainsQuestion(asked.chip, asked.values.get("load", ""), _own_ratios(asked.values))


def _halves_of_pairs(sent: Mapping[str, Sequence[str]]) -> Iterator[Problem]:
    for _, stock, tuned in _OWN:
        if (stock in sent) != (tuned in sent):
            lacking = tuned if stock in sent else stock
            yield Problem(lacking, "required", "Send stock and tuned together.")


def _own_ratios(asked: Mapping[str, Any]) -> dict[str, float]:
    return {
        # Never zero, which has no logarithm.
        name: max(round(asked[tuned] / asked[stock], 3), 0.001)
        for name, stock, tuned in _OWN
        if stock in asked
    }
