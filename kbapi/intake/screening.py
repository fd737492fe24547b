"""What a sound setting counts for: counted, claimed or set aside, with every reason that applies.

Pure: a setting, its document and its grid in, a screened setting out.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, Literal

from kbapi import bounds
from kbapi.intake.documents import SubmittedResult, SubmittedSetting
from kbapi.stats.grid import Grid
from kbapi.vocabulary import Grade

Status = Literal["counted", "claimed", "set_aside"]
Weight = Literal["set_aside", "claim", "remark"]


@dataclass(frozen=True, slots=True)
class ScreeningRule:
    """A named rule: what it does to a setting, and the sentence for the person who sent it."""

    code: str
    weight: Weight
    sentence: str
    applies: Callable[[SubmittedSetting, SubmittedResult], bool]


@dataclass(frozen=True, slots=True)
class ScreenedSetting:
    """A setting in whole grid steps below stock, with its standing."""

    setting: SubmittedSetting
    status: Status
    reasons: tuple[str, ...]
    """Rule codes, the headline first."""
    grade: Grade
    stable_steps: int | None
    unstable_steps: int | None
    early_stop_steps: int


def grade_of(setting: SubmittedSetting) -> Grade:
    """The strength of the testing behind stable_at, as far as one document can tell."""
    minutes = setting.minutes or 0
    if minutes >= bounds.SESSION_LEAST_MINUTES and (
        setting.checked_results or len(setting.loads) >= 2
    ):
        return "session"
    return "quick" if minutes >= bounds.QUICK_LEAST_MINUTES else "short"


def _beyond_soft_bound(setting: SubmittedSetting, _: SubmittedResult) -> bool:
    soft = bounds.depth_bound(setting.control, setting.domain).soft
    ends = (setting.stable_at, setting.unstable_at)
    depths = [setting.below_stock(end) for end in ends if end is not None]
    return any(depth is not None and depth > soft for depth in depths)


def _stock_mv_missing(setting: SubmittedSetting, _: SubmittedResult) -> bool:
    return setting.control == "fixed_clock_voltage" and setting.stock_mv is None


def _stock_unproven(setting: SubmittedSetting, result: SubmittedResult) -> bool:
    return setting.stable_at is None and not any(stock.minutes for stock in result.stock_passed)


def _short_test_alone(setting: SubmittedSetting, _: SubmittedResult) -> bool:
    return setting.unstable_at is None and grade_of(setting) == "short"


def _short_test(setting: SubmittedSetting, _: SubmittedResult) -> bool:
    both_told = setting.stable_at is not None and setting.unstable_at is not None
    return both_told and grade_of(setting) == "short"


def _effect_unproven(setting: SubmittedSetting, _: SubmittedResult) -> bool:
    # That something deeper failed shows that the control does something.
    if setting.unstable_at is not None:
        return False
    if _reads_back(setting):
        return False
    if setting.effect is None:
        return True
    if setting.effect.shown_by == "rail_voltage":
        return setting.effect.rail_mv is None
    return setting.effect.shown_by in ("read_back", "failed_deeper")


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


SCREENING_RULES: Final = (
    ScreeningRule(
        "beyond_soft_bound",
        "set_aside",
        "Hardly any chip runs this deep. It is kept, and counts once someone who looks after this "
        "instance has looked at it; proof of effect and the failure beyond it help.",
        _beyond_soft_bound,
    ),
    ScreeningRule(
        "stock_mv_missing",
        "set_aside",
        "Without this unit's own stock voltage at that clock nobody can say how deep this is: send "
        "stock_mv as well.",
        _stock_mv_missing,
    ),
    ScreeningRule(
        "stock_unproven",
        "set_aside",
        "The first setting failed and nothing shows that the machine is sound at stock: test at "
        "stock and send stock_passed.",
        _stock_unproven,
    ),
    ScreeningRule(
        "short_test_alone",
        "set_aside",
        "Less than ten minutes of testing, or none told, shows little: test for ten minutes or "
        "more, or go on until it fails.",
        _short_test_alone,
    ),
    ScreeningRule(
        "effect_unproven",
        "claim",
        "Nothing shows that the setting changed anything: a locked machine ignores the request and "
        "passes at any setting. Send what was read back, or another effect.",
        _effect_unproven,
    ),
    ScreeningRule(
        "short_test",
        "remark",
        "Less than ten minutes of testing, or none told: the failure counts, the setting that "
        "passed does not.",
        _short_test,
    ),
)


def screen_setting(
    setting: SubmittedSetting, result: SubmittedResult, grid: Grid
) -> ScreenedSetting:
    """The setting's standing under all rules, and its ends on the grid."""
    applying = [rule for rule in SCREENING_RULES if rule.applies(setting, result)]
    stable_counts = not any(rule.code == "short_test" for rule in applying)
    stable_steps, unstable_steps = _ends_in_steps(setting, grid)
    return ScreenedSetting(
        setting=setting,
        status=_status_of(applying),
        reasons=tuple(rule.code for rule in applying),
        grade=grade_of(setting),
        stable_steps=stable_steps if stable_counts else None,
        unstable_steps=unstable_steps,
        early_stop_steps=_early_stop_steps(setting, grid),
    )


def _status_of(applying: list[ScreeningRule]) -> Status:
    weights = {rule.weight for rule in applying}
    if "set_aside" in weights:
        return "set_aside"
    return "claimed" if "claim" in weights else "counted"


def _ends_in_steps(setting: SubmittedSetting, grid: Grid) -> tuple[int | None, int | None]:
    stable = None if setting.stable_at is None else setting.below_stock(setting.stable_at)
    unstable = None if setting.unstable_at is None else setting.below_stock(setting.unstable_at)
    stable_steps = None if stable is None else grid.stable_steps(stable)
    # A failure is never booked at stock itself, and never on the step that passed.
    unstable_steps = (
        None if unstable is None else max(grid.unstable_steps(unstable), (stable_steps or 0) + 1)
    )
    return stable_steps, unstable_steps


def _early_stop_steps(setting: SubmittedSetting, grid: Grid) -> int:
    """How many steps a pass without a failure is counted shallower.

    People stop when it begins to feel wrong, unless they have arrived where they meant to go.
    """
    if setting.stable_at is None or setting.unstable_at is not None:
        return 0
    if setting.planned_end is not None and setting.planned_end >= setting.stable_at:
        return 0
    untold = (
        bounds.UNTOLD_STEP_COUNTS if setting.control == "count_offset" else bounds.UNTOLD_STEP_MV
    )
    return max(1, grid.stable_steps(untold))
