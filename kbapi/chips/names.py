"""Text to chip name: the one way in."""

from dataclasses import replace
from typing import Final

from kbapi.chips import ids as id_table
from kbapi.chips.chip import ChipIds, ChipName, Identification, Match, ReadNameCode
from kbapi.chips.grammar import cleaning, families, reading, refusals, suggestions
from kbapi.vocabulary import ChipKind, Form

__all__ = [
    "GRAMMAR_VERSION",
    "ChipIds",
    "ChipName",
    "Identification",
    "Match",
    "identify_chip",
]

GRAMMAR_VERSION: Final[int] = 3

_REASONS: Final[dict[ReadNameCode, str]] = {
    "named": "The name says which chip it is.",
    "key": "This is the chip's canonical key.",
    "decided_by_ids": "Several chips share this name; the numbers sent beside it decide.",
    "decided_by_form": "Several chips share this name; the machine's form decides.",
    "engineering_sample": "This is an engineering sample, which may differ from the model sold.",
    "shared_name": "Desktop and laptop parts or sizes of memory share this name.",
    "several": "Several chips share this name; choose one.",
    "family_name": "This names a family of chips, not one chip.",
    "unreadable": "This does not read as a chip's name.",
    "unknown_name": "No known chip has this name. Send it as the system prints it.",
}
_OTHER_KIND: Final[dict[ChipKind, str]] = {
    "cpu": "The name is a processor's, but graphics were asked for.",
    "gpu": "The name is a graphics chip's, but a processor was asked for.",
}


def identify_chip(
    text: str, *, kind: ChipKind | None = None, form: Form | None = None, ids: ChipIds | None = None
) -> Identification:
    """What the text names: one chip, several candidates, or nothing with a reason."""
    folded = cleaning.fold(text)
    if not folded:
        return _none("unreadable")
    if refusal := refusals.find_refusal(folded):
        return Identification("none", None, (), refusal.code, refusal.reason)
    read = reading.read(folded, prints_desktop=_prints_desktop(text))
    ids = _with_embedded(ids, read)
    candidates = _candidates(read, kind)
    if by_key := next((chip for chip in candidates if chip.key == folded), None):
        answer = _exact("key", by_key)
    elif candidates:
        answer = _decide(read, candidates, form, ids)
    else:
        answer = _without_candidates(read, ids)
    return replace(answer, conflict=_find_conflict(answer, kind, ids))


def _prints_desktop(text: str) -> bool:
    """Whether case tells a desktop part: drivers print SUPER for it, and Super for a laptop's."""
    return "SUPER" in text and text != text.upper()


def _candidates(read: reading.Reading, kind: ChipKind | None) -> tuple[ChipName, ...]:
    """All chips that the reading can mean, the ones that share a printed name included."""
    chips = tuple(dict.fromkeys(one for chip in read.chips for one in reading.sharers(chip)))
    if read.mobile is not None:
        formed = tuple(c for c in chips if families.is_laptop_key(c.key) is read.mobile)
        chips = formed or chips
    return tuple(chip for chip in chips if chip.kind == kind) or chips


def _decide(
    read: reading.Reading, candidates: tuple[ChipName, ...], form: Form | None, ids: ChipIds
) -> Identification:
    """The answer that candidates, numbers and form allow."""
    if read.is_sample:
        return _ambiguous("engineering_sample", candidates)
    if len(candidates) == 1:
        only_one = not read.is_family or id_table.find_key(ids) == candidates[0].key
        return _exact("named", candidates[0]) if only_one else _ambiguous("several", candidates)
    if len(by_ids := id_table.decided_by(ids, candidates)) == 1:
        return _exact("decided_by_ids", by_ids[0])
    if len(by_form := _of_form(by_ids, form)) == 1:
        return _exact("decided_by_form", by_form[0])
    shared = len(read.chips) == 1 and not read.is_family
    return _ambiguous("shared_name" if shared else "several", by_ids)


def _without_candidates(read: reading.Reading, ids: ChipIds) -> Identification:
    """The answer to a family's name, and to a name that no rule covers."""
    if not read.is_family:
        near = suggestions.suggestions(read.words)
        return replace(_none("unknown_name"), candidates=tuple(chip.key for chip in near))
    key = id_table.find_key(ids)
    chip = reading.find_chip(key.replace("-", " ")) if key else None
    return _exact("decided_by_ids", chip) if chip else _ambiguous("family_name", ())


def _of_form(chips: tuple[ChipName, ...], form: Form | None) -> tuple[ChipName, ...]:
    if form not in ("laptop", "desktop"):
        return chips
    return tuple(c for c in chips if families.is_laptop_key(c.key) is (form == "laptop"))


def _with_embedded(ids: ChipIds | None, read: reading.Reading) -> ChipIds:
    """The numbers that were sent, completed with those that stand in the text."""
    ids = ids or ChipIds()
    if ids.pci_id is None and read.pci_id is not None:
        return replace(ids, pci_id=read.pci_id, pci_revision=read.pci_revision)
    return ids


def _find_conflict(answer: Identification, kind: ChipKind | None, ids: ChipIds) -> str | None:
    """A sentence on how an exact name contradicts what was sent with it."""
    if answer.chip is None:
        return None
    # Apple's chips are both at once and have one name.
    if kind not in (None, answer.chip.kind) and answer.chip.maker != "apple":
        return _OTHER_KIND[answer.chip.kind]
    return id_table.find_conflict(ids, answer.chip)


def _exact(code: ReadNameCode, chip: ChipName) -> Identification:
    return Identification("exact", chip, (), code, _REASONS[code])


def _ambiguous(code: ReadNameCode, chips: tuple[ChipName, ...]) -> Identification:
    keys = tuple(chip.key for chip in chips)
    return Identification("ambiguous", None, keys, code, _REASONS[code])


def _none(code: ReadNameCode) -> Identification:
    return Identification("none", None, (), code, _REASONS[code])
