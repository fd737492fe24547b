"""Every error that kbapi raises on purpose; none of them knows HTTP.

`api/problems.py` is the one place that gives each class a status.
"""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Problem:
    """One fault of a document or a query: where it is, its code, and what would be right."""

    pointer: str
    """RFC 6901 JSON pointer into the document, or the name of a query parameter."""
    code: str
    detail: str


class KbapiError(Exception):
    """The base of all errors that are meant for a person to read."""

    def __init__(self, detail: str) -> None:
        super().__init__(detail)
        self.detail = detail
