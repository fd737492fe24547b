"""The sentences about a setting that is no longer stable."""

from typing import Final, Literal

from kbapi.advice.phrases import amount_text, counted, machines_text, shown_from_five
from kbapi.evidence.small_cells import FEWEST_SHOWN
from kbapi.vocabulary import YesNoUnknown

CheckFirstCode = Literal["fails_at_stock", "setting_in_effect"]
OtherCauseCode = Literal["season", "cooling", "age", "load"]
NextActionCode = Literal[
    "save_work_and_check_files",
    "return_to_stock",
    "test_stock",
    "read_setting_back",
    "find_days_of_changes",
    "test_failing_load",
    "test_every_state",
    "send_follow_up",
    "ask_qualified_people",
    "stay_at_stock",
    "check_lock_status",
]

CHECK_FIRST: Final[dict[CheckFirstCode, str]] = {
    "fails_at_stock": "Does it fail at stock too, with every setting taken back?",
    "setting_in_effect": (
        "Is the setting still in effect? Read it back, or compare power and clock with stock "
        "under one load."
    ),
}
"""What to find out before anything else, in this order."""

IF_YES: Final[dict[CheckFirstCode, str]] = {
    "fails_at_stock": (
        "No setting is the cause. Memory, cooling, the power supply or the chip may be failing."
    ),
    "setting_in_effect": "The limit of the machine has moved, or the margin was too small.",
}
IF_NO: Final[dict[CheckFirstCode, str]] = {
    "fails_at_stock": "The setting is the likely cause.",
    "setting_in_effect": (
        "The failure has another cause. An update may have locked the control, so the machine may "
        "run at stock."
    ),
}
THEN: Final[dict[tuple[CheckFirstCode, YesNoUnknown], str]] = {
    ("fails_at_stock", "yes"): "Stop tuning this machine.",
    ("fails_at_stock", "no"): "Step back before anything else.",
    ("fails_at_stock", "unknown"): (
        "Find this out first: the rest of this answer assumes that stock is stable."
    ),
    ("setting_in_effect", "yes"): "Step back, and look at what has changed.",
    ("setting_in_effect", "no"): "Ask for the locks, and test stock.",
    ("setting_in_effect", "unknown"): (
        "Find this out before you step back: a setting without effect cannot fail."
    ),
}
"""What follows from an answer."""

OTHER_CAUSES: Final[dict[OtherCauseCode, str]] = {
    "season": (
        "Is the room warmer or colder than in the first test? Limits move with temperature, in "
        "both directions."
    ),
    "cooling": (
        "Has dust gathered, a fan slowed, or thermal paste dried? Compare temperatures at equal "
        "power with the earlier ones."
    ),
    "age": "How long has it run at this setting? Limits shrink a little over years.",
    "load": (
        "Is there a load, a resume from sleep, a cold start or a battery that was not tested? A "
        "setting holds only for tested states."
    ),
}
"""Physical causes: reports cannot separate them, so an answer asks about them."""

_AFTER: Final = {
    "firmware": "after a firmware update",
    "microcode": "after a microcode update",
    "driver": "after a driver update",
    "os": "after a system update",
    "season": "after a change of season",
    "cooling": "after a change of cooling",
}
_BY_MEMORY: Final = (
    "Not all reports give the day of the change, and people remember more changes after a failure. "
)
_STEP_BACK: Final = "Step back by the margin and test again."


def stop() -> str:
    """What to do where stock itself fails."""
    return "Stop: it fails at stock. Take every setting back, and ask qualified people."


def not_in_effect() -> str:
    """What it means where the setting is not in effect."""
    return (
        "The setting is not in effect, so it is not the cause. Find out what locked the control, "
        "and whether stock is stable."
    )


def nothing_stands_out(units: int) -> str:
    """What to do where follow-ups name no likely cause."""
    if not units:
        first = "There are too few follow-ups to name a likely cause."
    else:
        first = f"No change stands out beyond chance in follow-ups on {machines_text(units)}."
    return f"{first} {_STEP_BACK}"


def none_in_these_days() -> str:
    """What to do where no own change falls between the last good and the first bad day."""
    return f"None of your changes lies between the last good day and the failure. {_STEP_BACK}"


def most_likely(
    change: str,
    with_change: tuple[int, int],
    without: tuple[int, int],
    risk_ratio_lower: float,
    *,
    is_by_memory: bool,
) -> str:
    """The likeliest cause, and how many of how many machines failed with it and without it.

    >>> most_likely("microcode", (6, 14), (1, 16), 2.1, is_by_memory=False)[:64]
    '6 of 14 machines failed after a microcode update, 1 of 16 withou'
    """
    return (
        f"{with_change[0]} of {with_change[1]} machines failed {_AFTER[change]}, "
        f"{without[0]} of {without[1]} without: at least {risk_ratio_lower:.1f} times as often "
        f"(95 % confidence). {_BY_MEMORY if is_by_memory else ''}"
        f"This is no proof for your machine. {_STEP_BACK}"
    )


def withheld_changes(withheld: int, followed: int | None) -> str | None:
    """What is withheld; `followed` is the number of contributors where it is too small."""
    if followed is not None:
        return shown_from_five(FEWEST_SHOWN - followed)
    if not withheld:
        return None
    return f"{counted(withheld, 'change is', 'changes are')} withheld. {shown_from_five()}"


def step_back_text(control: str, margin: float, to: float | None) -> str:
    """By how much to step back, and never beyond stock."""
    by = amount_text(control, margin)
    if to is None:
        return (
            f"Step back by {by} toward your own stock voltage, never above it. Then test as "
            "long as the first time."
        )
    return f"Step back by {by} to {amount_text(control, to)}. Then test as long as the first time."


NEXT_ACTIONS: Final[dict[NextActionCode, str]] = {
    "save_work_and_check_files": (
        "Save your work, and check your files and your backup: data from before the failure may "
        "be damaged."
    ),
    "return_to_stock": "Take every setting back to stock, and keep it out of start-up.",
    "test_stock": "At stock, run the load that it failed under, longer than it took to fail.",
    "read_setting_back": "Read the setting back while the load runs.",
    "find_days_of_changes": (
        "Look up the day of each change and of the last passed test. Only a change between that "
        "test and the failure can be the cause."
    ),
    "test_failing_load": "Test with the load class that it failed under, with checked results.",
    "test_every_state": "Test a cold start, resume from sleep and battery as well.",
    "send_follow_up": (
        "Send a follow-up with each change and its day: a late failure helps more than a pass."
    ),
    "ask_qualified_people": "Leave it at stock and ask qualified people.",
    "stay_at_stock": "If it fails again after two steps back, stay at stock.",
    "check_lock_status": (
        "Check the lock status of this chip: did the update lock the control on other machines?"
    ),
}

_CLOCK: Final = (
    "A clock below the requested one is a limit without a crash: the work only takes longer."
)
_PICTURE: Final = "Picture faults and driver resets come from the graphics domain or its memory."
FAILURES: Final = {
    "wrong_result": (
        "A wrong result can come before a crash: do not trust results computed since then."
    ),
    "corrected_machine_check": (
        "A corrected machine check is a warning: the next error may not be corrected."
    ),
    "boot_failure": "First start without the setting. Learn how before you change anything else.",
    "resume_failure": (
        "Resume from sleep passes voltages that no load test reaches. Test idle and resume "
        "separately."
    ),
    "clock_stretch": _CLOCK,
    "clock_not_reached": _CLOCK,
    "performance_drop": (
        "Heat or a power limit may cause a drop of performance. Compare temperature and power "
        "first."
    ),
    "artefact": _PICTURE,
    "driver_reset": _PICTURE,
}
"""What a kind of failure means, for those that say something about the cause."""
