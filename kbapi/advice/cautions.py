"""The cautions that travel with every number: which belong to what, the most urgent first."""

from dataclasses import dataclass
from typing import Final

from kbapi.advice.stored import Asked
from kbapi.advice.wording.cautions import caution_in_words


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
    "know_the_way_back",
    "disk_encryption",
    "protections",
    "makers_instructions",
    "test_every_state",
    "picture_faults",
    "limits_shrink",
    "not_these_machines",
    "stop_and_ask",
)
_ON_GRAPHICS: Final = frozenset({"picture_faults"})
_SEARCHING: Final = ("one_group_at_a_time", "a_pass_is_no_proof")
_ABOUT_LOCKS: Final = (
    "history_not_advice",
    "locked_for_security",
    "save_first",
    "know_the_way_back",
    "disk_encryption",
    "protections",
    "makers_instructions",
    "not_these_machines",
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


def cautions_for(question: Asked) -> tuple[Caution, ...]:
    """Every caution that belongs to an answer to this question."""
    is_graphics = question.chip.kind == "gpu"
    return _told(tuple(code for code in _ALWAYS if is_graphics or code not in _ON_GRAPHICS))


def cautions_while_searching(question: Asked) -> tuple[Caution, ...]:
    """The cautions that belong to a setting that is proposed for a trial."""
    return (*cautions_for(question), *_told(_SEARCHING))


def cautions_about_locks() -> tuple[Caution, ...]:
    """The cautions that belong to whether a control can be used."""
    return _told(_ABOUT_LOCKS)


def cautions_about_time() -> tuple[Caution, ...]:
    """The cautions that belong to settings over months, and to one that is no longer stable."""
    return _told(_ABOUT_TIME)


def cautions_about_gains(question: Asked) -> tuple[Caution, ...]:
    """The cautions that belong to what tuning changed."""
    return (*_told(("temperature_alone",)), *cautions_for(question))


def cautions_about_power(question: Asked) -> tuple[Caution, ...]:
    """The cautions that belong to a power limit."""
    return (*_told(("limits_only_lower",)), *cautions_for(question))


def _told(codes: tuple[str, ...]) -> tuple[Caution, ...]:
    return tuple(Caution(code, caution_in_words(code)) for code in codes)
