"""The sentences of the cautions, by their codes."""

from typing import Final

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
        "Before the first step, learn how to start the machine without the setting. Do not apply "
        "it at start-up before weeks of use."
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
        "A setting that passed a trial may still fail later. Test it for hours, under several "
        "loads, after a cold start and after sleep."
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
"""Of every caution, the most urgent first."""


def caution_in_words(code: str) -> str:
    """What a caution says."""
    return _TEXTS[code]
