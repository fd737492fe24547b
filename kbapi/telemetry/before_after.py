"""One machine's own runs at stock and tuned: every measure against the noise of the runs."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from kbapi.bounds import EQUAL_PERFORMANCE, EQUAL_POWER
from kbapi.stats.gains.gains import FEWEST_RUNS, compare_runs
from kbapi.telemetry.cell_block import Floats
from kbapi.telemetry.reading import LogReading, to_wire

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
        name = self.name
        stock, tuned = float(np.mean(self.stock)), float(np.mean(self.tuned))
        values = f"{stock:.4g} at stock, {tuned:.4g} tuned"
        if self.stands_out is None:
            change = self.in_unit(self.change)
            return f"{name}: {values}, {change}. The noise between runs is unknown."
        interval = f"{self.in_unit(self.low)} to {self.in_unit(self.high)}"
        verdict = "stands out from noise" if self.stands_out else "does not stand out from noise"
        return f"{name}: {values}, {self.in_unit(self.change)} ({interval}). It {verdict}."

    @property
    def name(self) -> str:
        """The quantity as people call it."""
        return _NAMES[self.quantity]

    def in_unit(self, value: float | None) -> str:
        """A change, with its sign and unit."""
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
    has_equal_performance: bool | None
    """The same of performance, or of the clock where no performance was given."""

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
        return f"{self._at_equal(found[0])}{found[0].text}"

    def _at_equal(self, change: Change) -> str:
        if change.quantity in ("performance", "clock_mhz") and self.has_equal_power:
            return "At equal power: "
        if change.quantity in ("power_w", "temp_c", "rise_c") and self.has_equal_performance:
            return "At equal performance: "
        return ""


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
        _add_derived(side)
    shared = [name for name in _ORDER if all(name in side for side in sides)]
    changes = tuple(
        _change(name, sides[0][name], sides[1][name], _error(place, len(shared)))
        for place, name in enumerate(shared)
    )
    by_name = {one.quantity: one for one in changes}
    work = by_name.get("performance", by_name.get("clock_mhz"))
    return BeforeAfter(
        changes,
        len(stock),
        len(tuned),
        _is_equal(by_name.get("power_w"), EQUAL_POWER),
        _is_equal(work, EQUAL_PERFORMANCE),
    )


def _add_derived(side: dict[str, Floats]) -> None:
    if "performance" in side and "power_w" in side:
        side["work_per_joule"] = side["performance"] / side["power_w"]
    if "temp_c" in side and "ambient_c" in side:
        side["rise_c"] = side["temp_c"] - side["ambient_c"]


def _is_equal(change: Change | None, tolerance: float) -> bool | None:
    return None if change is None else abs(change.change) <= tolerance


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
    low, high = (None if end is None else _as_share(end, as_ratio) for end in ends)
    change = _as_share(compared.change, as_ratio)
    means = tuple(stock.tolist()), tuple(tuned.tolist())
    return Change(name, *means, change, low, high, stands_out)


def _as_share(value: float, as_ratio: bool) -> float:
    return float(np.expm1(value)) if as_ratio else value


def to_json(result: BeforeAfter) -> dict[str, Any]:
    """The comparison as JSON."""
    return {
        "summary": result.sentence,
        "runs": {"stock": result.stock_runs, "tuned": result.tuned_runs},
        "equal_power": result.has_equal_power,
        "equal_performance": result.has_equal_performance,
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


def to_document(
    result: BeforeAfter,
    stock: Sequence[LogReading],
    tuned: Sequence[LogReading],
    load: str,
    performance_unit: str,
    chip: str,
) -> dict[str, Any]:
    """A result with the readings of both states; its sender adds the settings, and the chip."""
    score = next((one for one in result.changes if one.quantity == "performance"), None)
    readings = [
        to_wire(
            runs,
            state,
            load,
            None if score is None else (float(np.mean(getattr(score, state))), performance_unit),
        )
        for state, runs in (("stock", stock), ("tuned", tuned))
    ]
    return {"chip": chip, "settings": [], "readings": readings}
