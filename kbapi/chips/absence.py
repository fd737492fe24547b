"""The domains and controls that a chip does not have, each with what it has instead."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Literal

from kbapi.chips.catalogue import Catalogue, Presence
from kbapi.chips.chip import ChipName
from kbapi.vocabulary import CONTROLS, DOMAINS, Control, Domain

NOT_ON_THIS_CHIP: Final[Literal["not_on_this_chip"]] = "not_on_this_chip"
"""The code of a refusal, of a screening rule, and of a reason for an answer without numbers."""


@dataclass(frozen=True, slots=True)
class Absence:
    """A domain or a control that the catalogue describes a chip without."""

    name: Domain | Control
    is_certain: bool
    """Whether a source says so; otherwise results with it are stored and excluded."""
    text: str
    """What the chip lacks and what it has, for a person."""


def find_absences(
    catalogue: Catalogue, chip: ChipName, domains: Sequence[Domain], control: Control | None
) -> Iterator[Absence]:
    """The domains that the chip lacks, then the control if the others of them lack it."""
    there: list[Domain] = []
    for domain in domains:
        presence = catalogue.domain_presence(chip, domain)
        if presence.state == "absent":
            known = {one: catalogue.domain_presence(chip, one) for one in DOMAINS}
            yield _absence(chip, domain, domain, presence, known)
        else:
            there.append(domain)
    absent = None if control is None else _absent_control(catalogue, chip, there, control)
    if absent is not None:
        yield absent


def find_absent_tuning(catalogue: Catalogue, chip: ChipName) -> Absence | None:
    """That the chip has no control at all; None if it has one, or may have one."""
    known = {one: catalogue.control_presence(chip, one) for one in CONTROLS}
    if any(presence.state != "absent" for presence in known.values()):
        return None
    certain = all(presence.is_certain for presence in known.values())
    return _absence(chip, CONTROLS[0], "control", Presence("absent", certain), known)


def _absent_control(
    catalogue: Catalogue, chip: ChipName, domains: Sequence[Domain], control: Control
) -> Absence | None:
    """The control, if the chip lacks it altogether or on one of these domains."""
    for domain in (None, *domains):
        presence = catalogue.control_presence(chip, control, domain)
        if presence.state == "absent":
            known = {one: catalogue.control_presence(chip, one, domain) for one in CONTROLS}
            what = control if domain is None else f"{control} on {domain}"
            return _absence(chip, control, what, presence, known)
    return None


def _absence(
    chip: ChipName,
    name: Domain | Control,
    what: str,
    presence: Presence,
    known: Mapping[Domain, Presence] | Mapping[Control, Presence],
) -> Absence:
    lacks = f"{chip.name} has no {what}."
    if not presence.is_certain:
        lacks = f"The catalogue lists no {what} for {chip.name}, but may be wrong."
    return Absence(name, presence.is_certain, f"{lacks} {_what_it_has(known)}")


def _what_it_has(known: Mapping[Domain, Presence] | Mapping[Control, Presence]) -> str:
    """What is there, else what may be there.

    >>> _what_it_has({"core": Presence("present", True), "ring": Presence("absent", True)})
    'It has: core.'
    >>> _what_it_has({"gpu_core": Presence("unclear", False)})
    'It may have: gpu_core.'
    >>> _what_it_has({"core": Presence("absent", True)})
    'The catalogue lists none.'
    """
    for state, verb in (("present", "It has"), ("unclear", "It may have")):
        names = [name for name, presence in known.items() if presence.state == state]
        if names:
            return f"{verb}: {', '.join(names)}."
    return "The catalogue lists none."
