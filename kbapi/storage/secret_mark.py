"""Key id of the secret in the header of a database.

The header's `application_id` (32 bits) has room for exactly a key id. It goes with every backup and
survives every migration. It says which secret made the hashes of the rows, and records that a
lost secret was given up.
"""

from contextlib import closing
from pathlib import Path
from typing import Any, Final

from kbapi.storage.faults import readable_faults
from kbapi.storage.sqlite import make_writing_engine, open_untouched

TABLES_OF_A_SECRET: Final = ("contributor", "access_key")
"""Tables whose rows say which secret keyed their hashes."""


def noted_key_id(connection: Any) -> str | None:
    """Key id of the secret that this database is served with, None where none was noted."""
    (number,) = connection.execute("PRAGMA application_id").fetchone()
    return (number % 2**32).to_bytes(4, "big").hex() if number else None


def note_key_id(database: Path, key_id: str) -> None:
    """Write to the header which secret this database is served with."""
    number = int.from_bytes(bytes.fromhex(key_id), "big", signed=True)
    engine = make_writing_engine(database)
    try:
        with readable_faults(), engine.begin() as connection:
            connection.exec_driver_sql(f"PRAGMA application_id={number}")
    finally:
        engine.dispose()


def read_key_ids(database: Path) -> tuple[str | None, list[str]]:
    """The key id in the header, and the key id of the latest row of each table that has one."""
    with readable_faults(), closing(open_untouched(database)) as connection:
        return noted_key_id(connection), _latest_key_ids(connection)


def _latest_key_ids(connection: Any) -> list[str]:
    # A look at one row of each table, and no count of a million.
    tables = {row[0] for row in connection.execute("SELECT name FROM sqlite_schema")}
    return [
        row[0]
        for table in TABLES_OF_A_SECRET
        if table in tables
        for row in connection.execute(f"SELECT key_id FROM {table} ORDER BY id DESC LIMIT 1")  # noqa: S608
    ]
