"""Schema versions: where the database is, where the code is, and the one way up."""

from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING

from kbapi.errors import SchemaMismatch, StorageBroken
from kbapi.settings import bundled_folder
from kbapi.storage.faults import readable_faults
from kbapi.storage.rules_mark import save_mark
from kbapi.storage.sqlite import make_writing_engine, open_untouched
from kbapi.versions import RULES_VERSION

if TYPE_CHECKING:
    from alembic.config import Config


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
