"""The sentences of answers about time: how long settings last, why one is no longer stable."""

from typing import Final


def unit_of(control: str) -> str:
    """The unit that a control's margins are told in.

    >>> unit_of("count_offset"), unit_of("voltage_offset")
    ('counts', 'mV')
    """
    return "counts" if control == "count_offset" else "mV"


def margin_in_words(margin: float, control: str) -> str:
    """A margin as people say it.

    >>> margin_in_words(10.0, "voltage_offset")
    '10 mV'
    """
    return f"{margin:g} {unit_of(control)}"


def percent(share: float) -> str:
    """A share in whole per cent.

    >>> percent(0.953)
    '95 %'
    """
    return f"{share * 100:.0f} %"


_SETTLE: Final = {
    "learnt": "Follow-ups show that a margin of {margin} to the deepest setting that passed kept "
    "at least 95 % of settings stable for 90 days.",
    "custom": "No follow-ups settle the margin yet: {margin} short of the deepest setting that "
    "passed is the custom.",
    "custom_failed": "The customary margin did not keep 95 % of settings stable for 90 days: "
    "settle {margin} short of the deepest setting that passed, or further.",
}


def settle_in_words(standing: str, margin: str) -> str:
    """How far short of the limit to settle, and why."""
    return _SETTLE[standing].format(margin=margin)


def no_drift_in_words() -> str:
    """That recent reports are like earlier ones."""
    return "Recent reports do not differ from earlier ones beyond chance."


def drift_in_words(kind: str, since: str, version: str, shift: float, unit: str) -> str:
    """Since when, or with what, limits have moved.

    >>> drift_in_words("microcode", "2026-05", "0x2c", -14.2, "mV")
    'Limits reported with microcode 0x2c (since 2026-05) lie about 14 mV shallower than before.'
    """
    way = "shallower" if shift < 0 else "deeper"
    since_when = f"since {since}" if kind == "month" else f"with {kind} {version} (since {since})"
    return f"Limits reported {since_when} lie about {abs(shift):.0f} {unit} {way} than before."


def whose(level: str) -> str:
    """Whose units an answer about time stands on."""
    return "its own" if level == "chip" else "its series'"


def summary_of_lasting(chip_name: str, level: str, units: int, told: str) -> str:
    """One sentence: how long settings lasted, on whose units that stands."""
    if level == "none":
        return (
            f"Too few follow-ups on {chip_name} or its series have been sent to say how long "
            "settings last. Follow up on your own: what holds for months is worth most."
        )
    return f"{chip_name}: {told}; this stands on {units} of {whose(level)} units."


def lasted_in_words(share: float, days: int) -> str:
    """How many settings were still stable.

    >>> lasted_in_words(0.953, 90)
    'after 90 days 95 % of settings were still stable'
    """
    return f"after {days} days {percent(share)} of settings were still stable"


NOT_LONG_ENOUGH: Final = "no setting has been followed long enough yet"


FIRST_QUESTIONS: Final = {
    "fails_at_stock": "Does it fail at stock as well, with every setting taken back?",
    "in_effect": "Is the setting still in effect? Read it back, or compare power and clock with "
    "stock under one load.",
}
"""What to find out before anything else, in this order."""

IF_YES: Final = {
    "fails_at_stock": "Then no setting is to blame: stop, stay at stock, save your data and ask "
    "qualified people. Memory, cooling, the power supply or the chip itself may be failing.",
    "in_effect": "Then the unit's limit has moved, or the setting never had enough margin: step "
    "back, and look at what has changed.",
}
IF_NO: Final = {
    "fails_at_stock": "Then the setting is the likelier cause: step back before anything else.",
    "in_effect": "Then the failure has another cause: an update may have closed the control, and "
    "the machine runs at stock or at something else. Ask for the locks, and test stock itself.",
}
IF_UNKNOWN: Final = {
    "fails_at_stock": "Find this out first: everything below takes it that stock is sound.",
    "in_effect": "Find this out before stepping back: a setting that is not in effect can't fail.",
}

OTHER_CAUSES: Final = {
    "season": "Is the room warmer or colder than when the setting was tested? Limits move with "
    "temperature, in both directions.",
    "cooling": "Has dust gathered, a fan slowed, or thermal paste dried? Compare temperatures at "
    "equal power with those of then.",
    "age": "How long has it run at this setting? Limits shrink a little over years, and margins "
    "with them.",
    "load": "Is there a new load, a resume from sleep, a cold start or a battery that the test "
    "never had? A setting holds for what it was tested with.",
}
"""Physical explanations: nobody's reports can tell them apart, so they are asked, not answered."""

CHANGES: Final = {
    "firmware": "a firmware update",
    "microcode": "a microcode update",
    "driver": "a driver update",
    "os": "a system update",
    "season": "a change of season",
    "cooling": "a change of cooling",
}

STOP: Final = (
    "It fails at stock: stop here. Take every setting back, save your data, ask qualified people."
)
NOT_IN_EFFECT: Final = (
    "The setting is not in effect, so it is not what fails: find out what has closed the control, "
    "and whether stock is sound."
)
NOTHING_STANDS_OUT: Final = (
    "What others report singles out no change. Step back by the margin and test again."
)


def most_likely(change: str, failed: float, otherwise: float, at_least: float) -> str:
    """The change that speaks loudest, with both shares.

    >>> most_likely("microcode", 0.5, 0.1, 2.1)[:72]
    'After a microcode update 50 % of units failed later, against 10 % of the'
    """
    return (
        f"After {CHANGES[change]} {percent(failed)} of units failed later, against "
        f"{percent(otherwise)} of the others: at least {at_least:.1f} times as often. What others "
        "saw is no proof for your machine: step back by the margin and test again."
    )


def step_back_in_words(margin: str, to: str | None) -> str:
    """By how much to step back, and never beyond stock."""
    where = f"to {to}" if to is not None else "toward your own stock voltage, never above it"
    return f"Step back by {margin} {where}, then test as long as the first time."


TO_DO: Final = {
    "save_and_check": "Save your work, and check your files and your backup: data written before "
    "the failure may be damaged.",
    "take_it_back": "Take every setting back to stock, and keep it out of start-up.",
    "prove_stock": "At stock, run the load that it failed under, longer than it took to fail.",
    "read_it_back": "Read the setting back while the load runs.",
    "same_load": "Test with the load class that it failed under, with checked results.",
    "all_states": "Test a cold start, resume from sleep and battery as well.",
    "tell_it": "Send a follow-up with what had changed: a late failure is worth more than a pass.",
    "ask_people": "Leave it at stock and ask qualified people.",
    "stay_at_stock": "If it fails again after two steps back, stay at stock.",
    "ask_locks": "Ask /v1/locks whether the update has closed the control for others too.",
}

FAILURES: Final = {
    "wrong_result": "A wrong result comes before any crash: treat what was computed since as "
    "unsound.",
    "corrected_machine_check": "A corrected machine check is the chip's own warning: the next one "
    "may not be corrected.",
    "boot_failure": "Start without the setting first: know how before you change anything else.",
    "resume_failure": "Resume from sleep passes through voltages that no load test reaches: idle "
    "and resume need a test of their own.",
    "clock_stretch": "A clock that stretches or stays low is a limit that hides: nothing crashes, "
    "and the work takes longer.",
    "clock_not_reached": "A clock that stretches or stays low is a limit that hides: nothing "
    "crashes, and the work takes longer.",
    "performance_drop": "A drop of performance may be heat or a power limit and no limit of "
    "voltage: compare temperature and power first.",
    "artefact": "Picture faults and driver resets come from the graphics rail or its memory.",
    "driver_reset": "Picture faults and driver resets come from the graphics rail or its memory.",
}
"""What a way to fail says, where it says something."""
