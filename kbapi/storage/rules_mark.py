"""Whether every result stands under this program's rules, known without looking at all of them.

The header of the database says up to which rules they all were screened (`user_version`): it is
written in the transaction that leaves none behind, and goes wherever the database goes. It may say
too little, in a file of before there was a mark; then the results are looked at, once.
"""

import time
from contextlib import closing
from pathlib import Path
from threading import Lock
from typing import Final

from sqlalchemy import Connection

from kbapi.storage.faults import readable_faults
from kbapi.storage.hot_reads import HotReads
from kbapi.storage.sqlite import open_untouched

_LOOK_EVERY_S: Final = 60.0
# Screening again goes from the oldest to the newest, so that what it has left lies at the end,
# behind it only what came since; where it never began the oldest is left as well.
_HAS_OLDER: Final = """
    SELECT CASE
        WHEN EXISTS (
            SELECT 1 FROM submission WHERE rules_version < ?1
            AND id IN ((SELECT MIN(id) FROM submission), (SELECT MAX(id) FROM submission))
        ) THEN 1
        WHEN (SELECT user_version FROM pragma_user_version) >= ?1 THEN 0
        ELSE (
            SELECT 1 FROM submission WHERE rules_version < ?1 ORDER BY id DESC LIMIT 1
        ) IS NOT NULL
    END
"""
_COUNT_OLDER: Final = "SELECT COUNT(*) FROM submission WHERE rules_version < ?1"


class RulesWatch:
    """Whether results stand under older rules than these, for whoever asks often."""

    def __init__(self, reads: HotReads, rules_version: int) -> None:
        self._reads = reads
        self._rules_version = rules_version
        self._lock = Lock()
        self._looked_at_s = float("-inf")
        self._has_older = True

    def has_older(self) -> bool:
        """Whether some do; a minute old at most, and once none do it stays so.

        What is stored while this is open comes under its own rules, and nobody puts another
        database in place meanwhile.

        Raises
        ------
        StorageBusy, StorageBroken
            When the database can't be read now.
        """
        with self._lock:
            now_s = time.monotonic()
            if self._has_older and now_s - self._looked_at_s >= _LOOK_EVERY_S:
                ((found,),) = self._reads.rows(_HAS_OLDER, (self._rules_version,))
                self._looked_at_s, self._has_older = now_s, bool(found)
            return self._has_older


def count_older(database: Path, rules_version: int) -> int:
    """How many results stand under older rules: looks at every one, and touches nothing.

    Raises
    ------
    StorageBusy, StorageBroken
        When the database can't be read now.
    """
    with readable_faults(), closing(open_untouched(database)) as connection:
        return int(connection.execute(_COUNT_OLDER, (rules_version,)).fetchone()[0])


def load_mark(connection: Connection) -> int:
    """Up to which rules all results were screened at least."""
    return int(connection.exec_driver_sql("PRAGMA user_version").scalar_one())


def save_mark(connection: Connection, rules_version: int) -> None:
    """Note, with the transaction, that no result stands under older rules than these."""
    connection.exec_driver_sql(f"PRAGMA user_version={rules_version:d}")
