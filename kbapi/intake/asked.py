"""A question that comes as a body: read like a document, and stored nowhere."""

from typing import Any

from kbapi.chips.catalogue import Catalogue
from kbapi.chips.chip import ChipName
from kbapi.chips.resolve import resolve_chip
from kbapi.errors import DocumentRefused, Problem
from kbapi.intake.json_text import read_json
from kbapi.intake.scrubber import find_identities, told_safely


def read_asked(body: bytes) -> Any:
    """The JSON value of a question.

    Raises
    ------
    JsonUnreadable
        When the bytes are not JSON text.
    DocumentRefused
        When the text has faults or something in it identifies a person; what it is, is not told.
    """
    reading = read_json(body)
    problems = [*find_identities(reading.value), *reading.problems]
    if problems:
        raise DocumentRefused(problems=told_safely(problems))
    return reading.value


def chip_of_body(value: Any, catalogue: Catalogue) -> ChipName | Problem | None:
    """The chip that the value names, or its problem; None where the schema has one to tell."""
    text = value.get("chip") if isinstance(value, dict) else None
    return resolve_chip(text, "/chip", catalogue) if isinstance(text, str) and text else None
