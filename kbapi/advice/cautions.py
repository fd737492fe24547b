"""The cautions that travel with every number: a code, a sentence, and when they are told."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from kbapi.advice.stored import Asked


@dataclass(frozen=True, slots=True)
class Caution:
    """A caution as it stands in an answer."""

    code: str
    text: str


@dataclass(frozen=True, slots=True)
class _Rule:
    caution: Caution
    applies: Callable[[Asked], bool]


def _always(_: Asked) -> bool:
    return True


_RULES: Final = tuple(
    _Rule(Caution(code, text), applies)
    for code, text, applies in (
        (
            "save_first",
            "Save your work and make a backup before you begin, and check your files after every "
            "crash: saved data can be damaged too.",
            _always,
        ),
        (
            "wrong_results_first",
            "Wrong results can come before any crash: test with loads that check their own "
            "results, and do nothing that matters while you search.",
            _always,
        ),
        (
            "know_the_way_back",
            "Know before the first step how to start the machine without the setting, and do not "
            "apply it at start-up before weeks of use.",
            _always,
        ),
        (
            "disk_encryption",
            "Disk encryption may ask for its recovery key after a firmware change: have it at "
            "hand.",
            _always,
        ),
        (
            "protections",
            "Switching a protection off lowers the security of the machine. Weigh whether it "
            "guards other people's data or is used for work, and switch it on again if you stop.",
            _always,
        ),
        (
            "makers_instructions",
            "Firmware changes follow the maker's instructions, your warranty and local rules; "
            "leave opened machines to qualified people.",
            _always,
        ),
        (
            "test_every_state",
            "Cold starts, battery, resume from sleep and hybrid graphics behave differently: test "
            "each of them.",
            _always,
        ),
        (
            "picture_faults",
            "On graphics, picture faults and driver resets are failures; a faulty driver restart "
            "can take the whole session with it.",
            lambda question: question.chip.kind == "gpu",
        ),
        (
            "limits_shrink",
            "Limits shrink with age, heat and updates: test again after each season and each "
            "firmware or driver change.",
            _always,
        ),
        (
            "not_these_machines",
            "Leave work, medical, server and shared machines at stock.",
            _always,
        ),
        (
            "stop_and_ask",
            "A machine that fails at stock, a swollen battery or a dying cooler: stop, and ask "
            "qualified people.",
            _always,
        ),
    )
)


def cautions_for(question: Asked) -> tuple[Caution, ...]:
    """Every caution that belongs to an answer to this question, the most urgent first."""
    return tuple(rule.caution for rule in _RULES if rule.applies(question))


_SEARCHING: Final = (
    Caution(
        "one_group_at_a_time",
        "Move one group of rails at a time, the others at stock or at what has passed: else a "
        "failure tells nothing of either.",
    ),
    Caution(
        "a_pass_is_no_proof",
        "A setting that passed a trial may still fail later: test what you settle on for hours, "
        "under several loads, after a cold start and after sleep.",
    ),
)


def cautions_while_searching(question: Asked) -> tuple[Caution, ...]:
    """The cautions that belong to a setting that is proposed for a trial."""
    return (*cautions_for(question), *_SEARCHING)


_ABOUT_LOCKS: Final = ("save_first", "know_the_way_back", "disk_encryption", "protections")
_OPENING: Final = Caution(
    "history_not_advice",
    "What others changed to open a control is told as history. Older firmware and microcode have "
    "known holes, and a maker locks a control for a reason: nothing here recommends undoing it.",
)

_LOCKED_FOR_SAFETY: Final = Caution(
    "locked_for_security",
    "A locked control may be locked to close a security hole. Follow the maker's instructions, "
    "keep firmware, microcode and system up to date, and take the lock as it is.",
)


def cautions_about_locks() -> tuple[Caution, ...]:
    """The cautions that belong to whether a control can be used."""
    told = {rule.caution.code: rule.caution for rule in _RULES}
    makers = told["makers_instructions"]
    return (
        _OPENING,
        _LOCKED_FOR_SAFETY,
        *(told[code] for code in _ABOUT_LOCKS),
        makers,
        told["not_these_machines"],
    )


_ABOUT_TIME: Final = (
    "save_first",
    "wrong_results_first",
    "limits_shrink",
    "test_every_state",
    "know_the_way_back",
    "disk_encryption",
    "makers_instructions",
    "not_these_machines",
    "stop_and_ask",
)


def cautions_about_time() -> tuple[Caution, ...]:
    """The cautions that belong to settings over months, and to one that is no longer stable."""
    told = {rule.caution.code: rule.caution for rule in _RULES}
    return tuple(told[code] for code in _ABOUT_TIME)


_HEAT_ALONE: Final = Caution(
    "temperature_alone",
    "A lower temperature alone is no gain: compare at equal power, at equal performance, at one "
    "fan speed and in one room. A chip at its power or heat limit gains clock and stays as hot.",
)
_NEVER_ABOVE: Final = Caution(
    "limits_only_lower",
    "A power limit is only ever lowered here. Nothing in this answer lifts one above stock, or "
    "touches a limit of temperature or protection.",
)


def cautions_about_gains(question: Asked) -> tuple[Caution, ...]:
    """The cautions that belong to what tuning changed."""
    return (_HEAT_ALONE, *cautions_for(question))


def cautions_about_power(question: Asked) -> tuple[Caution, ...]:
    """The cautions that belong to a power limit."""
    return (_NEVER_ABOVE, *cautions_for(question))
