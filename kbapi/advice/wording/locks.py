"""The sentences about what a platform allows."""

from typing import Final

from kbapi.advice.wording.language import marked, say

_STATUSES: Final = {
    "open": marked("it can be set"),
    "firmware_only": marked("it can be set in the firmware's own menu only"),
    "chip_locked": marked("the chip itself does not take it"),
    "firmware_locked": marked("the firmware has locked it"),
    "hypervisor_blocked": marked("a hypervisor keeps it from the operating system"),
    "os_blocked": marked("the operating system does not let it through"),
    "not_exposed": marked("nothing offers it"),
    "mixed": marked("reports differ: it depends on machine, firmware and protections"),
    "unknown": marked("nobody has reported yet whether it can be set"),
}


def status_in_words(word: str) -> str:
    """A lock status as people say it."""
    return say(_STATUSES[word])


def summary_of_locks(chip_name: str, told: list[tuple[str, str, str]]) -> str:
    """One sentence for each control: whether it can be set."""
    if not told:
        return say(
            "Nobody has reported yet what {chip} allows: {unknown}.",
            chip=chip_name,
            unknown=status_in_words("unknown"),
        )
    parts = say("; ").join(
        say("{control} on {rail}: {status}", control=control, rail=domain, status=words)
        for domain, control, words in told
    )
    return say("{chip} - {parts}.", chip=chip_name, parts=parts)


_POSSIBLE: Final = (
    marked(
        "A lower power limit, where the system or the firmware offers one, trades little speed "
        "for much heat and noise."
    ),
    marked(
        "The platform profile (quiet, balanced) and a lower highest clock do the same without "
        "any voltage control."
    ),
    marked(
        "A clean fan, free vents and, by qualified hands, fresh thermal paste lower temperatures "
        "at the same voltage."
    ),
)
_POSSIBLE_BESIDE: Final = {
    "gpu": marked("A limit on frames per second takes load off where nothing is lost by it."),
    "cpu": marked("Graphics in the same machine may still be open: ask for them separately."),
}


def still_possible(kind: str) -> tuple[str, ...]:
    """What can be done where a control is locked, without opening it."""
    return tuple(say(text) for text in (*_POSSIBLE, _POSSIBLE_BESIDE[kind]))
