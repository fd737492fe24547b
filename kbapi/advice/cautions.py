"""The cautions of every answer: codes, sentences and their order."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from kbapi.advice.stored_answers import Asked

_TEXTS: Final = {
    "save_first": (
        "Save your work and make a backup first. Check your files after every crash: saved data "
        "can be damaged too."
    ),
    "wrong_results_first": (
        "Wrong results can come before any crash. Test with loads that check their own results, "
        "and do no important work meanwhile."
    ),
    "know_how_to_recover": (
        "Before the first step, learn how to start the machine without the setting: by power "
        "off, or by a firmware reset. Enter it by hand for weeks before you apply it at start-up."
    ),
    "disk_encryption": (
        "Have the recovery key of your disk encryption at hand: it may be asked for after a "
        "firmware change."
    ),
    "protections": (
        "Switching a protection off lowers security: leave it on where it guards work or other "
        "people's data. If it is off, switch it on again when you stop."
    ),
    "makers_instructions": (
        "For firmware changes, follow the maker's instructions, your warranty and local rules. "
        "Leave opened machines to qualified people."
    ),
    "test_every_state": (
        "Test cold starts, battery, resume from sleep and hybrid graphics separately: each "
        "behaves differently."
    ),
    "graphics_in_use": (
        "The tuned graphics may draw your desktop: a failed setting can leave the screen dark. "
        "With hybrid graphics, check that the load runs on the tuned chip."
    ),
    "picture_faults": (
        "On graphics, picture faults and driver resets are failures. A failed driver restart can "
        "end the whole session."
    ),
    "counts_are_not_mv": (
        "A count is a step that the maker defines, not a millivolt. Never enter one as the other."
    ),
    "limits_shrink": (
        "Limits shrink with age, heat and updates. Test again after each season and each firmware "
        "or driver change."
    ),
    "unsuitable_machines": "Leave work, medical, server and shared machines at stock.",
    "stop_and_ask_qualified_people": (
        "Stop and ask qualified people if a machine fails at stock, a battery swells or a cooler "
        "stops working."
    ),
    "one_group_at_a_time": (
        "Move one group of supply rails (domains) at a time, the others at stock or at passed "
        "settings. Otherwise a failure does not show its cause."
    ),
    "one_pass_is_no_proof": (
        "A setting that passed a trial may still fail later. Before daily use, test it for hours: "
        "several loads, cold starts, sleep."
    ),
    "history_not_advice": (
        "Changes that opened a control are history, not advice: nothing here recommends undoing a "
        "lock. Older firmware and microcode have known security holes."
    ),
    "locked_for_security": (
        "A control may be locked to close a security hole: accept the lock. Keep firmware, "
        "microcode and system up to date, as the maker instructs."
    ),
    "temperature_alone": (
        "A lower temperature alone is no gain: compare at equal power, equal performance, one fan "
        "speed and one room temperature. A chip at its power or heat limit gains clock and stays "
        "as hot."
    ),
    "limits_only_lower": (
        "Power limits here only go down. No answer raises one above stock, or changes a limit of "
        "temperature or protection."
    ),
}
CODES: Final = tuple(_TEXTS)
"""The code of every caution, the most urgent first."""


def caution_text(code: str) -> str:
    """The sentences of a caution."""
    return _TEXTS[code]


@dataclass(frozen=True, slots=True)
class Caution:
    """One caution that belongs to an answer."""

    code: str
    """The caution as a code that never changes."""
    text: str
    """The caution in one or two sentences."""


_ALWAYS: Final = (
    "save_first",
    "wrong_results_first",
    "know_how_to_recover",
    "disk_encryption",
    "protections",
    "makers_instructions",
    "test_every_state",
    "graphics_in_use",
    "picture_faults",
    "counts_are_not_mv",
    "limits_shrink",
    "unsuitable_machines",
    "stop_and_ask_qualified_people",
)
_ON_GRAPHICS: Final = ("graphics_in_use", "picture_faults")
_IN_COUNTS: Final = ("counts_are_not_mv",)
_SEARCHING: Final = ("one_group_at_a_time", "one_pass_is_no_proof")
_ABOUT_LOCKS: Final = (
    "history_not_advice",
    "locked_for_security",
    "save_first",
    "know_how_to_recover",
    "disk_encryption",
    "protections",
    "makers_instructions",
    "unsuitable_machines",
)
_ABOUT_TIME: Final = (
    "save_first",
    "wrong_results_first",
    "limits_shrink",
    "test_every_state",
    "know_how_to_recover",
    "disk_encryption",
    "makers_instructions",
    "unsuitable_machines",
    "stop_and_ask_qualified_people",
)


_FIRST_BY_FAILURE: Final = {
    "wrong_result": "wrong_results_first",
    "corrected_machine_check": "wrong_results_first",
    "boot_failure": "know_how_to_recover",
    "resume_failure": "test_every_state",
    "artefact": "picture_faults",
    "driver_reset": "picture_faults",
}


def cautions_for(question: Asked, control: str | None = None) -> tuple[Caution, ...]:
    """The cautions about a setting of this control on the chip that is asked about."""
    left_out: list[str] = []
    first = "save_first"
    if control == "count_offset":
        first = "counts_are_not_mv"
    else:
        left_out.extend(_IN_COUNTS)
    if question.chip.kind == "gpu":
        first = "graphics_in_use"
    else:
        left_out.extend(_ON_GRAPHICS)
    return _in_order(first, (code for code in _ALWAYS if code not in left_out))


def cautions_while_searching(
    question: Asked, control: str, *, fails_at_stock: bool
) -> tuple[Caution, ...]:
    """The cautions about a setting that is proposed for a trial."""
    cautions = cautions_for(question, control)
    first = "stop_and_ask_qualified_people" if fails_at_stock else cautions[0].code
    return _in_order(first, (*(caution.code for caution in cautions), *_SEARCHING))


def cautions_about_locks(changes: Iterable[str], *, is_mostly_locked: bool) -> tuple[Caution, ...]:
    """The cautions about locks.

    `changes` are those that opened the control on other machines.
    """
    first = "locked_for_security" if is_mostly_locked else "history_not_advice"
    return _in_order("protections" if "protection_off" in changes else first, _ABOUT_LOCKS)


def cautions_about_time() -> tuple[Caution, ...]:
    """The cautions about settings over months."""
    return _in_order("limits_shrink", _ABOUT_TIME)


def cautions_about_failure(
    failure: str | None, *, is_graphics: bool, fails_at_stock: bool
) -> tuple[Caution, ...]:
    """The cautions about a setting that is no longer stable."""
    first = _FIRST_BY_FAILURE.get(failure or "", "save_first")
    codes = (*_ABOUT_TIME, *(_ON_GRAPHICS if is_graphics or first in _ON_GRAPHICS else ()))
    return _in_order("stop_and_ask_qualified_people" if fails_at_stock else first, codes)


def cautions_about_gains(question: Asked) -> tuple[Caution, ...]:
    """The cautions about what tuning changed."""
    return _in_order("temperature_alone", (caution.code for caution in cautions_for(question)))


def cautions_about_power(question: Asked) -> tuple[Caution, ...]:
    """The cautions about power limits."""
    return _in_order("limits_only_lower", (caution.code for caution in cautions_for(question)))


def every_caution() -> tuple[Caution, ...]:
    """Every caution of any answer."""
    return _in_order(CODES[0], CODES)


def _in_order(first: str, codes: Iterable[str]) -> tuple[Caution, ...]:
    """The cautions with this one first, the others in their order."""
    others = (code for code in codes if code != first)
    return tuple(Caution(code, caution_text(code)) for code in (first, *others))
