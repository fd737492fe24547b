"""Screening of one setting: ordered rules that decide whether it counts, and proof of effect.

Pure: a setting, its document and its grid give a screened setting.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, Literal

from kbapi import bounds
from kbapi.documents.measurements import (
    Reading,
    ReadingPair,
    Trial,
    rise_c,
)
from kbapi.documents.results import SubmittedResult, SubmittedSetting
from kbapi.documents.runs import failure_is_own, runs_behind_pass
from kbapi.stats.gains.physics import clock_ratio_range, expected_cooling_c, power_ratio_range
from kbapi.stats.intervals import Grid
from kbapi.vocabulary import GRADES, LOCKED_STATUSES, Grade, ScreeningStatus


def is_locked(setting: SubmittedSetting, result: SubmittedResult) -> bool:
    """Whether the same document reports this control as locked on one of these domains."""
    return any(
        lock.status in LOCKED_STATUSES
        and lock.control == setting.control
        and lock.domain in setting.domains
        for lock in result.locks
    )


def is_effect_proven(setting: SubmittedSetting, result: SubmittedResult) -> bool:
    """Whether the document shows that the setting took effect."""
    return (
        _failed_deeper(setting, result)
        or _reads_back(setting)
        or _is_stated(setting)
        or _is_measured(setting, result)
    )


def _failed_deeper(setting: SubmittedSetting, result: SubmittedResult) -> bool:
    # A failure of a deeper setting shows that the control takes effect, unless it is locked.
    return failure_is_own(setting, result) and not is_locked(setting, result)


def _is_stated(setting: SubmittedSetting) -> bool:
    if setting.effect is None:
        return False
    if setting.effect.shown_by == "rail_voltage":
        return setting.effect.rail_mv is not None
    # A read-back needs its number, a failure its setting: other functions check both.
    return setting.effect.shown_by in ("less_power", "more_clock")


def _reads_back(setting: SubmittedSetting) -> bool:
    """Whether the read-back is near one of the requested settings."""
    if setting.read_back is None:
        return False
    tolerance = (
        bounds.READ_BACK_TOLERANCE_COUNTS
        if setting.control == "count_offset"
        else bounds.READ_BACK_TOLERANCE_MV
    )
    requested = (setting.stable_at, setting.in_use)
    return any(
        value is not None
        and setting.below_stock(value) != 0
        and abs(value - setting.read_back)
        <= min(tolerance, abs(setting.below_stock(value) or 0) / 2)
        for value in requested
    )


def _is_measured(setting: SubmittedSetting, result: SubmittedResult) -> bool:
    """Whether readings show less power at equal clock or more clock at equal power."""
    for tuned, pairs in result.comparisons:
        depth = depth_in(tuned, setting) if pairs else None
        if depth is not None and depth > 0 and _show_effect(pairs, depth, setting.control):
            return True
    return False


def depth_in(reading: Reading, setting: SubmittedSetting) -> float | None:
    """How far below stock the setting was in a tuned reading; None if it was not in force."""
    in_force = {one.domain: one.value for one in reading.settings if one.control == setting.control}
    values = {in_force.get(domain) for domain in setting.domains}
    value = values.pop() if len(values) == 1 else None
    if not reading.settings:
        value = setting.in_use if setting.in_use is not None else setting.stable_at
    return None if value is None else setting.below_stock(value)


def _show_effect(pairs: tuple[ReadingPair, ...], depth: float, control: str) -> bool:
    # A count is not a known number of millivolts, so only a general range of effects applies.
    in_mv = control != "count_offset"
    least, most = power_ratio_range(depth) if in_mv else (bounds.LEAST_POWER_RATIO, 1.0)
    slow, fast = clock_ratio_range(depth) if in_mv else (1.0, 1 / bounds.LEAST_POWER_RATIO)
    for pair in pairs:
        power, clock = pair.power_ratio, pair.clock_ratio
        if power is None or clock is None:
            continue
        if pair.has_equal_clock:
            if least <= power <= min(most, 1 - bounds.POWER_NOISE):
                return True
        elif pair.has_equal_power and max(slow, 1 + bounds.CLOCK_NOISE) <= clock <= fast:
            return True
    return False


Weight = Literal["excluded", "unverified", "remark"]


@dataclass(frozen=True, slots=True)
class ScreeningRule:
    """A named rule: its effect on a setting, and the sentence for the sender."""

    code: str
    weight: Weight
    sentence: str
    applies: Callable[[SubmittedSetting, SubmittedResult], bool]


@dataclass(frozen=True, slots=True)
class ScreenedSetting:
    """A setting in whole grid steps below stock, with its status."""

    setting: SubmittedSetting
    status: ScreeningStatus
    reasons: tuple[str, ...]
    """Rule codes, the headline first."""
    grade: Grade
    loads: tuple[str, ...]
    """Load classes that passed, by the setting itself or by its runs."""
    stable_steps: int | None
    unstable_steps: int | None
    early_stop_steps: int


def grade_of(setting: SubmittedSetting, runs: tuple[Trial, ...] = ()) -> Grade:
    """How strongly stable_at was tested: the stronger of the setting's fields and its runs."""
    stated = _grade(setting.minutes or 0, setting.loads, bool(setting.checked_results))
    seconds = sum(run.seconds or 0 for run in runs)
    loads = tuple({run.load for run in runs if run.load is not None})
    shown = _grade(seconds / 60, loads, any(run.checked_results for run in runs))
    return max(stated, shown, key=GRADES.index)


def _graded(setting: SubmittedSetting, result: SubmittedResult) -> Grade:
    return grade_of(setting, runs_behind_pass(setting, result))


def _grade(minutes: float, loads: tuple[str, ...], checked_results: bool) -> Grade:
    if minutes >= bounds.LONG_LEAST_MINUTES and (checked_results or len(loads) >= 2):
        return "long"
    return "quick" if minutes >= bounds.QUICK_LEAST_MINUTES else "short"


def _beyond_soft_bound(setting: SubmittedSetting, _: SubmittedResult) -> bool:
    soft = bounds.DEPTH_BOUNDS[setting.control, setting.domain].soft
    ends = (setting.stable_at, setting.unstable_at)
    depths = [setting.below_stock(end) for end in ends if end is not None]
    return any(depth is not None and depth > soft for depth in depths)


def _stock_mv_missing(setting: SubmittedSetting, _: SubmittedResult) -> bool:
    return setting.control == "fixed_clock_voltage" and setting.stock_mv is None


def _not_on_this_chip(setting: SubmittedSetting, _: SubmittedResult) -> bool:
    return setting.is_foreign


def _fails_at_stock(setting: SubmittedSetting, _: SubmittedResult) -> bool:
    return setting.unstable_at is not None and setting.below_stock(setting.unstable_at) == 0


def _stock_unproven(setting: SubmittedSetting, result: SubmittedResult) -> bool:
    return setting.stable_at is None and not any(stock.minutes for stock in result.stock_passed)


def _short_test_alone(setting: SubmittedSetting, result: SubmittedResult) -> bool:
    return setting.unstable_at is None and _graded(setting, result) == "short"


def _short_test(setting: SubmittedSetting, result: SubmittedResult) -> bool:
    has_both_ends = setting.stable_at is not None and setting.unstable_at is not None
    return has_both_ends and _graded(setting, result) == "short"


def _failure_shared(setting: SubmittedSetting, result: SubmittedResult) -> bool:
    return setting.unstable_at is not None and not failure_is_own(setting, result)


def _failure_shared_alone(setting: SubmittedSetting, result: SubmittedResult) -> bool:
    no_pass = setting.stable_at is None or _graded(setting, result) == "short"
    return no_pass and _failure_shared(setting, result)


def _temperature_implausible(setting: SubmittedSetting, result: SubmittedResult) -> bool:
    return any(
        (depth_in(tuned, setting) or 0) > 0
        for tuned, pairs in result.comparisons
        if any(map(_cooled_too_much, pairs))
    )


def _cooled_too_much(pair: ReadingPair) -> bool:
    power = pair.power_ratio
    ambient = pair.stock.ambient_c
    # A regulated fan explains a change in either direction.
    if power is None or ambient is None or "auto" in (pair.stock.fan, pair.tuned.fan):
        return False
    for name in ("temp_avg_c", "temp_max_c"):
        rise = rise_c(pair, name)
        if rise is not None:
            expected: float = expected_cooling_c(getattr(pair.stock, name), ambient, power)
            explained = bounds.MOST_OF_EXPECTED_COOLING * max(expected, 0)
            return -rise > max(explained, bounds.EXPECTED_COOLING_FLOOR_C)
    return False


def _effect_unproven(setting: SubmittedSetting, result: SubmittedResult) -> bool:
    return not is_effect_proven(setting, result)


CONTRADICTED_BY_FAILURE: Final = "contradicted_by_failure"
REFUSED_BY_CURRENT_RULES: Final = "refused_by_current_rules"
LATER_REMARKS: Final = {
    CONTRADICTED_BY_FAILURE: "A follow-up or another result of this unit failed at this "
    "setting or at a shallower one. That failure counts; this pass does not.",
    REFUSED_BY_CURRENT_RULES: "Earlier rules accepted this result; the current rules refuse it. "
    "Withdraw it and send a corrected one.",
}
"""Codes that later results of the unit, or later rules, add to a stored setting."""

SCREENING_RULES: Final = (
    ScreeningRule(
        "beyond_soft_bound",
        "excluded",
        "Few chips run this deep. The setting counts when a curator includes it. Proof of effect "
        "and a failure beyond it help.",
        _beyond_soft_bound,
    ),
    ScreeningRule(
        "control_locked",
        "excluded",
        "The same document reports this control as locked. A locked control ignores the request, "
        "so nothing was tested. Correct the setting or the lock report.",
        is_locked,
    ),
    ScreeningRule(
        "stock_mv_missing",
        "excluded",
        "The depth of a fixed voltage needs the stock voltage at that clock. Send stock_mv as "
        "well.",
        _stock_mv_missing,
    ),
    ScreeningRule(
        "not_on_this_chip",
        "excluded",
        "The catalogue lists no such supply rail (domain) or control for this chip. See "
        "/v1/chips/{chip}, or tell the host that the catalogue is wrong.",
        _not_on_this_chip,
    ),
    ScreeningRule(
        "fails_at_stock",
        "excluded",
        "A machine that fails at stock has a fault. Stop, set everything back to stock and ask "
        "qualified people.",
        _fails_at_stock,
    ),
    ScreeningRule(
        "only_short_test",
        "excluded",
        "The test ran for less than ten minutes, or its length is missing. Test for ten minutes "
        "or more, or until the setting fails.",
        _short_test_alone,
    ),
    ScreeningRule(
        "only_failure_not_isolated",
        "excluded",
        "The setting failed while another untested setting was in force. No tested pass is left. "
        "Test this setting alone.",
        _failure_shared_alone,
    ),
    ScreeningRule(
        "temperature_implausible",
        "excluded",
        "The temperature fell more than the saved power explains. Cooler air, a faster fan or a "
        "cleaned cooler can cause this. Measure stock and tuned again under equal conditions.",
        _temperature_implausible,
    ),
    ScreeningRule(
        "effect_unproven",
        "unverified",
        "The result has no proof that the setting had an effect. A locked machine ignores the "
        "request and passes at any setting. Send the read-back or another effect.",
        _effect_unproven,
    ),
    ScreeningRule(
        "short_test",
        "remark",
        "The test ran for less than ten minutes, or its length is missing. The failure counts; "
        "the pass does not.",
        _short_test,
    ),
    ScreeningRule(
        "stock_unproven",
        "remark",
        "The first setting failed, and no test at stock passed. The failure counts as a tenth of "
        "a machine. Test at stock and send stock_passed.",
        _stock_unproven,
    ),
    ScreeningRule(
        "failure_not_isolated",
        "remark",
        "The setting failed while another untested setting was in force. The pass counts; the "
        "failure does not.",
        _failure_shared,
    ),
)


def screen_setting(
    setting: SubmittedSetting, result: SubmittedResult, grid: Grid
) -> ScreenedSetting:
    """The setting's status by all rules, and its ends on the grid."""
    applying = [rule for rule in SCREENING_RULES if rule.applies(setting, result)]
    stable_counts = not any(rule.code == "short_test" for rule in applying)
    failure_counts = failure_is_own(setting, result)
    stable_steps, unstable_steps = _ends_in_steps(setting, grid)
    return ScreenedSetting(
        setting=setting,
        status=_status_of(applying),
        reasons=tuple(rule.code for rule in applying),
        grade=_graded(setting, result),
        loads=_loads_behind(setting, result),
        stable_steps=stable_steps if stable_counts else None,
        unstable_steps=unstable_steps if failure_counts else None,
        early_stop_steps=0 if failure_counts else _early_stop_steps(setting, grid),
    )


def _loads_behind(setting: SubmittedSetting, result: SubmittedResult) -> tuple[str, ...]:
    shown = {run.load for run in runs_behind_pass(setting, result) if run.load is not None}
    return tuple(sorted(shown.union(setting.loads)))


def _status_of(applying: list[ScreeningRule]) -> ScreeningStatus:
    weights = {rule.weight for rule in applying}
    if "excluded" in weights:
        return "excluded"
    return "unverified" if "unverified" in weights else "counted"


def _ends_in_steps(setting: SubmittedSetting, grid: Grid) -> tuple[int | None, int | None]:
    stable = None if setting.stable_at is None else setting.below_stock(setting.stable_at)
    unstable = None if setting.unstable_at is None else setting.below_stock(setting.unstable_at)
    stable_steps = None if stable is None else grid.stable_steps(stable)
    # A failure is never at stock itself, and never at the step that passed.
    unstable_steps = (
        None if unstable is None else max(grid.unstable_steps(unstable), (stable_steps or 0) + 1)
    )
    return stable_steps, unstable_steps


def _early_stop_steps(setting: SubmittedSetting, grid: Grid) -> int:
    """By how many steps a pass without its own failure counts shallower.

    People stop when a machine becomes unreliable, unless they reach the planned end.
    """
    if setting.stable_at is None:
        return 0
    if setting.planned_end is not None and setting.planned_end >= setting.stable_at:
        return 0
    assumed = (
        bounds.ASSUMED_STEP_COUNTS if setting.control == "count_offset" else bounds.ASSUMED_STEP_MV
    )
    return max(1, grid.stable_steps(assumed))
