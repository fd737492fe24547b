"""The sentences of the cautions, by their codes, the most urgent first."""

from typing import Final

from kbapi.advice.wording.language import marked, say

_TEXTS: Final = {
    "save_first": marked(
        "Save your work and make a backup before you begin, and check your files after every "
        "crash: saved data can be damaged too."
    ),
    "wrong_results_first": marked(
        "Wrong results can come before any crash: test with loads that check their own "
        "results, and do nothing that matters while you search."
    ),
    "know_the_way_back": marked(
        "Know before the first step how to start the machine without the setting, and do not "
        "apply it at start-up before weeks of use."
    ),
    "disk_encryption": marked(
        "Disk encryption may ask for its recovery key after a firmware change: have it at hand."
    ),
    "protections": marked(
        "Switching a protection off lowers the security of the machine. Weigh whether it "
        "guards other people's data or is used for work, and switch it on again if you stop."
    ),
    "makers_instructions": marked(
        "Firmware changes follow the maker's instructions, your warranty and local rules; "
        "leave opened machines to qualified people."
    ),
    "test_every_state": marked(
        "Cold starts, battery, resume from sleep and hybrid graphics behave differently: test "
        "each of them."
    ),
    "picture_faults": marked(
        "On graphics, picture faults and driver resets are failures; a faulty driver restart "
        "can take the whole session with it."
    ),
    "limits_shrink": marked(
        "Limits shrink with age, heat and updates: test again after each season and each "
        "firmware or driver change."
    ),
    "not_these_machines": marked("Leave work, medical, server and shared machines at stock."),
    "stop_and_ask": marked(
        "A machine that fails at stock, a swollen battery or a dying cooler: stop, and ask "
        "qualified people."
    ),
    "one_group_at_a_time": marked(
        "Move one group of rails at a time, the others at stock or at what has passed: else a "
        "failure tells nothing of either."
    ),
    "a_pass_is_no_proof": marked(
        "A setting that passed a trial may still fail later: test what you settle on for hours, "
        "under several loads, after a cold start and after sleep."
    ),
    "history_not_advice": marked(
        "What others changed to open a control is told as history. Older firmware and microcode "
        "have known holes, and a maker locks a control for a reason: nothing here recommends "
        "undoing it."
    ),
    "locked_for_security": marked(
        "A locked control may be locked to close a security hole. Follow the maker's instructions, "
        "keep firmware, microcode and system up to date, and take the lock as it is."
    ),
    "temperature_alone": marked(
        "A lower temperature alone is no gain: compare at equal power, at equal performance, at "
        "one fan speed and in one room. A chip at its power or heat limit gains clock and stays "
        "as hot."
    ),
    "limits_only_lower": marked(
        "A power limit is only ever lowered here. Nothing in this answer lifts one above stock, or "
        "touches a limit of temperature or protection."
    ),
}


def caution_in_words(code: str) -> str:
    """What a caution says."""
    return say(_TEXTS[code])
