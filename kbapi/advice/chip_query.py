"""What every question about one chip shares: its chip, how it is read, what is usual."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from marshmallow import ValidationError

from kbapi.chips.catalogue import Catalogue, resolve_chip
from kbapi.chips.chip import ChipName
from kbapi.documents.shapes import StrictSchema, Text, read_parameters
from kbapi.errors import Problem, QueryInvalid
from kbapi.vocabulary import Domain


class ChipQuestionSchema(StrictSchema):
    """The parameter that all of these questions begin with."""

    chip = Text(
        required=True,
        metadata={
            "description": "The chip as the system prints it, or a catalogue key.",
            "example": "norvane-sable-7-4820mx",
        },
    )


@dataclass(frozen=True, slots=True)
class AskedOfChip:
    """The chip that is asked about, and the other parameters as their schema read them."""

    chip: ChipName
    values: dict[str, Any]


def _no_more_faults(_: Mapping[str, Any]) -> Iterable[Problem]:
    return ()


def read_chip_question(
    schema: ChipQuestionSchema,
    sent: Mapping[str, Sequence[str]],
    catalogue: Catalogue,
    faults_of: Callable[[Mapping[str, Any]], Iterable[Problem]] = _no_more_faults,
) -> AskedOfChip:
    """What these parameters ask, each sent with all the values it came with.

    `faults_of` tells what is wrong with values that are each right alone.

    Raises
    ------
    QueryInvalid
        With every problem; a pointer is the name of a parameter.
    """
    read = read_parameters(schema, sent)
    text = sent.get("chip", ("",))[0]
    # A chip that is missing is told by the schema.
    chip = resolve_chip(text, "chip", catalogue) if text else None
    told = (chip,) if isinstance(chip, Problem) else ()
    problems = [*read.problems, *told, *faults_of(read.values)]
    if problems or not isinstance(chip, ChipName):
        raise QueryInvalid(problems=problems)
    return AskedOfChip(chip, read.values)


def usual_domain(chip: ChipName) -> Domain:
    """The rail that is meant where none is named."""
    return "core" if chip.kind == "cpu" else "gpu_core"


def on_the_hundredth(share: float) -> None:
    """Nothing for a share in whole hundredths.

    Raises
    ------
    ValidationError
        For any other.
    """
    if abs(share * 100 - round(share * 100)) > 1e-9:
        raise ValidationError("A share is given in hundredths, such as 0.9 or 0.95.")
