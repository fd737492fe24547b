"""The query of an answer about gains."""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal

import numpy as np
import orjson
from marshmallow import ValidationError, fields, validate

from kbapi.advice.chip_query import ChipQuestionSchema, read_chip_question
from kbapi.bounds import MOST_POWER_W
from kbapi.chips.catalogue import Catalogue
from kbapi.chips.chip import ChipName
from kbapi.documents.shapes import OneChoiceOf, ParameterNumber
from kbapi.errors import Problem
from kbapi.stats.gains.gains import Vector, compare_runs
from kbapi.vocabulary import LOADS, Load

OwnMeasure = Literal["performance", "power", "performance_per_watt"]

_MOST_PERFORMANCE: Final = 1e9
_MOST_OWN_RUNS: Final = 20
_OWN: Final[tuple[tuple[OwnMeasure, str, str], ...]] = (
    ("performance", "own_performance_stock", "own_performance_tuned"),
    ("power", "own_power_stock_w", "own_power_tuned_w"),
)


@dataclass(frozen=True, slots=True)
class OwnRuns:
    """One's own change of a measure, rounded; the answer has nothing else of the runs."""

    ratio: float
    """Tuned over stock, in thousandths."""
    noise: float | None
    """A change that the own runs would show by chance, as a share; None with too few runs."""
    runs_stock: int
    runs_tuned: int

    @property
    def is_larger_than_noise(self) -> bool | None:
        """Whether the change exceeds the noise; None where the noise is unknown."""
        if self.noise is None:
            return None
        return abs(math.log(self.ratio)) > math.log1p(self.noise)


@dataclass(frozen=True, slots=True)
class GainsQuestion:
    """A question about the gains of a chip."""

    chip: ChipName
    load: Load | Literal[""]
    own: Mapping[OwnMeasure, OwnRuns]
    """One's own changes; performance per watt where both others were sent."""

    @property
    def key(self) -> str:
        """The same text for all queries with the same meaning."""
        own = [
            (name, one.ratio, one.noise, one.runs_stock, one.runs_tuned)
            for name, one in sorted(self.own.items())
        ]
        return f"{self.chip.key}|{orjson.dumps([self.load, own]).decode()}"


class _Runs(fields.String):
    """One number a run, separated by commas, each above zero."""

    def __init__(self, description: str, example: str, most: float) -> None:
        super().__init__(metadata={"description": description, "example": example})
        self._one = ParameterNumber(validate=validate.Range(0, most, min_inclusive=False))

    def _deserialize(self, value: Any, attr: str | None, data: Any, **kwargs: Any) -> Any:
        runs = str(value).split(",")
        if len(runs) > _MOST_OWN_RUNS:
            raise ValidationError(f"Send at most {_MOST_OWN_RUNS} runs.")
        return [self._one.deserialize(run, attr, data, **kwargs) for run in runs]


class GainsQuestionSchema(ChipQuestionSchema):
    """The query parameters of a question about gains."""

    load = fields.String(  # type: ignore[assignment]  # marshmallow keeps fields apart from methods
        validate=OneChoiceOf(LOADS),
        metadata={"description": "Only readings under this load class.", "example": "all_core"},
    )
    own_performance_stock = _Runs(
        "Performance of your machine at stock, more is better: one number for each run, separated "
        "by commas. Send all runs, not the best.",
        "41.2,41.0,41.5",
        _MOST_PERFORMANCE,
    )
    own_performance_tuned = _Runs(
        "Performance of your tuned machine, in the unit used at stock.",
        "44.6,44.9,44.3",
        _MOST_PERFORMANCE,
    )
    own_power_stock_w = _Runs(
        "Power draw of your machine at stock in each run, in W.", "60,59.8,60.3", MOST_POWER_W
    )
    own_power_tuned_w = _Runs(
        "Power draw of your tuned machine in each run, in W.", "52.1,52,52.4", MOST_POWER_W
    )


_GAINS_QUESTION: Final = GainsQuestionSchema()


def parse_gains_question(sent: Mapping[str, Sequence[str]], catalogue: Catalogue) -> GainsQuestion:
    """The question in these parameters.

    Raises
    ------
    QueryInvalid
        With every problem; a pointer is the name of a parameter.
    """
    asked = read_chip_question(_GAINS_QUESTION, sent, catalogue, lambda _: _halves_of_pairs(sent))
    return GainsQuestion(asked.chip, asked.values.get("load", ""), _own(asked.values))


def _halves_of_pairs(sent: Mapping[str, Sequence[str]]) -> Iterator[Problem]:
    for _, stock, tuned in _OWN:
        if (stock in sent) != (tuned in sent):
            lacking = tuned if stock in sent else stock
            yield Problem(lacking, "required", "Send stock and tuned together.")


def _own(asked: Mapping[str, Any]) -> dict[OwnMeasure, OwnRuns]:
    logs = {
        name: (np.log(asked[stock]), np.log(asked[tuned]))
        for name, stock, tuned in _OWN
        if stock in asked
    }
    found = {name: _compared(*runs) for name, runs in logs.items()}
    if len(logs) == len(_OWN):
        found["performance_per_watt"] = _per_watt(logs)
    return found


def _compared(stock: Vector, tuned: Vector) -> OwnRuns:
    compared = compare_runs(stock, tuned)
    return OwnRuns(
        # Never zero, which has no logarithm.
        ratio=max(round(math.exp(compared.change), 3), 0.001),
        noise=None if compared.noise is None else round(math.expm1(compared.noise), 4),
        runs_stock=len(stock),
        runs_tuned=len(tuned),
    )


def _per_watt(logs: Mapping[OwnMeasure, tuple[Vector, Vector]]) -> OwnRuns:
    """Run by run where both were read in as many runs, else from the means."""
    pairs = [
        performance - power
        if len(performance) == len(power)
        else np.array([np.mean(performance) - np.mean(power)])
        for performance, power in zip(logs["performance"], logs["power"], strict=True)
    ]
    return _compared(*pairs)
