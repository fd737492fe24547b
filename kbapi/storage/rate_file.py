"""Requests counted in a small SQLite file of their own: exact over processes, kept for a minute."""

import os
import threading
from contextlib import suppress
from pathlib import Path
from typing import Any, Final

from pysqlite3 import dbapi2

from kbapi.clock import Clock
from kbapi.storage.rate_counts import CountsUnavailable

PATIENCE_S: Final = 0.5
"""How long a request may wait to be counted before it goes on uncounted.

Long enough that a busy machine, where whoever holds the file may be asleep, still counts: limits
that went away under load would be none.
"""
_PRUNED_EVERY_S: Final = 60
_PRAGMAS: Final = (
    f"PRAGMA busy_timeout={round(PATIENCE_S * 1000)}",
    "PRAGMA page_size=1024",  # each count writes a page to the log
    "PRAGMA journal_mode=WAL",
    "PRAGMA synchronous=OFF",  # counts of one minute are not worth a flush
    "PRAGMA trusted_schema=OFF",
    "PRAGMA mmap_size=0",
    f"PRAGMA journal_size_limit={1024 * 1024}",
)
_SCHEMA: Final = """
    CREATE TABLE IF NOT EXISTS counted (
        key TEXT PRIMARY KEY NOT NULL,
        hits INTEGER NOT NULL CHECK (hits > 0),
        ends INTEGER NOT NULL
    ) WITHOUT ROWID
"""
_COUNT: Final = """
    INSERT INTO counted (key, hits, ends) VALUES (?, 1, ?)
    ON CONFLICT (key) DO UPDATE SET hits = hits + 1 RETURNING hits
"""
_PRUNE: Final = "DELETE FROM counted WHERE ends <= ?"


class RateFile:
    """Counts in a file; opened at the first request of a process, so never before a fork."""

    def __init__(self, path: Path, now: Clock) -> None:
        self._path = path
        self._now = now
        self._lock = threading.Lock()
        self._connection: Any = None
        self._prunes_at = 0

    def incr(self, key: str, expiry: int) -> int:
        """How often this key was counted by now, this time included; one statement.

        Raises
        ------
        CountsUnavailable
            When the file is locked for longer than the patience, broken, or cannot be written.
        """
        if not self._lock.acquire(timeout=PATIENCE_S):
            raise CountsUnavailable
        try:
            return self._counted(key, int(self._now().timestamp()), expiry)
        except (dbapi2.Error, OSError) as fault:
            self._forget_connection()
            raise CountsUnavailable from fault
        finally:
            self._lock.release()

    def _counted(self, key: str, now: int, expiry: int) -> int:
        if self._connection is None:
            self._connection = _open(self._path)
        if now >= self._prunes_at:
            self._connection.execute(_PRUNE, (now,))
            self._prunes_at = now + _PRUNED_EVERY_S
        ((hits,),) = self._connection.execute(_COUNT, (key, now + expiry)).fetchall()
        return int(hits)

    def _forget_connection(self) -> None:
        connection, self._connection = self._connection, None
        if connection is not None:
            connection.close()


def _open(path: Path) -> Any:
    # Made for the owner's eyes before SQLite would make it for everybody's.
    os.close(os.open(path, os.O_CREAT | os.O_RDWR, 0o600))
    connection = dbapi2.connect(path, isolation_level=None, check_same_thread=False)
    try:
        for statement in (*_PRAGMAS, _SCHEMA):
            connection.execute(statement).fetchall()
    except dbapi2.Error:
        connection.close()
        raise
    return connection


def renew_rate_file(path: Path) -> None:
    """Begin a run with an empty file, so that a broken one does not outlive an earlier run.

    It is whole before workers open it, who would turn each other away while they make it. Where it
    can't be made they go on uncounted, and tell.
    """
    with suppress(OSError, dbapi2.Error):
        for part in ("", "-wal", "-shm"):
            path.with_name(path.name + part).unlink(missing_ok=True)
        _open(path).close()
