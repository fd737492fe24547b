"""The part of a log under load, without idle time before and after, and without the warm-up."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from kbapi.telemetry.cells import Floats
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
    """The quantity that told idle time from load; empty if the whole log is load."""
    is_level: bool
    """Whether all quantities kept their level after the warm-up."""

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


def find_load(log: Log) -> Phase:
    """The longest stretch under load, after its warm-up.

    Power tells idle time from load; without it usage, then temperature. A log without idle time is
    taken whole. The warm-up ends when each quantity has come to the level of the later half.
    """
    seconds = log.seconds
    first, last, by = 0, len(seconds), ""
    for quantity in ("power_w", "usage", "temp_c"):
        one = log.series.get(quantity)
        if one is None or np.isnan(one.values).mean() > 0.5:
            continue
        found = _stretch(one.values, log)
        if found is not None:
            first, last = found
            by = quantity
        break
    level, is_level = _level_from(log, first, last)
    return Phase(
        level,
        last,
        float(seconds[level]),
        float(seconds[last - 1]),
        float(seconds[level] - seconds[first]),
        by,
        is_level,
    )


def _points(log: Log, seconds: float) -> int:
    step = max(log.interval_s * 1.0, 1e-9)
    if len(log.seconds) > 1:
        step = max(step, float(log.seconds[-1]) / len(log.seconds) * 0.5)
    return max(1, round(seconds / step))


def _stretch(values: Floats, log: Log) -> tuple[int, int] | None:
    level = smoothed(values, min(_points(log, _SMOOTHING_S), max(len(values) // 20, 1)))
    present = level[~np.isnan(level)]
    if len(present) < 8 or np.ptp(present) == 0:
        return None
    threshold = threshold_between(present)
    low, high = present[present <= threshold], present[present > threshold]
    if not len(low) or not len(high) or np.median(high) < _CONTRAST * max(np.median(low), 1e-9):
        return None
    is_high = np.nan_to_num(level, nan=-np.inf) > threshold
    edges = np.flatnonzero(np.diff(np.concatenate(([0], is_high.astype(int), [0]))))
    stretches = [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]
    merged = [stretches[0]]
    for begin, end in stretches[1:]:
        before, after = merged[-1]
        dip_s = log.seconds[begin] - log.seconds[after - 1]
        whole_s = log.seconds[end - 1] - log.seconds[before]
        if dip_s <= max(_LONGEST_DIP_S, _LONGEST_DIP * whole_s):
            merged[-1] = (before, end)
        else:
            merged.append((begin, end))
    first, last = max(merged, key=lambda one: log.seconds[one[1] - 1] - log.seconds[one[0]])
    # Smoothing moved both ends: they lie where the numbers themselves cross.
    while first < last - 1 and not values[first] > threshold:
        first += 1
    while last > first + 1 and not values[last - 1] > threshold:
        last -= 1
    return first, last


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
    # Blocks of the width of smoothing show the noise that smoothing leaves.
    whole = len(later) // width * width
    blocks = later[:whole].reshape(-1, width)
    with np.errstate(all="ignore"):
        noise = float(np.nanstd(_block_means(blocks))) if len(blocks) > 3 else 0.0
    near = max(share * abs(level), 2.5 * noise)
    # Only what lies behind a point: a mean around it would see the later level too early.
    ahead = np.array(smoothed(values, width))
    is_far = np.abs(ahead - level) > near
    half = len(values) // 2
    far = np.flatnonzero(is_far[:half])
    if not len(far):
        return 0
    # One excursion in the later part of the phase is no warm-up.
    runs = np.flatnonzero(~is_far[:half])
    begin = int(runs[0]) if len(runs) else half
    return min(begin + width // 2, len(values) - 1)


def _block_means(blocks: Floats) -> Floats:
    present = ~np.isnan(blocks)
    count = present.sum(axis=1)
    total = np.where(present, blocks, 0.0).sum(axis=1)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)
