"""Requests counted in a small SQLite file of their own: exact over processes, kept for a minute.

A storage of the `limits` library, which Flask-Limiter finds by its scheme, `kbapi-file:///path`.
"""

import os
import threading
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any, Final
from urllib.parse import unquote, urlsplit

from limits.storage import Storage

from kbapi.clock import Clock
from kbapi.storage.sqlite.driver import dbapi2

LOCK_TIMEOUT_S: Final = 0.5
"""How long a request may wait to be counted before its process counts for itself.

Long enough for a busy machine, where the process that holds the file may not run for a while. If
each process counted alone under load, each would have a limit of its own.
"""
_SET_BACK_S: Final = 2
"""By how much a window may seem to begin in the future before the clock was set back.

Longer than a request may wait between its time and its count: until then a later one may have been
counted first.
"""
_SCHEME: Final = "kbapi-file"
_PRUNED_EVERY_S: Final = 60
_PRAGMAS: Final = (
    f"PRAGMA busy_timeout={round(LOCK_TIMEOUT_S * 1000)}",
    "PRAGMA page_size=1024",  # each count writes a page to the log
    "PRAGMA journal_mode=WAL",
    "PRAGMA synchronous=OFF",  # counts of one minute are not worth a flush
    "PRAGMA trusted_schema=OFF",
    "PRAGMA mmap_size=0",
    f"PRAGMA journal_size_limit={1024 * 1024}",
)
_SCHEMA: Final = """
    CREATE TABLE IF NOT EXISTS counted_window (
        key TEXT PRIMARY KEY NOT NULL,
        hits INTEGER NOT NULL CHECK (hits > 0),
        begins REAL NOT NULL,
        ends REAL NOT NULL CHECK (ends > begins)
    ) WITHOUT ROWID
"""
# A window that has not begun was counted before the clock was set back, and is over as well.
_RUNS: Final = f"ends > :now AND begins <= :now + {_SET_BACK_S}"
# A window that is over but not yet pruned begins again, in the same statement.
_COUNT: Final = f"""
    INSERT INTO counted_window (key, hits, begins, ends) VALUES (:key, :amount, :now, :ends)
    ON CONFLICT (key) DO UPDATE SET
        hits = CASE WHEN {_RUNS} THEN hits + :amount ELSE :amount END,
        begins = CASE WHEN {_RUNS} THEN begins ELSE :now END,
        ends = CASE WHEN {_RUNS} THEN ends ELSE :ends END
    RETURNING hits
"""  # noqa: S608 - put together from constants
_STANDING: Final = f"SELECT hits, ends FROM counted_window WHERE key = :key AND {_RUNS}"  # noqa: S608
_FORGET: Final = "DELETE FROM counted_window WHERE {} RETURNING key"
_PRUNE: Final = _FORGET.format(f"NOT ({_RUNS})")
_CLEAR: Final = _FORGET.format("key = :key")
_RESET: Final = _FORGET.format("TRUE")


class RateFile(Storage):
    """Counts in a file; opened at the first request of a process, so never before a fork.

    If the file is locked for longer than `LOCK_TIMEOUT_S`, broken or not writable, each method
    but `check` raises one of `base_exceptions`, or `limits.errors.StorageError` in its place.
    """

    STORAGE_SCHEME = [_SCHEME]  # noqa: RUF012 - as the base class has it

    def __init__(self, uri: str, now: Clock, *, wrap_exceptions: bool = False) -> None:
        super().__init__(uri, wrap_exceptions=wrap_exceptions)
        self._path = Path(unquote(urlsplit(uri).path))
        self._now = now
        self._lock = threading.Lock()
        self._connection: Any = None
        self._prunes_at = 0.0

    @property
    def base_exceptions(self) -> type[Exception] | tuple[type[Exception], ...]:
        """What is raised where nothing can be counted."""
        return (dbapi2.Error, OSError)

    def incr(self, key: str, expiry: int, amount: int = 1) -> int:
        """How often this key was counted since its window began, this time included."""
        now = self._now().timestamp()
        if not 0 < self._prunes_at - now <= _PRUNED_EVERY_S:
            self._run(_PRUNE, now=now)
            self._prunes_at = now + _PRUNED_EVERY_S
        ((hits,),) = self._run(_COUNT, key=key, amount=amount, now=now, ends=now + expiry)
        return int(hits)

    def get(self, key: str) -> int:
        """How often this key was counted since its window began."""
        return int(self._standing(key)[0])

    def get_expiry(self, key: str) -> float:
        """When the window of this key ends, in seconds since 1970; now if it has none."""
        return float(self._standing(key)[1])

    def check(self) -> bool:
        """Whether the file can be written again."""
        try:
            self._run(_PRUNE, now=self._now().timestamp())
        except (dbapi2.Error, OSError):
            return False
        return True

    def clear(self, key: str) -> None:
        """Forget this key."""
        self._run(_CLEAR, key=key)

    def reset(self) -> int:
        """How many keys were forgotten: all of them."""
        return len(self._run(_RESET))

    def _standing(self, key: str) -> Sequence[Any]:
        now = self._now().timestamp()
        found: list[Sequence[Any]] = self._run(_STANDING, key=key, now=now)
        return found[0] if found else (0, now)

    def _run(self, statement: str, **values: object) -> list[Sequence[Any]]:
        if not self._lock.acquire(timeout=LOCK_TIMEOUT_S):
            raise TimeoutError
        try:
            if self._connection is None:
                self._connection = _open(self._path)
            rows: list[Sequence[Any]] = self._connection.execute(statement, values).fetchall()
        except (dbapi2.Error, OSError):
            self._forget_connection()
            raise
        finally:
            self._lock.release()
        return rows

    def _forget_connection(self) -> None:
        connection, self._connection = self._connection, None
        if connection is not None:
            connection.close()


def rate_file_uri(path: Path) -> str:
    """The address by which `limits` finds the file.

    >>> rate_file_uri(Path("/srv/a club/rates.sqlite3"))
    'kbapi-file:///srv/a%20club/rates.sqlite3'
    """
    return path.absolute().as_uri().replace("file", _SCHEME, 1)


def _open(path: Path) -> Any:
    # Made before SQLite makes it, which would let every user read it.
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
    """Replace the file by an empty one, so that a broken one does not outlive its run.

    It is complete before workers open it, because two that make it at once lock each other out.
    If it cannot be made, each worker counts for itself and logs that.
    """
    with suppress(OSError, dbapi2.Error):
        for part in ("", "-wal", "-shm"):
            path.with_name(path.name + part).unlink(missing_ok=True)
        _open(path).close()
