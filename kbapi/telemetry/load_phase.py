"""The part of a log under load, without idle time before and after, and without the warm-up."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from kbapi.telemetry.cell_block import Floats
from kbapi.telemetry.series import Log

_SMOOTHING_S: Final = 5.0
_CONTRAST: Final = 1.35
"""The load phase has at least so many times the level of the rest; else all of the log is load."""
_LONGEST_DIP_S: Final = 15.0
_LONGEST_DIP: Final = 0.05
"""A dip below the level may last so long, or so much of the phase, whatever is longer."""
_LEVEL_SMOOTHING_S: Final = 20.0
_LEVELS: Final = {"temp_c": 0.005, "power_w": 0.005, "clock_mhz": 0.005}
"""How near to its later level each quantity must come, as a share of it, or within its noise."""
_MOST_WARM_UP: Final = 0.5
_SHORTEST_S: Final = 60.0
_NO_CHANGE: Final = 1e-6
_LEAST_USAGE: Final = 40.0
"""In %; a load class that works less of the time is read as a whole log."""
_LEAST_LOAD_C: Final = 50.0
"""A log without any change is load if the chip is at least so hot."""
Mask = NDArray[np.bool_]


@dataclass(frozen=True)
class Phase:
    """A stretch of a log, as indices of its points, and what was cut."""

    first: int
    last: int
    """Not included."""
    begins_s: float
    ends_s: float
    warm_up_s: float
    by: str
    """The quantity that separates idle time from load; empty if the whole log is load."""
    is_level: bool
    """Whether all quantities kept their level after the warm-up."""
    others: int = 0
    """Further stretches under load, all shorter."""
    doubt: str = ""
    """Why this may be no load at all; empty where it surely is."""

    @property
    def seconds(self) -> float:
        """The length of the phase without the warm-up."""
        return self.ends_s - self.begins_s


def smoothed(values: Floats, width: int) -> Floats:
    """Moving mean over so many points, at least three where there are any; NaN are left out."""
    present = np.where(np.isnan(values), 0.0, values)
    kernel = np.ones(max(width, 1))
    total = np.convolve(present, kernel, "same")
    count = np.convolve(~np.isnan(values), kernel, "same")
    return np.where(count > 0, total / np.maximum(count, 1e-9), np.nan)


def threshold_between(values: Floats) -> float:
    """The threshold that divides values into two classes of least spread (Otsu 1979, eq. 12-14)."""
    counts, edges = np.histogram(values, 256)
    middles = (edges[:-1] + edges[1:]) / 2
    below = np.cumsum(counts)
    above = below[-1] - below
    sums = np.cumsum(counts * middles)
    with np.errstate(all="ignore"):
        between = below * above * (sums / below - (sums[-1] - sums) / above) ** 2
    between[~np.isfinite(between)] = -1.0
    best = np.flatnonzero(between >= between.max() * (1 - 1e-12))
    return float(edges[1:][best].mean())


def find_load(log: Log, *, is_whole: bool = False) -> Phase:
    """The longest stretch under load, after its warm-up; or the whole log.

    Power tells idle time from load; without it usage, clock or temperature. A log without idle
    time is taken whole, if usage or temperature show that it is load.
    """
    seconds = log.seconds
    stretches, by = [(0, len(seconds))], ""
    if not is_whole:
        for quantity in ("power_w", "usage", "clock_mhz", "temp_c"):
            one = log.series.get(quantity)
            if one is None or np.isnan(one.values).mean() > 0.5:
                continue
            if found := _stretches(one.values, log):
                stretches, by = found, quantity
                if quantity == "temp_c":
                    stretches = [_without_cooling(one.values, *ends) for ends in found]
                break
            if quantity in ("power_w", "usage"):
                break
    stretches.sort(key=lambda one: seconds[one[0]] - seconds[one[1] - 1])
    first, last = stretches[0]
    level, is_level = _level_from(log, first, last)
    others = sum(seconds[b - 1] - seconds[a] >= _SHORTEST_S for a, b in stretches[1:])
    return Phase(
        level,
        last,
        float(seconds[level]),
        float(seconds[last - 1]),
        float(seconds[level] - seconds[first]),
        by,
        is_level,
        int(others),
        "" if is_whole else _doubt(log, slice(level, last), by),
    )


def _doubt(log: Log, part: slice, by: str) -> str:
    """Why a stretch may be no load; empty where it surely is."""
    seconds = log.seconds[part]
    if len(seconds) < 2 or seconds[-1] - seconds[0] < _SHORTEST_S / 2:
        return f"No load lasts {_SHORTEST_S:g} s."
    usage, heat = log.series.get("usage"), log.series.get("temp_c")
    if usage is not None and not np.isnan(usage.values[part]).all():
        share = float(np.nanmean(usage.values[part]))
        return "" if share >= _LEAST_USAGE else f"The chip works {share:.0f} % of the time."
    if by:
        return ""
    if heat is not None and not np.isnan(heat.values[part]).all():
        warm = float(np.nanmean(heat.values[part]))
        return "" if warm >= _LEAST_LOAD_C else f"All of it is alike, with {warm:.0f} °C."
    return "All of it is alike: it may be idle time."


def _points(log: Log, seconds: float) -> int:
    step = max(log.interval_s, 1e-9)
    if len(log.seconds) > 1:
        step = max(step, float(log.seconds[-1]) / len(log.seconds) * 0.5)
    return max(1, round(seconds / step))


def _stretches(values: Floats, log: Log) -> list[tuple[int, int]]:
    """The stretches above the level that divides values; none where they are alike."""
    level = smoothed(values, min(_points(log, _SMOOTHING_S), max(len(values) // 20, 1)))
    present = level[~np.isnan(level)]
    if len(present) < 8 or np.ptp(present) <= _NO_CHANGE * abs(present).max():
        return []
    threshold = threshold_between(present)
    low, high = present[present <= threshold], present[present > threshold]
    if not len(low) or not len(high) or np.median(high) < _CONTRAST * max(np.median(low), 1e-9):
        return []
    is_there = ~np.isnan(level)
    places = np.arange(len(level))
    # A missing value is no dip.
    is_high = np.interp(places, places[is_there], level[is_there]) > threshold
    edges = np.flatnonzero(np.diff(np.concatenate(([0], is_high.astype(int), [0]))))
    stretches = [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]
    merged = [stretches[0]]
    for begin, end in stretches[1:]:
        before, after = merged[-1]
        dip_s = log.seconds[begin] - log.seconds[after - 1]
        whole_s = log.seconds[end - 1] - log.seconds[before]
        longest_s = max(_LONGEST_DIP_S, 3 * log.interval_s, _LONGEST_DIP * whole_s)
        if dip_s <= longest_s:
            merged[-1] = (before, end)
        else:
            merged.append((begin, end))
    return [_exact(values > threshold, *one) for one in merged]


def _without_cooling(values: Floats, first: int, last: int) -> tuple[int, int]:
    """The stretch until its temperature falls for good: a chip cools for a while after its load."""
    part = values[first:last]
    level, low = float(np.nanmedian(part)), float(np.nanmin(part))
    places = np.flatnonzero(part > low + 0.95 * (level - low))
    return first, (first + int(places[-1]) + 1 if len(places) else last)


def _exact(is_high: Mask, first: int, last: int) -> tuple[int, int]:
    """The ends of a stretch where the numbers themselves cross: smoothing moved them."""
    places = np.flatnonzero(is_high[first:last])
    return (first + int(places[0]), first + int(places[-1]) + 1) if len(places) else (first, last)


def _level_from(log: Log, first: int, last: int) -> tuple[int, bool]:
    """The first point at which all quantities have come to their later level."""
    seconds = log.seconds[first:last]
    if last - first < 12 or seconds[-1] - seconds[0] < _SHORTEST_S:
        return first, True
    latest = first + int(np.searchsorted(seconds - seconds[0], _MOST_WARM_UP * np.ptp(seconds)))
    begins, is_level = first, True
    for quantity, share in _LEVELS.items():
        one = log.series.get(quantity)
        if one is None:
            continue
        values = one.values[first:last]
        if np.isnan(values).mean() > 0.5:
            continue
        begin = _settles(values, log, share)
        if first + begin > latest:
            is_level = False
            begin = latest - first
        begins = max(begins, first + begin)
    return begins, is_level


def _settles(values: Floats, log: Log, share: float) -> int:
    """The first point from which on the smoothed values stay near the mean of the later half."""
    width = min(_points(log, _LEVEL_SMOOTHING_S), max(len(values) // 20, 1))
    later = values[len(values) // 2 :]
    level = float(np.nanmean(later))
    # Blocks of the width of smoothing show the noise that smoothing leaves; differences of
    # neighbours show it beside a trend.
    whole = len(later) // width * width
    blocks = later[:whole].reshape(-1, width)
    with np.errstate(all="ignore"):
        steps = np.diff(_block_means(blocks))
        noise = float(np.sqrt(np.nanmean(steps**2) / 2)) if len(blocks) > 3 else 0.0
    near = max(share * abs(level), 2.5 * noise)
    half = len(values) // 2
    is_near = np.abs(smoothed(values, width)[:half] - level) <= near
    if is_near[0]:
        return 0
    # One excursion in the later part of the phase is no warm-up.
    places = np.flatnonzero(is_near)
    begin = int(places[0]) if len(places) else half
    return min(begin + width // 2, len(values) - 1)


def _block_means(blocks: Floats) -> Floats:
    present = ~np.isnan(blocks)
    count = present.sum(axis=1)
    total = np.where(present, blocks, 0.0).sum(axis=1)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)
