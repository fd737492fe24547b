"""What a text names, told to a person: one chip, several candidates, or why there is none."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from marshmallow import fields, validate

from kbapi.chips.catalogue import Catalogue
from kbapi.chips.chip import ChipIds, ChipSummary, Form, Identification, Kind
from kbapi.chips.names import identify_chip
from kbapi.errors import QueryInvalid
from kbapi.vocabulary import FORMS
from kbapi.wire import OneWordOf, ParameterCount, StrictSchema, Whole, read_parameters

_LONGEST_TEXT: Final = 10_000


@dataclass(frozen=True, slots=True)
class Candidate:
    """A chip that may be meant."""

    key: str


@dataclass(frozen=True, slots=True)
class IdentifyAnswer:
    """What the text was understood as; never repeats the text."""

    match: str
    """exact, ambiguous or none."""
    chip: ChipSummary | None
    candidates: tuple[Candidate, ...]
    code: str
    reason: str
    chip_conflict: str | None
    """How the numbers sent beside the name contradict it, if they do."""


class IdentifySchema(StrictSchema):
    """The query parameters of an identification."""

    text = fields.String(
        required=True,
        validate=validate.Length(max=_LONGEST_TEXT),
        metadata={
            "description": "A chip's name as a system prints it.",
            "example": "Norvane(R) Sable(TM) 7 4820MX @ 2.60GHz",
        },
    )
    kind = fields.String(
        validate=OneWordOf(("cpu", "gpu")),
        metadata={"description": "What the text is the name of.", "example": "cpu"},
    )
    form = fields.String(
        validate=OneWordOf(FORMS),
        metadata={"description": "The machine's form, for shared names.", "example": "laptop"},
    )
    family = ParameterCount(
        validate=validate.Range(0, 4095),
        metadata={"description": "Processor family.", "example": 6},
    )
    model = ParameterCount(
        validate=validate.Range(0, 4095),
        metadata={"description": "Processor model.", "example": 158},
    )
    stepping = ParameterCount(
        validate=validate.Range(0, 255),
        metadata={"description": "Processor stepping.", "example": 10},
    )
    pci_id = fields.String(
        validate=Whole(r"[0-9A-Fa-f]{4}:[0-9A-Fa-f]{4}", error="A PCI id is written 1002:73ff."),
        metadata={"description": "PCI vendor and device.", "example": "1002:73ff"},
    )
    pci_revision = fields.String(
        validate=Whole(r"[0-9A-Fa-f]{2}", error="A PCI revision is two hex digits, such as c1."),
        metadata={"description": "PCI revision.", "example": "c1"},
    )


_IDENTIFY: Final = IdentifySchema()


def identify(sent: Mapping[str, Sequence[str]], catalogue: Catalogue) -> IdentifyAnswer:
    """What the text names, with the numbers and the form that were sent beside it.

    Raises
    ------
    QueryInvalid
        With every problem of the parameters.
    """
    read = read_parameters(_IDENTIFY, sent)
    if read.problems:
        raise QueryInvalid(problems=read.problems)
    asked = read.values
    ids = ChipIds(
        family=asked.get("family"),
        model=asked.get("model"),
        stepping=asked.get("stepping"),
        pci_id=asked.get("pci_id"),
        pci_revision=asked.get("pci_revision"),
    )
    return identify_with(
        asked["text"], catalogue, kind=asked.get("kind"), form=asked.get("form"), ids=ids
    )


def identify_with(
    text: str,
    catalogue: Catalogue,
    *,
    kind: Kind | None = None,
    form: Form | None = None,
    ids: ChipIds | None = None,
) -> IdentifyAnswer:
    """What the text names, placed as the catalogue places it."""
    return _told(identify_chip(text, kind=kind, form=form, ids=ids), catalogue)


def _told(found: Identification, catalogue: Catalogue) -> IdentifyAnswer:
    chip = None
    if found.chip is not None:
        placed = catalogue.placed(found.chip)
        chip = placed.summary
    return IdentifyAnswer(
        match=found.match,
        chip=chip,
        candidates=tuple(Candidate(key) for key in found.candidates),
        code=found.code,
        reason=found.reason,
        chip_conflict=found.conflict,
    )
