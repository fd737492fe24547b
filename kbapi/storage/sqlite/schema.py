"""The schema of a database: migrations, revision, and the rules version that screened it.

The header of the database says up to which rules they all were screened (`user_version`): it is
written in the transaction that leaves none behind, and goes wherever the database goes. It may say
too little, in a file of before there was a mark; then the results are looked at, once.

The header's `application_id` (32 bits) has room for exactly a key id. It goes with every backup and
survives every migration. It says which secret made the hashes of the rows, and records that a
lost secret was given up.
"""

from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING, Final

from sqlalchemy import Connection

from kbapi.errors import SchemaMismatch, StorageBroken
from kbapi.settings import bundled_folder
from kbapi.storage.sqlite.engine import (
    HotReads,
    make_writing_engine,
    open_untouched,
    readable_faults,
)
from kbapi.versions import RULES_VERSION

if TYPE_CHECKING:
    from alembic.config import Config
from typing import Any

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


def has_older(reads: HotReads, rules_version: int) -> bool:
    """Whether results were screened under older rules than these.

    Raises
    ------
    StorageBusy, StorageBroken
        When the database can't be read now.
    """
    return bool(reads.rows(_HAS_OLDER, (rules_version,))[0][0])


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


def alembic_config() -> "Config":
    """The configuration that points at the migrations, wherever kbapi is installed."""
    # Only who migrates loads alembic: a worker compares two names, and starts a third sooner.
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(bundled_folder("migrations")))
    return config


def upgrade_to_head(database: Path) -> None:
    """Run every missing migration in one transaction: all of them happen, or none.

    A database that is not there is made: this is the only place that does.

    Raises whatever the failing migration raised, after the schema is back as it was.
    """
    from alembic import command

    database.touch(mode=0o600)
    engine = make_writing_engine(database, checks_foreign_keys=False)
    config = alembic_config()
    try:
        with engine.begin() as connection:
            config.attributes["connection"] = connection
            command.upgrade(config, "head")
            if connection.exec_driver_sql("SELECT 1 FROM submission LIMIT 1").first() is None:
                save_mark(connection, RULES_VERSION)
            _require_sound_references(connection.exec_driver_sql("PRAGMA foreign_key_check").all())
    finally:
        engine.dispose()


def _require_sound_references(broken: object) -> None:
    if broken:
        raise SchemaMismatch(
            "The migration left rows with missing references, so it was rolled "
            "back. Nothing was changed."
        )


def current_revision(database: Path) -> str | None:
    """The revision that the database says it has, None for an empty file.

    Looks without touching: the file may be somebody else's, and stays as it is.

    Raises
    ------
    StorageBroken
        When the file is not a database, or the database of another program.
    """
    with readable_faults(), closing(open_untouched(database)) as connection:
        tables = {row[0] for row in connection.execute("SELECT name FROM sqlite_schema")}
        if "alembic_version" not in tables:
            if tables:
                raise StorageBroken(
                    f"{database.name} is the database of another program. Name "
                    "another file or folder."
                )
            return None
        row = connection.execute("SELECT version_num FROM alembic_version").fetchone()
    return None if row is None else str(row[0])


def holds_nothing(database: Path) -> bool:
    """Whether a database has tables at most, and not a row in any of them."""
    with readable_faults(), closing(open_untouched(database)) as connection:
        tables = connection.execute(
            "SELECT name FROM sqlite_schema WHERE type = 'table' AND name <> 'alembic_version'"
        ).fetchall()
        return not any(
            connection.execute(f'SELECT 1 FROM "{table}" LIMIT 1').fetchone()  # noqa: S608 - its own
            for (table,) in tables
        )


def head_revision() -> str:
    """The revision that this code needs."""
    return _revisions()[-1]


def _revisions() -> list[str]:
    """Every revision that this code knows, oldest first: their files begin with them."""
    files = bundled_folder("migrations").joinpath("versions").glob("*_*.py")
    revisions = sorted(file.stem.partition("_")[0] for file in files)
    if not revisions:
        raise SchemaMismatch(
            "The migrations of this installation are missing. Install kbapi again."
        )
    return revisions


def require_current_schema(database: Path) -> None:
    """Nothing, when database and code agree.

    Raises
    ------
    SchemaMismatch
        Saying which of the two is older and what to do.
    """
    found, wanted = current_revision(database), head_revision()
    require_no_newer_schema(found)
    if found != wanted:
        raise SchemaMismatch(
            f"The database has schema {found}; the program needs {wanted}. Run 'kbapi backup', "
            "then 'kbapi db upgrade'."
        )


def require_no_newer_schema(found: str | None) -> None:
    """Nothing, unless the database was made by a newer program; then SchemaMismatch."""
    if found is not None and found not in _revisions():
        raise SchemaMismatch(
            f"The database has schema {found}, which is newer than this program "
            f"({head_revision()}). Install the version of kbapi that wrote it, or a newer one."
        )


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
