"""How a follow-up counts: a dated failure, a setting in use, or a record without effect.

Pure: a follow-up, its setting and its grid give a screened follow-up.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

from kbapi.bounds import IN_USE_LEAST_DAYS
from kbapi.documents.follow_ups import SubmittedFollowUp
from kbapi.stats.intervals import Grid
from kbapi.storage.follow_ups import FollowedSetting
from kbapi.storage.pools import ConditionsKey
from kbapi.vocabulary import FollowUpStatus

SENTENCES: Final = {
    "setting_not_reported": "The result has no setting of this domain, control and clock. Name "
    "one of its settings.",
    "setting_missing": "The result has no setting in use. Name the setting of this follow-up.",
    "followed_setting_excluded": "The setting is excluded, so this follow-up does not count "
    "either.",
    "too_early": "The follow-up is recorded. A setting counts as long-term after "
    f"{IN_USE_LEAST_DAYS} days in use with proof of effect. Send another follow-up "
    "then.",
    "effect_not_shown_again": "The follow-up has no proof that the setting still has an effect. "
    "An update that locks a control makes every setting look stable. "
    "Send new proof.",
    "deeper_than_passed": "The result did not pass this deep. Test this setting and send it as a "
    "new result.",
    "fails_at_stock": "A machine that fails at stock has a fault. Stop, set everything back to "
    "stock and ask qualified people.",
    "lock_recorded": "An update locked the control. The follow-up is recorded and changes no "
    "statistics. Send the lock status with your next result to warn others.",
    "outcome_recorded": "The follow-up is recorded and changes no statistics.",
}
"""Codes of follow-ups: the first two refuse it, the others explain why it does not count."""

_RECORDED_AS: Final = {"fails_at_stock_too": "fails_at_stock", "locked_later": "lock_recorded"}
NEEDS_A_SETTING: Final = frozenset({"still_stable", "failed_later"})
"""Outcomes of one setting; the others concern the machine."""


@dataclass(frozen=True, slots=True)
class ScreenedFollowUp:
    """A follow-up in whole grid steps below stock, with its status."""

    status: FollowUpStatus
    reasons: tuple[str, ...]
    steps: int
    stable_steps: int | None = None
    unstable_steps: int | None = None


@dataclass(frozen=True, slots=True)
class ValuesFollowed:
    """The value of a follow-up, and the deepest value that passed in the result."""

    value: float | None
    """None where the outcome concerns the machine."""
    passed: float | None
    """The value that passed, else the value in use."""


def match_setting(
    settings: Sequence[FollowedSetting], sent: SubmittedFollowUp
) -> FollowedSetting | None:
    """The setting of a follow-up: by its own domain, else by one that moved with it."""
    fitting = [
        setting
        for setting in settings
        if setting.control == sent.control
        and sent.domain in setting.domains.split("+")
        and (sent.control != "fixed_clock_voltage" or setting.clock_mhz == sent.clock_mhz)
    ]
    return min(fitting, key=lambda one: (one.domain != sent.domain, one.ordinal), default=None)


def screen_follow_up(
    sent: SubmittedFollowUp, setting: FollowedSetting, followed: ValuesFollowed, grid: Grid
) -> ScreenedFollowUp:
    """The follow-up's status, and its pass or failure in steps if it counts."""
    if sent.outcome not in NEEDS_A_SETTING or followed.value is None:
        return ScreenedFollowUp(
            "recorded", (_RECORDED_AS.get(sent.outcome, "outcome_recorded"),), 0
        )
    below_stock = _below_stock(setting, followed.value)
    steps = grid.stable_steps(below_stock)
    if setting.status == "excluded":
        return ScreenedFollowUp("recorded", ("followed_setting_excluded",), steps)
    if sent.outcome == "failed_later":
        failed = grid.unstable_steps(below_stock)
        if failed == 0:
            return ScreenedFollowUp("recorded", ("fails_at_stock",), 0)
        return ScreenedFollowUp("counted", (), failed, unstable_steps=failed)
    if steps > _passed_steps(setting, followed, grid):
        return ScreenedFollowUp("recorded", ("deeper_than_passed",), steps)
    if (sent.days or 0) < IN_USE_LEAST_DAYS:
        return ScreenedFollowUp("recorded", ("too_early",), steps)
    if not _is_effect_shown(sent):
        return ScreenedFollowUp("unverified", ("effect_not_shown_again",), steps)
    return ScreenedFollowUp("counted", (), steps, stable_steps=steps)


def _passed_steps(setting: FollowedSetting, followed: ValuesFollowed, grid: Grid) -> int:
    """How deep the result itself passed: a follow-up cannot go deeper."""
    if followed.passed is None:
        return 0
    return grid.stable_steps(max(0.0, _below_stock(setting, followed.passed)))


def _below_stock(setting: FollowedSetting, value: float) -> float:
    if setting.control != "fixed_clock_voltage":
        return -value
    # Without a stock voltage the setting is excluded, and so are its follow-ups.
    return 0.0 if setting.stock_mv is None else setting.stock_mv - value


def _is_effect_shown(sent: SubmittedFollowUp) -> bool:
    if sent.effect is None or sent.effect.shown_by == "failed_deeper":
        return False
    return sent.effect.shown_by != "rail_voltage" or sent.effect.rail_mv is not None


def conditions_of(
    sent: SubmittedFollowUp, found_under: ConditionsKey, status: FollowUpStatus, month: str
) -> ConditionsKey:
    """The conditions of the follow-up: those of the result, except what has changed.

    The version after a change of firmware or microcode is unknown: its month stands for it.
    """
    unnamed = f"~{month}"
    conditions = replace(
        found_under,
        firmware=unnamed if "firmware" in sent.all_changes else found_under.firmware,
        microcode=unnamed if "microcode" in sent.all_changes else found_under.microcode,
    )
    if status == "counted" and sent.outcome == "still_stable":
        conditions = replace(conditions, grade="in_use_30_days")
    if sent.outcome == "failed_later" and sent.load is not None:
        conditions = replace(conditions, loads=sent.load)
    return conditions
