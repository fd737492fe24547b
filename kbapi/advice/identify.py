"""Which chip a text names: exactly one, several candidates, or the reason for none."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from marshmallow import fields, validate

from kbapi.bounds import LONGEST_RECORD
from kbapi.chips.catalogue import Catalogue
from kbapi.chips.chip import ChipIds, ChipSummary, IdentifyCode, Match
from kbapi.chips.naming import identify_chip
from kbapi.documents.reader import read_parameters
from kbapi.documents.shapes import OneChoiceOf, ParameterCount, StrictSchema, Whole
from kbapi.errors import QueryInvalid
from kbapi.vocabulary import CHIP_KINDS, FORMS, ChipKind, Form


@dataclass(frozen=True, slots=True)
class Candidate:
    """A chip that the text may mean."""

    key: str
    """Catalogue key of the chip."""


@dataclass(frozen=True, slots=True)
class IdentifyAnswer:
    """Which chip a text names; the text itself is not repeated."""

    match: Match
    """Whether the text names exactly one chip, one of several, or none."""
    chip: ChipSummary | None
    """The chip; null unless the match is exact."""
    candidates: tuple[Candidate, ...]
    """Chips that the text may mean; empty where the match is exact."""
    code: IdentifyCode
    """How the chip was found, or why it was not, as a code that never changes."""
    reason: str
    """How the chip was found, or why it was not, in one sentence."""
    chip_conflict: str | None
    """How the numbers or the kind sent with the name contradict it, in one sentence; null where
    they do not."""


class IdentifySchema(StrictSchema):
    """The query parameters of an identification."""

    text = fields.String(
        required=True,
        validate=validate.Length(max=LONGEST_RECORD),
        metadata={
            "description": "A chip's name as a system prints it, or a whole record that holds it.",
            "example": "Norvane(R) Sable(TM) 7 4820MX @ 2.60GHz",
        },
    )
    kind = fields.String(
        validate=OneChoiceOf(CHIP_KINDS),
        metadata={"description": "What the text is the name of.", "example": "cpu"},
    )
    form = fields.String(
        validate=OneChoiceOf(FORMS),
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
        validate=Whole(r"[0-9A-Fa-f]{4}:[0-9A-Fa-f]{4}", error="Write a PCI id as 1002:73ff."),
        metadata={"description": "PCI vendor and device.", "example": "1002:73ff"},
    )
    pci_revision = fields.String(
        validate=Whole(
            r"[0-9A-Fa-f]{2}", error="Write a PCI revision as two hex digits, such as c1."
        ),
        metadata={"description": "PCI revision.", "example": "c1"},
    )


_IDENTIFY: Final = IdentifySchema()


def identify(sent: Mapping[str, Sequence[str]], catalogue: Catalogue) -> IdentifyAnswer:
    """Which chip the text names, with the numbers and the form that were sent beside it.

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
    kind: ChipKind | None = None,
    form: Form | None = None,
    ids: ChipIds | None = None,
) -> IdentifyAnswer:
    """Which chip the text names, with the series and line of the catalogue."""
    found = identify_chip(text, kind=kind, form=form, ids=ids)
    return IdentifyAnswer(
        match=found.match,
        chip=catalogue.placed(found.chip).summary if found.chip else None,
        candidates=tuple(Candidate(key) for key in found.candidates),
        code=found.code,
        reason=found.reason,
        chip_conflict=found.conflict,
    )
