"""Stored answers read on the hot way: one statement of the driver itself, no transaction around it.

Most requests are for an answer that is there. The engine's connection, transaction and result cost
ten times what SQLite needs for the row.
"""

from collections import deque
from datetime import date
from pathlib import Path
from typing import Any, Final

from kbapi.storage.answers import AnswerBytes
from kbapi.storage.faults import readable_faults
from kbapi.storage.sqlite import open_reading_connection

# The stamp is compared inside the statement, so that one row is all that comes out of SQLite.
_FRESH_ANSWER: Final = """
    SELECT answer.body, answer.etag
    FROM stored_answer AS answer
    JOIN line ON line.id = answer.line_id
    WHERE answer.question = ? AND answer.stamp_revision = line.revision
      AND answer.stamp_version = ? AND answer.stamp_day = ?
"""


class HotAnswers:
    """The stored answers of one database; a connection for each that reads at the same time."""

    def __init__(self, database: Path, *, is_sealed: bool = False) -> None:
        self._database = database
        self._is_sealed = is_sealed
        self._idle: deque[Any] = deque()

    def find(self, question: str, version: str, today: date) -> AnswerBytes | None:
        """The stored answer to this question, if nothing that it stands on has changed.

        Raises
        ------
        StorageBusy, StorageBroken
            When the database can't be read now.
        """
        asked = (question, version, today.isoformat())
        with readable_faults():
            connection = self._take()
            # All rows, because a statement that is not finished holds its snapshot.
            rows = connection.execute(_FRESH_ANSWER, asked).fetchall()
            self._idle.append(connection)
        return AnswerBytes(*rows[0]) if rows else None

    def _take(self) -> Any:
        try:
            return self._idle.pop()
        except IndexError:
            return open_reading_connection(self._database, is_sealed=self._is_sealed)

    def close(self) -> None:
        """Give the connections back to the operating system."""
        while self._idle:
            self._idle.pop().close()
