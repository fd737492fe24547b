"""What nearly every request reads: one statement of the driver itself, no transaction around it.

The engine's connection, transaction and result cost ten times what SQLite needs for a row.
"""

from collections import deque
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from kbapi.storage.faults import readable_faults
from kbapi.storage.sqlite import open_reading_connection


class HotReads:
    """Single statements on one database; a connection for each that reads at the same time."""

    def __init__(self, database: Path, *, is_sealed: bool = False) -> None:
        self._database = database
        self._is_sealed = is_sealed
        self._idle: deque[Any] = deque()

    def rows(self, statement: str, asked: Sequence[Any]) -> list[Any]:
        """All rows of a statement, as they are at this moment.

        Raises
        ------
        StorageBusy, StorageBroken
            When the database can't be read now.
        """
        with readable_faults():
            connection = self._take()
            # All rows, because a statement that is not finished holds its snapshot.
            rows: list[Any] = connection.execute(statement, asked).fetchall()
            self._idle.append(connection)
        return rows

    def _take(self) -> Any:
        try:
            return self._idle.pop()
        except IndexError:
            return open_reading_connection(self._database, is_sealed=self._is_sealed)

    def close(self) -> None:
        """Give the connections back to the operating system."""
        while self._idle:
            self._idle.pop().close()
