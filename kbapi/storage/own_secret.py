"""Which secret a database is served with: its key id is exactly what its header has room for.

The header's `application_id` (32 bits) goes with every backup and survives every migration. It says
at once what the rows would have to be counted for, and keeps that a lost secret was accepted.
"""

from contextlib import closing, nullcontext, suppress
from pathlib import Path
from typing import Any, Final

from kbapi.errors import StorageBusy, StorageUnwritable, UnsafeSetup
from kbapi.settings import Settings
from kbapi.storage.faults import readable_faults
from kbapi.storage.secret import Secret, load_secret
from kbapi.storage.sqlite import make_writing_engine, open_untouched
from kbapi.storage.write_queue import waiting_in_line

TABLES_OF_A_SECRET: Final = ("contributor", "access_key")
"""Tables whose rows say which secret keyed their hashes."""
FOREIGN: Final = (
    "{} is not the secret of this database, so no receipt or token would match. If a restore was "
    "interrupted, run it again. Otherwise put the right secret back; a restore keeps the earlier "
    "one as {}.before-... . If it is lost, run 'kbapi backup', then 'kbapi restore' of that "
    "backup with --without-secret."
)


def noted_key_id(connection: Any) -> str | None:
    """Key id of the secret that this database is served with, None where none was noted."""
    (number,) = connection.execute("PRAGMA application_id").fetchone()
    return (number % 2**32).to_bytes(4, "big").hex() if number else None


def note_secret(database: Path, secret: Secret) -> None:
    """Let the database say that it is served with this secret; rows of others are given up."""
    number = int.from_bytes(bytes.fromhex(secret.key_id), "big", signed=True)
    engine = make_writing_engine(database)
    try:
        with readable_faults(), engine.begin() as connection:
            connection.exec_driver_sql(f"PRAGMA application_id={number}")
    finally:
        engine.dispose()


def require_no_foreign_secret(settings: Settings) -> None:
    """Nothing, unless the secret beside the database is another than it is served with.

    Raises
    ------
    UnsafeSetup
        When it is, or when others can read it.
    """
    if settings.secret_path.exists():
        _require_own(settings, load_secret(settings.secret_path))


def keep_own_secret(settings: Settings, secret: Secret, *, is_in_line: bool = False) -> None:
    """Let a database that does not say so yet, or holds nothing yet, say which secret it has.

    `is_in_line` says that the caller holds the write lock.

    Raises
    ------
    UnsafeSetup
        When the secret is another one.
    """
    is_noted = _require_own(settings, secret) == secret.key_id
    if not is_noted and not settings.read_only:
        # What cannot be written now is written when it is next opened: the rows tell meanwhile.
        line = nullcontext() if is_in_line else waiting_in_line(settings.write_lock_path)
        with suppress(StorageUnwritable, StorageBusy), readable_faults(), line:
            note_secret(settings.database_path, secret)


def _require_own(settings: Settings, secret: Secret) -> str | None:
    """What the database says of its secret, which is this one if there is anything to lose."""
    with readable_faults(), closing(open_untouched(settings.database_path)) as connection:
        noted, latest = noted_key_id(connection), _latest_key_ids(connection)
    if latest and secret.key_id not in ([noted] if noted else latest):
        name = settings.secret_path.name
        raise UnsafeSetup(FOREIGN.format(name, name))
    return noted


def _latest_key_ids(connection: Any) -> list[str]:
    """Of each table the key id of its latest row: a look, and no count of a million."""
    tables = {row[0] for row in connection.execute("SELECT name FROM sqlite_schema")}
    return [
        row[0]
        for table in TABLES_OF_A_SECRET
        if table in tables
        for row in connection.execute(f"SELECT key_id FROM {table} ORDER BY id DESC LIMIT 1")  # noqa: S608
    ]
