"""Whether anything shows that a setting changed something: stated, measured, or failed deeper."""

from kbapi import bounds
from kbapi.intake.documents import Reading, SubmittedResult, SubmittedSetting
from kbapi.intake.pairs import ReadingPair, is_equal, pairs_of, ratio
from kbapi.intake.trials import failure_is_own
from kbapi.stats.physics import clock_ratio_range, power_ratio_range
from kbapi.vocabulary import LOCKED_STATUSES


def is_locked(setting: SubmittedSetting, result: SubmittedResult) -> bool:
    """Whether the same document says that this control can't be used on one of these domains."""
    return any(
        lock.status in LOCKED_STATUSES
        and lock.control == setting.control
        and lock.domain in setting.domains
        for lock in result.locks
    )


def is_effect_proven(setting: SubmittedSetting, result: SubmittedResult) -> bool:
    """Whether the document shows that the setting changed anything."""
    return (
        _failed_deeper(setting, result)
        or _reads_back(setting)
        or _is_stated(setting)
        or _is_measured(setting, result)
    )


def _failed_deeper(setting: SubmittedSetting, result: SubmittedResult) -> bool:
    # That something deeper failed shows that the control does something, unless it is locked.
    return failure_is_own(setting, result) and not is_locked(setting, result)


def _is_stated(setting: SubmittedSetting) -> bool:
    if setting.effect is None:
        return False
    if setting.effect.shown_by == "rail_voltage":
        return setting.effect.rail_mv is not None
    # A read-back needs its number, a failure its setting: both are looked at by themselves.
    return setting.effect.shown_by in ("less_power", "more_clock")


def _reads_back(setting: SubmittedSetting) -> bool:
    """Whether what was read back is one of the settings that were asked for."""
    if setting.read_back is None:
        return False
    tolerance = (
        bounds.READ_BACK_TOLERANCE_COUNTS
        if setting.control == "count_offset"
        else bounds.READ_BACK_TOLERANCE_MV
    )
    asked_for = (setting.stable_at, setting.in_use)
    return any(
        value is not None
        and setting.below_stock(value) != 0
        and abs(value - setting.read_back)
        <= min(tolerance, abs(setting.below_stock(value) or 0) / 2)
        for value in asked_for
    )


def _is_measured(setting: SubmittedSetting, result: SubmittedResult) -> bool:
    """Whether readings show less power at equal clock or more clock at equal power."""
    for pair in pairs_of(result.readings):
        depth = depth_in(pair.tuned, setting)
        if depth is not None and depth > 0 and _shows_effect(pair, depth, setting.control):
            return True
    return False


def depth_in(reading: Reading, setting: SubmittedSetting) -> float | None:
    """How far below stock the setting was in a tuned reading; None when it was not in force."""
    told = {one.domain: one.value for one in reading.settings if one.control == setting.control}
    values = {told.get(domain) for domain in setting.domains}
    value = values.pop() if len(values) == 1 else None
    if not reading.settings:
        value = setting.in_use if setting.in_use is not None else setting.stable_at
    return None if value is None else setting.below_stock(value)


def _shows_effect(pair: ReadingPair, depth: float, control: str) -> bool:
    power = ratio(pair.tuned.power_w, pair.stock.power_w)
    clock = ratio(pair.tuned.clock_mhz, pair.stock.clock_mhz)
    if power is None or clock is None:
        return False
    # Counts are never millivolts: for them only the size that any offset can have is asked for.
    in_mv = control != "count_offset"
    least, most = power_ratio_range(depth) if in_mv else (bounds.LEAST_POWER_RATIO, 1.0)
    if is_equal(pair.stock.clock_mhz, pair.tuned.clock_mhz, bounds.EQUAL_CLOCK):
        return least <= power <= min(most, 1 - bounds.POWER_NOISE)
    if is_equal(pair.stock.power_w, pair.tuned.power_w, bounds.EQUAL_POWER):
        slow, fast = clock_ratio_range(depth) if in_mv else (1.0, 1 / bounds.LEAST_POWER_RATIO)
        return max(slow, 1 + bounds.CLOCK_NOISE) <= clock <= fast
    return False
