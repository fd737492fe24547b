"""A question that comes as a body: read like a document, and stored nowhere."""

from dataclasses import replace
from typing import Any

from kbapi.errors import DocumentRefused
from kbapi.intake.json_text import read_json
from kbapi.intake.scrubber import find_identities, without_identities


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
        safe = [replace(one, pointer=without_identities(one.pointer)) for one in problems]
        raise DocumentRefused(problems=safe)
    return reading.value
