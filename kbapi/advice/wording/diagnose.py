"""The sentences about a setting that is no longer stable: callers say the texts by their codes."""

from typing import Final, Literal

from kbapi.advice.wording.language import marked, say, say_count
from kbapi.advice.wording.parts import (
    amount_in_words,
    machines_in_words,
    shown_from_five,
)
from kbapi.evidence.small_cells import FEWEST_UNITS_SHOWN
from kbapi.vocabulary import YesNoUnknown

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
    "fails_at_stock": marked("Does it fail at stock too, with every setting taken back?"),
    "setting_in_effect": marked(
        "Is the setting still in effect? Read it back, or compare power and clock with stock "
        "under one load."
    ),
}
"""What to find out before anything else, in this order."""

IF_YES: Final[dict[CheckFirstCode, str]] = {
    "fails_at_stock": marked(
        "No setting is the cause. Memory, cooling, the power supply or the chip may be failing."
    ),
    "setting_in_effect": marked("The limit of the machine has moved, or the margin was too small."),
}
IF_NO: Final[dict[CheckFirstCode, str]] = {
    "fails_at_stock": marked("The setting is the likely cause."),
    "setting_in_effect": marked(
        "The failure has another cause. An update may have locked the control, so the machine may "
        "run at stock."
    ),
}
THEN: Final[dict[tuple[CheckFirstCode, YesNoUnknown], str]] = {
    ("fails_at_stock", "yes"): marked("Stop tuning this machine."),
    ("fails_at_stock", "no"): marked("Step back before anything else."),
    ("fails_at_stock", "unknown"): marked(
        "Find this out first: the rest of this answer assumes that stock is stable."
    ),
    ("setting_in_effect", "yes"): marked("Step back, and look at what has changed."),
    ("setting_in_effect", "no"): marked("Ask for the locks, and test stock."),
    ("setting_in_effect", "unknown"): marked(
        "Find this out before you step back: a setting without effect cannot fail."
    ),
}
"""What follows from an answer."""

OTHER_CAUSES: Final[dict[OtherCauseCode, str]] = {
    "season": marked(
        "Is the room warmer or colder than in the first test? Limits move with temperature, in "
        "both directions."
    ),
    "cooling": marked(
        "Has dust gathered, a fan slowed, or thermal paste dried? Compare temperatures at equal "
        "power with the earlier ones."
    ),
    "age": marked("How long has it run at this setting? Limits shrink a little over years."),
    "load": marked(
        "Is there a load, a resume from sleep, a cold start or a battery that was not tested? A "
        "setting holds only for tested states."
    ),
}
"""Physical explanations: reports can't separate them, so they are asked, not answered."""

_AFTER: Final = {
    "firmware": marked("{failed} machines failed after a firmware update, {otherwise} without"),
    "microcode": marked("{failed} machines failed after a microcode update, {otherwise} without"),
    "driver": marked("{failed} machines failed after a driver update, {otherwise} without"),
    "os": marked("{failed} machines failed after a system update, {otherwise} without"),
    "season": marked("{failed} machines failed after a change of season, {otherwise} without"),
    "cooling": marked("{failed} machines failed after a change of cooling, {otherwise} without"),
}
_STEP_BACK: Final = marked("Step back by the margin and test again.")


def stop() -> str:
    """What to do where stock itself fails."""
    return say("Stop: it fails at stock. Take every setting back, and ask qualified people.")


def not_in_effect() -> str:
    """What it means where the setting does nothing."""
    return say(
        "The setting is not in effect, so it is not the cause. Find out what locked the control, "
        "and whether stock is stable."
    )


def nothing_stands_out(units: int) -> str:
    """What to do where others' reports help nothing."""
    if not units:
        first = say("There are too few follow-ups to name a likely cause.")
    else:
        first = say(
            "No change stands out beyond chance in follow-ups on {machines}.",
            machines=machines_in_words(units),
        )
    return f"{first} {say(_STEP_BACK)}"


def most_likely(
    change: str, failed: tuple[int, int], otherwise: tuple[int, int], at_least: float
) -> str:
    """The likeliest cause, with how many of how many machines failed after it and without it.

    >>> most_likely("microcode", (6, 14), (1, 16), 2.1)[:64]
    '6 of 14 machines failed after a microcode update, 1 of 16 withou'
    """
    counts = [
        say("{failed} of {units}", failed=one[0], units=one[1]) for one in (failed, otherwise)
    ]
    first = say(
        "{counts}: at least {ratio} times as often (95 % confidence).",
        counts=say(_AFTER[change], failed=counts[0], otherwise=counts[1]),
        ratio=f"{at_least:.1f}",
    )
    return " ".join([first, say("This is no proof for your machine."), say(_STEP_BACK)])


def withheld_changes(withheld: int, followed: int) -> str | None:
    """What is withheld; `followed` is how many units there are where these are too few."""
    if 0 < followed < FEWEST_UNITS_SHOWN:
        return shown_from_five(FEWEST_UNITS_SHOWN - followed)
    if not withheld:
        return None
    changes = say_count("{count} change is withheld.", "{count} changes are withheld.", withheld)
    return f"{changes} {shown_from_five()}"


def step_back_in_words(control: str, margin: float, to: float | None) -> str:
    """By how much to step back, and never beyond stock."""
    by = amount_in_words(control, margin)
    if to is None:
        return say(
            "Step back by {margin} toward your own stock voltage, never above it. Then test as "
            "long as the first time.",
            margin=by,
        )
    return say(
        "Step back by {margin} to {setting}. Then test as long as the first time.",
        margin=by,
        setting=amount_in_words(control, to),
    )


NEXT_ACTIONS: Final[dict[NextActionCode, str]] = {
    "save_work_and_check_files": marked(
        "Save your work, and check your files and your backup: data from before the failure may "
        "be damaged."
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
        "Send a follow-up with what had changed: a late failure helps more than a pass."
    ),
    "ask_qualified_people": marked("Leave it at stock and ask qualified people."),
    "stay_at_stock": marked("If it fails again after two steps back, stay at stock."),
    "check_lock_status": marked(
        "Check the lock status of this chip: did the update lock the control on other machines?"
    ),
}

_CLOCK: Final = marked(
    "A clock below the requested one is a limit without a crash: the work only takes longer."
)
_PICTURE: Final = marked(
    "Picture faults and driver resets come from the graphics domain or its memory."
)
FAILURES: Final = {
    "wrong_result": marked(
        "A wrong result can come before a crash: do not trust results computed since then."
    ),
    "corrected_machine_check": marked(
        "A corrected machine check is a warning: the next error may not be corrected."
    ),
    "boot_failure": marked(
        "First start without the setting. Learn how before you change anything else."
    ),
    "resume_failure": marked(
        "Resume from sleep passes voltages that no load test reaches. Test idle and resume "
        "separately."
    ),
    "clock_stretch": _CLOCK,
    "clock_not_reached": _CLOCK,
    "performance_drop": marked(
        "Heat or a power limit may cause a drop of performance. Compare temperature and power "
        "first."
    ),
    "artefact": _PICTURE,
    "driver_reset": _PICTURE,
}
"""What a way to fail means, where it means something."""
