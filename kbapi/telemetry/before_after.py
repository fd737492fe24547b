"""One machine's own runs at stock and tuned: every measure against the noise of the runs."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from kbapi.bounds import EQUAL_POWER
from kbapi.stats.gains.gains import FEWEST_RUNS, compare_runs
from kbapi.telemetry.cells import Floats
from kbapi.telemetry.reading import LogReading

_FIRST_ERROR: Final = 0.03
_ERROR_OF_THE_REST: Final = 0.015
"""The chance of a difference without any change: of the first measure, and of all others together.

They add to less than 0.05 (Bonferroni): most people change settings for the first measure."""
_ORDER: Final = ("performance", "work_per_joule", "power_w", "clock_mhz", "temp_c", "rise_c")
_AS_DIFFERENCE: Final = frozenset({"temp_c", "rise_c"})
_NAMES: Final = {
    "performance": "Performance",
    "work_per_joule": "Performance per watt",
    "power_w": "Power",
    "clock_mhz": "Clock",
    "temp_c": "Temperature",
    "rise_c": "Temperature above ambient",
}


@dataclass(frozen=True)
class Change:
    """One measure, tuned beside stock."""

    quantity: str
    stock: tuple[float, ...]
    """The mean of each run."""
    tuned: tuple[float, ...]
    change: float
    """A share of stock, or °C for temperatures."""
    low: float | None
    high: float | None
    """None with fewer than three runs either way: the noise between runs is unknown."""
    stands_out: bool | None

    @property
    def is_difference(self) -> bool:
        """Whether the change is in °C."""
        return self.quantity in _AS_DIFFERENCE

    @property
    def text(self) -> str:
        """The change in one sentence."""
        name = _NAMES[self.quantity]
        stock, tuned = float(np.mean(self.stock)), float(np.mean(self.tuned))
        values = f"{stock:.4g} at stock, {tuned:.4g} tuned"
        if self.stands_out is None:
            return f"{name}: {values}, {self._in_unit(self.change)}. The noise between runs is unknown."
        interval = f"{self._in_unit(self.low)} to {self._in_unit(self.high)}"
        verdict = "stands out from noise" if self.stands_out else "does not stand out from noise"
        return f"{name}: {values}, {self._in_unit(self.change)} ({interval}). It {verdict}."

    def _in_unit(self, value: float | None) -> str:
        shown = value or 0.0
        return f"{shown:+.1f} °C" if self.is_difference else f"{100 * shown:+.1f} %"


@dataclass(frozen=True)
class BeforeAfter:
    """All measures that both sides have, and what can be said of them together."""

    changes: tuple[Change, ...]
    stock_runs: int
    tuned_runs: int
    has_equal_power: bool | None
    """Whether power was within the tolerance of equal power; None where it was not measured."""

    @property
    def knows_noise(self) -> bool:
        """Whether there are enough runs to know how much they differ by themselves."""
        return min(self.stock_runs, self.tuned_runs) >= FEWEST_RUNS

    @property
    def sentence(self) -> str:
        """The result in one or two sentences."""
        if not self.changes:
            return "The logs have no measure in common."
        if not self.knows_noise:
            return (
                f"{self.changes[0].text} Record at least {FEWEST_RUNS} runs at stock and "
                f"{FEWEST_RUNS} tuned, in turns, to know how much runs differ by themselves."
            )
        found = [one for one in self.changes if one.stands_out]
        if not found:
            return "There is no difference that stands out from noise."
        first = found[0]
        at_equal = ""
        if first.quantity in ("performance", "clock_mhz") and self.has_equal_power:
            at_equal = " At equal power:"
        return f"{at_equal} {first.text}".strip()


def compare(
    stock: Sequence[LogReading],
    tuned: Sequence[LogReading],
    performance: tuple[Sequence[float], Sequence[float]] | None = None,
) -> BeforeAfter:
    """The changes from runs at stock to runs tuned, in the order of what matters most.

    `performance` holds a score for each run, if the logs have no rate of work.

    Raises
    ------
    ValueError
        When there is no run on a side, or not one score for each run.
    """
    if not stock or not tuned:
        raise ValueError("at least one run at stock and one tuned")
    sides = _means(stock), _means(tuned)
    if performance is not None:
        if (len(performance[0]), len(performance[1])) != (len(stock), len(tuned)):
            raise ValueError("one performance for each run")
        for side, scores in zip(sides, performance, strict=True):
            side["performance"] = np.asarray(scores, float)
    for side in sides:
        if "performance" in side and "power_w" in side:
            side["work_per_joule"] = side["performance"] / side["power_w"]
        if "temp_c" in side and "ambient_c" in side:
            side["rise_c"] = side["temp_c"] - side["ambient_c"]
    shared = [name for name in _ORDER if all(name in side for side in sides)]
    changes = tuple(
        _change(name, sides[0][name], sides[1][name], _error(place, len(shared)))
        for place, name in enumerate(shared)
    )
    power = next((one for one in changes if one.quantity == "power_w"), None)
    is_equal = None if power is None else abs(power.change) <= EQUAL_POWER
    return BeforeAfter(changes, len(stock), len(tuned), is_equal)


def _error(place: int, measures: int) -> float:
    if measures == 1:
        return _FIRST_ERROR + _ERROR_OF_THE_REST
    return _FIRST_ERROR if place == 0 else _ERROR_OF_THE_REST / (measures - 1)


def _means(readings: Sequence[LogReading]) -> dict[str, Floats]:
    """The mean of each run, for quantities that every run measures in the same way."""
    found = {}
    for name in readings[0].summaries:
        scopes = {one.log.series[name].scope if name in one.summaries else None for one in readings}
        if len(scopes) == 1 and None not in scopes:
            found[name] = np.array([one.summaries[name].mean for one in readings])
    return found


def _change(name: str, stock: Floats, tuned: Floats, error: float) -> Change:
    as_ratio = name not in _AS_DIFFERENCE
    before, after = (np.log(stock), np.log(tuned)) if as_ratio else (stock, tuned)
    compared = compare_runs(before, after, error)
    ends = (
        (None, None)
        if compared.noise is None
        else (compared.change - compared.noise, compared.change + compared.noise)
    )
    stands_out = None if compared.noise is None else abs(compared.change) > compared.noise
    change, low, high = (
        float(np.expm1(value)) if as_ratio and value is not None else value
        for value in (compared.change, *ends)
    )
    assert change is not None
    return Change(name, tuple(stock), tuple(tuned), change, low, high, stands_out)


def to_json(result: BeforeAfter) -> dict[str, Any]:
    """The comparison as JSON."""
    return {
        "summary": result.sentence,
        "runs": {"stock": result.stock_runs, "tuned": result.tuned_runs},
        "equal_power": result.has_equal_power,
        "changes": [
            {
                "quantity": one.quantity,
                "stock": list(one.stock),
                "tuned": list(one.tuned),
                "change": one.change,
                "unit": "c" if one.is_difference else "share",
                "interval": None if one.low is None else [one.low, one.high],
                "stands_out": one.stands_out,
                "text": one.text,
            }
            for one in result.changes
        ],
    }
