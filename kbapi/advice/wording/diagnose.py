"""The sentences about a setting that is no longer stable: callers say the texts by their codes."""

from typing import Final, Literal

from kbapi.advice.wording.language import marked, say
from kbapi.advice.wording.parts import amount_in_words, percent

CheckFirstCode = Literal["fails_at_stock", "setting_in_effect"]
OtherCauseCode = Literal["season", "cooling", "age", "load"]
NextActionCode = Literal[
    "save_work_and_check_files",
    "return_to_stock",
    "test_stock",
    "read_setting_back",
    "test_failing_load",
    "test_every_state",
    "send_follow_up",
    "ask_qualified_people",
    "stay_at_stock",
    "check_lock_status",
]

CHECK_FIRST: Final[dict[CheckFirstCode, str]] = {
    "fails_at_stock": marked("Does it fail at stock as well, with every setting taken back?"),
    "setting_in_effect": marked(
        "Is the setting still in effect? Read it back, or compare power and clock with "
        "stock under one load."
    ),
}
"""What to find out before anything else, in this order."""

IF_YES: Final[dict[CheckFirstCode, str]] = {
    "fails_at_stock": marked(
        "Then no setting is to blame: stop, stay at stock, save your data and ask "
        "qualified people. Memory, cooling, the power supply or the chip itself may be failing."
    ),
    "setting_in_effect": marked(
        "Then the unit's limit has moved, or the setting never had enough margin: step "
        "back, and look at what has changed."
    ),
}
IF_NO: Final[dict[CheckFirstCode, str]] = {
    "fails_at_stock": marked(
        "Then the setting is the likelier cause: step back before anything else."
    ),
    "setting_in_effect": marked(
        "Then the failure has another cause: an update may have closed the control, and "
        "the machine runs at stock or at something else. Ask for the locks, and test stock itself."
    ),
}
IF_UNKNOWN: Final[dict[CheckFirstCode, str]] = {
    "fails_at_stock": marked("Find this out first: everything below takes it that stock is sound."),
    "setting_in_effect": marked(
        "Find this out before stepping back: a setting that is not in effect can't fail."
    ),
}

OTHER_CAUSES: Final[dict[OtherCauseCode, str]] = {
    "season": marked(
        "Is the room warmer or colder than when the setting was tested? Limits move with "
        "temperature, in both directions."
    ),
    "cooling": marked(
        "Has dust gathered, a fan slowed, or thermal paste dried? Compare temperatures at "
        "equal power with those of then."
    ),
    "age": marked(
        "How long has it run at this setting? Limits shrink a little over years, and margins "
        "with them."
    ),
    "load": marked(
        "Is there a new load, a resume from sleep, a cold start or a battery that the test "
        "never had? A setting holds for what it was tested with."
    ),
}
"""Physical explanations: nobody's reports can tell them apart, so they are asked, not answered."""

_AFTER: Final = {
    "firmware": marked("After a firmware update {shares}"),
    "microcode": marked("After a microcode update {shares}"),
    "driver": marked("After a driver update {shares}"),
    "os": marked("After a system update {shares}"),
    "season": marked("After a change of season {shares}"),
    "cooling": marked("After a change of cooling {shares}"),
}


def stop() -> str:
    """What to do where stock itself fails."""
    return say(
        "It fails at stock: stop here. Take every setting back, save your data, ask qualified "
        "people."
    )


def not_in_effect() -> str:
    """What it means where the setting does nothing."""
    return say(
        "The setting is not in effect, so it is not what fails: find out what has closed the "
        "control, and whether stock is sound."
    )


def nothing_stands_out() -> str:
    """What to do where others' reports help nothing."""
    return say("What others report singles out no change. Step back by the margin and test again.")


def most_likely(change: str, failed: float, otherwise: float, at_least: float) -> str:
    """The change that speaks loudest, with both shares.

    >>> most_likely("microcode", 0.5, 0.1, 2.1)[:72]
    'After a microcode update 50 % of units failed later, against 10 % of the'
    """
    shares = say(
        "{failed} of units failed later, against {otherwise} of the others: at least {ratio} times "
        "as often. What others saw is no proof for your machine: step back by the margin and test "
        "again.",
        failed=percent(failed),
        otherwise=percent(otherwise),
        ratio=f"{at_least:.1f}",
    )
    return say(_AFTER[change], shares=shares)


def step_back_in_words(control: str, margin: float, to: float | None) -> str:
    """By how much to step back, and never beyond stock."""
    by = amount_in_words(control, margin)
    if to is None:
        return say(
            "Step back by {margin} toward your own stock voltage, never above it, then test as "
            "long as the first time.",
            margin=by,
        )
    return say(
        "Step back by {margin} to {setting}, then test as long as the first time.",
        margin=by,
        setting=amount_in_words(control, to),
    )


NEXT_ACTIONS: Final[dict[NextActionCode, str]] = {
    "save_work_and_check_files": marked(
        "Save your work, and check your files and your backup: data written before "
        "the failure may be damaged."
    ),
    "return_to_stock": marked("Take every setting back to stock, and keep it out of start-up."),
    "test_stock": marked(
        "At stock, run the load that it failed under, longer than it took to fail."
    ),
    "read_setting_back": marked("Read the setting back while the load runs."),
    "test_failing_load": marked(
        "Test with the load class that it failed under, with checked results."
    ),
    "test_every_state": marked("Test a cold start, resume from sleep and battery as well."),
    "send_follow_up": marked(
        "Send a follow-up with what had changed: a late failure is worth more than a pass."
    ),
    "ask_qualified_people": marked("Leave it at stock and ask qualified people."),
    "stay_at_stock": marked("If it fails again after two steps back, stay at stock."),
    "check_lock_status": marked(
        "Ask /v1/locks whether the update has closed the control for others too."
    ),
}

FAILURES: Final = {
    "wrong_result": marked(
        "A wrong result comes before any crash: treat what was computed since as unsound."
    ),
    "corrected_machine_check": marked(
        "A corrected machine check is the chip's own warning: the next one may not be corrected."
    ),
    "boot_failure": marked(
        "Start without the setting first: know how before you change anything else."
    ),
    "resume_failure": marked(
        "Resume from sleep passes through voltages that no load test reaches: idle "
        "and resume need a test of their own."
    ),
    "clock_stretch": marked(
        "A clock that stretches or stays low is a limit that hides: nothing crashes, "
        "and the work takes longer."
    ),
    "clock_not_reached": marked(
        "A clock that stretches or stays low is a limit that hides: nothing "
        "crashes, and the work takes longer."
    ),
    "performance_drop": marked(
        "A drop of performance may be heat or a power limit and no limit of "
        "voltage: compare temperature and power first."
    ),
    "artefact": marked(
        "Picture faults and driver resets come from the graphics rail or its memory."
    ),
    "driver_reset": marked(
        "Picture faults and driver resets come from the graphics rail or its memory."
    ),
}
"""What a way to fail says, where it says something."""
