"""The parts that every query about one chip has: the chip, problems, the usual domain."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from marshmallow import ValidationError, validate

from kbapi.bounds import LONGEST_RECORD
from kbapi.chips.catalogue import Catalogue, resolve_chip
from kbapi.chips.chip import ChipName
from kbapi.documents.reader import read_parameters
from kbapi.documents.shapes import StrictSchema, Text, find_machine, machine_unknown
from kbapi.errors import Problem, QueryInvalid


class ChipQuestionSchema(StrictSchema):
    """The parameter that all of these queries have."""

    chip = Text(
        required=True,
        validate=validate.Length(1, LONGEST_RECORD),
        metadata={
            "description": "The chip as the system prints it, or a catalogue key.",
            "example": "norvane-sable-7-4820mx",
        },
    )


@dataclass(frozen=True, slots=True)
class ChipQuery:
    """The chip that is asked about, and the other parameters as their schema read them."""

    chip: ChipName
    values: dict[str, Any]


def _no_problems(_: Mapping[str, Any]) -> Iterable[Problem]:
    return ()


def read_chip_question(
    schema: ChipQuestionSchema,
    sent: Mapping[str, Sequence[str]],
    catalogue: Catalogue,
    problems_with: Callable[[Mapping[str, Any]], Iterable[Problem]] = _no_problems,
) -> ChipQuery:
    """The query in these parameters, each with all the values it was sent with.

    `problems_with` finds problems between values that are each valid alone.

    Raises
    ------
    QueryInvalid
        With every problem; a pointer is the name of a parameter.
    """
    read = read_parameters(schema, sent)
    text = sent.get("chip", ("",))[0]
    # The schema reports a missing chip.
    chip = resolve_chip(text, "chip", catalogue) if text else None
    unknown = (chip,) if isinstance(chip, Problem) else ()
    values, machine = _with_machine(read.values, catalogue)
    problems = [*read.problems, *unknown, *machine, *problems_with(values)]
    if problems or not isinstance(chip, ChipName):
        raise QueryInvalid(problems=problems)
    return ChipQuery(chip, values)


def _with_machine(
    values: dict[str, Any], catalogue: Catalogue
) -> tuple[dict[str, Any], tuple[Problem, ...]]:
    """The values with the key of the machine class, or the problem of a text that names none."""
    text = values.get("machine")
    if text is None:
        return values, ()
    if machine := find_machine(text, catalogue.machines):
        return {**values, "machine": machine}, ()
    return values, (machine_unknown("machine"),)


def on_the_hundredth(share: float) -> None:
    """Accept a share in whole hundredths.

    Raises
    ------
    ValidationError
        For any other share.
    """
    if abs(share * 100 - round(share * 100)) > 1e-9:
        raise ValidationError("A share is given in hundredths, such as 0.9 or 0.95.")
