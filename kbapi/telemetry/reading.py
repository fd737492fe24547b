"""A log as a reading: means with the uncertainty that autocorrelation leaves, and a report."""

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np

from kbapi.telemetry.cell_block import Floats
from kbapi.telemetry.columns import Question
from kbapi.telemetry.load_phase import Phase, find_load
from kbapi.telemetry.series import Log, Series, read_log

_THROTTLED: Final = 0.01
"""A reason is listed once it held the chip back for so much of the time."""
_DIGITS: Final = 5


@dataclass(frozen=True)
class Summary:
    """One quantity under load."""

    mean: float
    standard_error: float
    """Of the mean, from the effective number of points."""
    standard_deviation: float
    percentile_5: float
    median: float
    percentile_95: float
    highest: float
    points: int
    effective_points: float
    missing: int
    columns: tuple[str, ...]
    unit_in_log: str
    confidence: float
    recognised_by: tuple[str, ...]
    left_out: Mapping[str, int]


@dataclass(frozen=True)
class LogReading:
    """What one log tells, with the questions that are left."""

    path: Path
    summaries: Mapping[str, Summary]
    throttled: Mapping[str, float]
    """The share of the phase that each reason held the chip back."""
    energy_j: float | None
    phase: Phase
    log: Log

    @property
    def questions(self) -> Sequence[Question]:
        """What the log does not tell."""
        return self.log.questions


def effective_points(values: Floats) -> float:
    """The number of independent values that tell the mean as well as these.

    n over the integrated autocorrelation time, by the initial positive sequence (Geyer 1992,
    section 3.3).

    >>> round(effective_points(np.array([1.0, 2.0] * 50)))
    100
    """
    centred = values - values.mean()
    n = len(centred)
    if n < 4 or not centred.any():
        return float(n)
    size = 1 << (2 * n - 1).bit_length()
    spectrum = np.fft.rfft(centred, size)
    covariance = np.fft.irfft(spectrum * np.conj(spectrum), size)[: n // 2]
    correlation = covariance / covariance[0]
    even = len(correlation) // 2 * 2
    pairs = correlation[:even].reshape(-1, 2).sum(axis=1)
    negative = np.flatnonzero(pairs <= 0)
    until = int(negative[0]) if len(negative) else len(pairs)
    # Each sum is at most the one before it: noise at long lags adds nothing.
    time = 2.0 * float(np.minimum.accumulate(pairs[:until]).sum()) - 1.0
    return float(np.clip(n / max(time, 1.0), 1.0, n))


def read_reading(
    path: Path, given: Mapping[str, str], *, graphics: bool = False, is_whole: bool = False
) -> LogReading:
    """The reading of a log under load, or of the whole log.

    Where it is in doubt that there is a load, the reading has no values but a question.

    Raises
    ------
    UnreadableLog
        When there is no table, or no row has a time.
    LookupError
        When no column has a name that was given.
    OSError
        When the file cannot be read.
    """
    log = read_log(path, given, graphics=graphics)
    phase = find_load(log, is_whole=is_whole)
    if phase.others:
        log.notes.append(f"{phase.others + 1} load phases; the longest is taken.")
    if phase.doubt:
        text = f"{phase.doubt} If it is load all the same, read the --whole log."
        log.questions.append(Question("load", text))
        return LogReading(path, {}, {}, None, phase, log)
    part = slice(phase.first, phase.last)
    summaries = {}
    for quantity, one in log.series.items():
        if quantity != "usage" and (summary := _summary(one, part)) is not None:
            summaries[quantity] = summary
    throttled = {
        reason: round(float(np.mean(share[part])), 4) for reason, share in log.throttled.items()
    }
    power = log.series.get("power_w")
    energy = None if power is None else _energy_j(log.seconds[part], power.values[part])
    return LogReading(path, summaries, throttled, energy, phase, log)


def _summary(one: Series, part: slice) -> Summary | None:
    values, highest = one.values[part], one.highest[part]
    present = values[~np.isnan(values)]
    if not len(present):
        return None
    effective = effective_points(present)
    deviation = float(np.std(present, ddof=1)) if len(present) > 1 else 0.0
    low, median, high = np.percentile(present, (5, 50, 95))
    return Summary(
        float(present.mean()),
        deviation / float(np.sqrt(effective)),
        deviation,
        float(low),
        float(median),
        float(high),
        float(np.nanmax(highest)),
        len(present),
        effective,
        int(len(values) - len(present)),
        one.columns,
        one.unit,
        one.confidence,
        one.reasons,
        dict(one.missing),
    )


def _energy_j(seconds: Floats, watts: Floats) -> float | None:
    """Energy by trapezoids (a gap holds the mean of its ends), None without two values."""
    there = ~np.isnan(watts)
    if there.sum() < 2:
        return None
    return float(np.trapezoid(watts[there], seconds[there]))


def to_wire(
    readings: Sequence[LogReading],
    state: str,
    load: str,
    performance: tuple[float, str] | None = None,
) -> dict[str, Any]:
    """The reading of a submission, of one or several runs: the mean of the runs, and their number.

    A quantity that one of the runs lacks, or measures with another sensor, is left out.
    """
    found: dict[str, Any] = {"state": state, "load": load, "runs": len(readings)}
    found["runs_summary"] = "mean"
    found["minutes"] = _rounded(float(np.mean([one.phase.seconds for one in readings])) / 60)
    names = {"power_w": "power_w", "power_cap_w": "power_cap_w", "clock_mhz": "clock_mhz"}
    names |= {"temp_c": "temp_avg_c", "ambient_c": "ambient_c"}
    for quantity, name in names.items():
        if all(quantity in one.summaries for one in readings) and _is_alike(readings, quantity):
            means = [one.summaries[quantity].mean for one in readings]
            found[name] = _rounded(float(np.mean(means)))
    scopes = {quantity: _scope(readings[0], quantity) for quantity in names}
    if "power_w" in found:
        found["power_scope"] = scopes["power_w"]
    if "clock_mhz" in found:
        if scopes["clock_mhz"]:
            found["clock_kind"] = scopes["clock_mhz"]
        spreads = [one.summaries["clock_mhz"].standard_deviation for one in readings]
        found["clock_spread_mhz"] = _rounded(float(np.mean(spreads)))
    if "temp_avg_c" in found:
        found["temp_max_c"] = _rounded(max(one.summaries["temp_c"].highest for one in readings))
        found["temp_sensor"] = scopes["temp_c"]
    if performance is not None:
        found["performance"], found["performance_unit"] = performance
    reasons = {
        reason for one in readings for reason, share in one.throttled.items() if share >= _THROTTLED
    }
    if reasons:
        found["throttle_reasons"] = sorted(reasons)
    return found


def _is_alike(readings: Sequence[LogReading], quantity: str) -> bool:
    return len({_scope(one, quantity) for one in readings}) == 1


def _scope(reading: LogReading, quantity: str) -> str:
    one = reading.log.series.get(quantity)
    return "" if one is None else one.scope


def _rounded(value: float) -> float:
    return float(f"{value:.{_DIGITS}g}")


def report(one: LogReading) -> dict[str, Any]:
    """Everything that was done to a log: columns, rows that were left out, the phase, questions."""
    log, phase = one.log, one.phase
    return {
        "file": one.path.name,
        "rows": log.rows,
        "rows_left_out": dict(log.dropped),
        "lines_left_out": log.dropped_lines[:50],
        "interval_s": _rounded(log.interval_s),
        "gaps": log.gaps,
        "phase": {
            "begins_s": _rounded(phase.begins_s),
            "ends_s": _rounded(phase.ends_s),
            "warm_up_s": _rounded(phase.warm_up_s),
            "found_by": phase.by or None,
            "is_level": phase.is_level,
        },
        "quantities": {name: asdict(summary) for name, summary in one.summaries.items()},
        "throttled": dict(one.throttled),
        "energy_j": None if one.energy_j is None else _rounded(one.energy_j),
        "notes": list(dict.fromkeys(log.notes)),
        "questions": [asdict(question) for question in log.questions],
        "columns_not_used": log.unused,
    }
