"""The schema of a database: migrations, revision, and the rules version that screened it.

A database records the rules version that all results were screened by at least. The transaction
that screens the last old result writes it, and every copy has it. It may be too low in a file from
before there was a mark; then the results themselves are read once. It also records the key id of
the secret that made the hashes of the rows, and whether a lost secret was given up. Every migration
keeps both. In a file they are in SQLite's header (`user_version`, and `application_id`, whose 32
bits have room for exactly a key id); on PostgreSQL they are rows of the table `mark`.

Only on PostgreSQL do several hosts serve one database. Each has a row in `mark` with its program,
and another row names the oldest schema whose programs may serve. So an older program serves on
after an upgrade that only adds, and an upgrade that takes something away waits for its end.

`database` is the path of a file or the URL of a database on a server.
"""

import time
from collections.abc import Sequence
from contextlib import AbstractContextManager
from dataclasses import asdict, dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Final

import orjson
from sqlalchemy import (
    Column,
    Connection,
    MetaData,
    String,
    Table,
    create_engine,
    delete,
    inspect,
    table,
)
from sqlalchemy import select as select_columns
from sqlalchemy.dialects import postgresql
from sqlmodel import SQLModel, col, func, literal, select

from kbapi.errors import InstanceInUse, SchemaMismatch, StorageBroken, StorageBusy
from kbapi.settings import bundled_folder

# Imported for its tables: each file adds its own to the metadata.
from kbapi.storage import tables_evidence
from kbapi.storage.sql import driver_of, is_sqlite, readable_faults, session_on
from kbapi.storage.sqlite.driver import dbapi2
from kbapi.storage.sqlite.engine import make_writing_engine, reading_untouched
from kbapi.storage.tables import Contributor, Submission
from kbapi.storage.tables_reports import AccessKey
from kbapi.versions import RULES_VERSION

if TYPE_CHECKING:
    from alembic.config import Config

Database = Path | str
"""The path of a SQLite file, or the URL of a PostgreSQL database."""
METADATA: Final = SQLModel.metadata
"""Every table of kbapi."""
_ALEMBIC: Final = Table("alembic_version", MetaData(), Column("version_num", String))


def reading_once(database: Database) -> AbstractContextManager[Connection]:
    """A connection that sees one state of a database, and changes nothing of it."""
    if isinstance(database, str):
        from kbapi.storage.postgres.engine import reading_once as reading_url

        return reading_url(database)
    return reading_untouched(database)


def writing_once(url: str) -> AbstractContextManager[Connection]:
    """A connection in a transaction on a database of a server, which is committed at the end."""
    from kbapi.storage.postgres.engine import writing_once as writing_url

    return writing_url(url)


def has_older(connection: Connection, rules_version: int) -> bool:
    """Whether results were screened by older rules; the cost does not grow with their number."""
    number = col(Submission.id)
    older = select(Submission.id).where(Submission.rules_version < rules_version)
    # Screening again goes from the oldest to the newest, so that what is left lies at the end,
    # before the new results only; where it never began the oldest is left as well.
    ends = number.in_(
        [select(func.min(number)).scalar_subquery(), select(func.max(number)).scalar_subquery()]
    )
    with session_on(connection) as session:
        if session.exec(older.where(ends).limit(1)).first() is not None:
            return True
        if load_mark(connection) >= rules_version:
            return False
        return session.exec(older.order_by(number.desc()).limit(1)).first() is not None


def count_older(database: Database, rules_version: int) -> int:
    """How many results were screened by older rules; reads every one, and changes nothing.

    Raises
    ------
    StorageBusy, StorageBroken
        When the database can't be read now.
    """
    older = col(Submission.rules_version) < rules_version
    with reading_once(database) as connection, session_on(connection) as session:
        return session.exec(select(func.count()).select_from(Submission).where(older)).one()


def load_mark(connection: Connection) -> int:
    """The rules version that all results were screened by at least."""
    if is_sqlite(connection):
        return int(connection.exec_driver_sql("PRAGMA user_version").scalar_one())
    return int(_find_mark(connection, RULES_MARK) or 0)


def save_mark(connection: Connection, rules_version: int) -> None:
    """Record, in the caller's transaction, that no result was screened by older rules."""
    if is_sqlite(connection):
        connection.exec_driver_sql(f"PRAGMA user_version={rules_version:d}")
    else:
        _save_mark(connection, RULES_MARK, str(rules_version))


_MARKS: Final = Table(
    "mark", MetaData(), Column("name", String, primary_key=True), Column("value", String)
)
RULES_MARK: Final = "rules_version"
"""Name of the mark of the rules that all results were screened by at least."""
_KEY_ID: Final = "key_id"
MOVED_TO: Final = "moved_to"
"""Name of the mark of a database on a server that was moved: it accepts no writes any more."""
FIND_WRITERS_MARKS: Final = (
    f"SELECT name, value FROM mark WHERE name IN ('{MOVED_TO}', '{RULES_MARK}')"  # noqa: S608
)
"""What a writer reads of the marks: it sends this with the beginning of its transaction."""
UNFINISHED: Final = "unfinished_copy"
"""A table that is there from the beginning of a copy to its end; a row says the copy is whole."""
OF_KBAPI_ALONE: Final = frozenset({_ALEMBIC.name, _MARKS.name, UNFINISHED})
"""Tables of a database on a server that have no results."""
_OLDEST_SCHEMA: Final = "oldest_schema"
_HOST: Final = "host:"


def _find_mark(connection: Connection, name: str) -> str | None:
    of_name = select_columns(_MARKS.c.value).where(_MARKS.c.name == name)
    return connection.execute(of_name).scalar_one_or_none()


def _save_mark(connection: Connection, name: str, value: str) -> None:
    added = postgresql.insert(_MARKS).values(name=name, value=value)
    connection.execute(added.on_conflict_do_update(index_elements=["name"], set_={"value": value}))


def find_moved_to(connection: Connection) -> str | None:
    """Where a database on a server was moved to, None where it is in use."""
    return _find_mark(connection, MOVED_TO)


def save_moved_to(connection: Connection, place: str | None) -> None:
    """Record, in the caller's transaction, where a database was moved to; None for nowhere."""
    if place is None:
        connection.execute(_MARKS.delete().where(_MARKS.c.name == MOVED_TO))
    else:
        _save_mark(connection, MOVED_TO, place)


ALIVE_S: Final = 20.0
"""A host that was not seen for as long has ended, or hangs."""
_FORGOTTEN_S: Final = 86_400.0


@dataclass(frozen=True, slots=True)
class Program:
    """What a host serves with, as far as the others must agree with it."""

    version: str
    schema: str
    rules: int
    catalogue: str
    """The stamp of the host's own files about chips; empty without any."""


@dataclass(frozen=True, slots=True)
class Host:
    """A host that served a database on a server lately: nothing of its machine or its address."""

    id: str
    program: Program
    seen_s_ago: float

    @property
    def is_alive(self) -> bool:
        """Whether it was seen lately."""
        return self.seen_s_ago <= ALIVE_S


def note_host(url: str, host_id: str, program: Program) -> None:
    """Record, by the clock of the database, that a host serves with this program now."""
    with writing_once(url) as connection:
        for old in _load_hosts(connection):
            if old.seen_s_ago > _FORGOTTEN_S:
                _drop_mark(connection, _HOST + old.id)
        content = {**asdict(program), "seen_s": _server_s(connection)}
        _save_mark(connection, _HOST + host_id, orjson.dumps(content).decode())


def drop_host(url: str, host_id: str) -> None:
    """Record that a host has ended."""
    with writing_once(url) as connection:
        _drop_mark(connection, _HOST + host_id)


def load_hosts(database: Database) -> list[Host]:
    """The hosts that served within a day, by their ids; a file is served by one, and has none."""
    if not isinstance(database, str):
        return []
    with reading_once(database) as connection:
        return _load_hosts(connection)


def _load_hosts(connection: Connection) -> list[Host]:
    now_s = _server_s(connection)
    name = _MARKS.c.name
    hosts = select_columns(name, _MARKS.c.value).where(name.startswith(_HOST)).order_by(name)
    return [_host(name, value, now_s) for name, value in connection.execute(hosts)]


def _host(name: str, value: str, now_s: float) -> Host:
    content = orjson.loads(value)
    seen_s = content.pop("seen_s")
    return Host(name.removeprefix(_HOST), Program(**content), max(0.0, now_s - seen_s))


def _server_s(connection: Connection) -> float:
    # Hosts may have clocks of their own, which differ.
    return float(
        connection.execute(
            select_columns(func.extract("epoch", func.clock_timestamp()))
        ).scalar_one()
    )


def _drop_mark(connection: Connection, name: str) -> None:
    connection.execute(delete(_MARKS).where(_MARKS.c.name == name))


def alembic_config() -> "Config":
    """The configuration that points at the migrations, wherever kbapi is installed."""
    # Only who migrates loads alembic: a worker compares two names, and starts a third sooner.
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(bundled_folder("migrations")))
    return config


def upgrade_to_head(database: Database) -> None:
    """Run every missing migration in one transaction: all of them happen, or none.

    A file that is not there is made: this is the only place that does. On a server, other hosts may
    serve meanwhile.

    Raises whatever the failing migration raised, after the schema is back as it was.

    Raises
    ------
    InstanceInUse
        When a host serves whose program cannot serve the later schema.
    """
    if isinstance(database, str):
        _upgrade_on_server(database)
        return
    upgrade_file(database, "head")


def upgrade_file(database: Path, revision: str) -> None:
    """Run the migrations up to this revision in one transaction; raises as `upgrade_to_head`."""
    database.touch(mode=0o600)
    engine = make_writing_engine(database, checks_foreign_keys=False)
    try:
        with engine.begin() as connection:
            _run_migrations(connection, revision)
            _require_sound_references(connection.exec_driver_sql("PRAGMA foreign_key_check").all())
    finally:
        engine.dispose()


_UPGRADE_LOCK: Final = 0x6B62617070
_UPGRADE_TRIES: Final = 10
_LONGEST_WAIT_FOR_TABLE: Final = "2s"
"""What waits for a table stops each later reader, so an upgrade gives up, and tries again."""


def _upgrade_on_server(url: str) -> None:
    for tries_left in reversed(range(_UPGRADE_TRIES)):
        try:
            with writing_once(url) as connection:
                _upgrade_in(connection)
        except StorageBusy:
            if not tries_left:
                raise
            time.sleep(1)
        else:
            return


def _upgrade_in(connection: Connection) -> None:
    # One host alone upgrades: the others wait, and then find nothing to do.
    connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({_UPGRADE_LOCK})")
    connection.exec_driver_sql(f"SET LOCAL lock_timeout = '{_LONGEST_WAIT_FOR_TABLE}'")
    if not inspect(connection).has_table(_ALEMBIC.name):
        _create_on_postgres(connection)
    if oldest := _oldest_schema_after(connection):
        _require_no_host_before(connection, oldest)
        _save_mark(connection, _OLDEST_SCHEMA, oldest)
    _run_migrations(connection, "head")


def _oldest_schema_after(connection: Connection) -> str | None:
    """The oldest schema whose programs can serve after the upgrade; None where nothing changes.

    A migration says so with `readable_from`. Without it only programs that know it can serve.
    """
    from alembic.script import ScriptDirectory

    present = str(connection.execute(select(_ALEMBIC.c.version_num)).scalar_one())
    scripts = ScriptDirectory.from_config(alembic_config())
    missing = list(scripts.iterate_revisions("head", present))
    if not missing:
        return None
    known = _revisions()
    readable = [getattr(one.module, "readable_from", one.revision) for one in missing]
    return max(_find_mark(connection, _OLDEST_SCHEMA) or present, *readable, key=known.index)


def _require_no_host_before(connection: Connection, oldest: str) -> None:
    known = _revisions()
    before = known[: known.index(oldest)]
    hosts: Sequence[Host] = [
        host for host in _load_hosts(connection) if host.is_alive and host.program.schema in before
    ]
    if hosts:
        versions = ", ".join(sorted({host.program.version for host in hosts}))
        raise InstanceInUse(
            f"{len(hosts)} of the hosts that serve this database (version {versions}) could not "
            "read it after the upgrade. Install this version there, or stop them, and wait "
            f"{ALIVE_S:.0f} seconds. Then try again. Nothing was changed."
        )


_FIRST_ON_POSTGRES: Final = "0005"
"""The oldest revision that a database on PostgreSQL has: before it, there was only SQLite."""


def create_or_upgrade_on_postgres(connection: Connection) -> None:
    """Create every table, or run the missing migrations, in the caller's transaction."""
    if not inspect(connection).has_table(_ALEMBIC.name):
        _create_on_postgres(connection)
    _run_migrations(connection, "head")


def _create_on_postgres(connection: Connection) -> None:
    from alembic import command

    from kbapi.storage.postgres.engine import faults_of

    first = bundled_folder("migrations") / "first_on_postgresql.sql"
    # By the driver: SQLAlchemy would take a percent sign for the place of a value.
    with faults_of(first.name):
        driver_of(connection).execute(first.read_text("utf-8"))
    command.stamp(_on(connection), _FIRST_ON_POSTGRES)


def _run_migrations(connection: Connection, revision: str) -> None:
    from alembic import command

    command.upgrade(_on(connection), revision)
    with session_on(connection) as session:
        is_empty = session.exec(select(Submission.id).limit(1)).first() is None
    if is_empty:
        save_mark(connection, RULES_VERSION)


def _on(connection: Connection) -> "Config":
    config = alembic_config()
    config.attributes["connection"] = connection
    return config


def find_changed_definitions(connection: Connection) -> tuple[str, ...]:
    """Names of tables and indexes that are not defined as the migrations define them."""
    found, wanted = _definitions(connection), _definitions_of_migrations()
    return tuple(sorted({name for name, _ in found ^ wanted}))


def _definitions(connection: Connection) -> frozenset[tuple[str, str]]:
    rows = connection.exec_driver_sql("SELECT name, type, tbl_name, sql FROM sqlite_schema")
    # A copied table has its name in quotes.
    return frozenset(
        (str(name), " ".join(str(part) for part in rest).replace('"', ""))
        for name, *rest in rows
        if not (name in _OF_REPLICATION and rest[0] == "table")
    )


_OF_REPLICATION: Final = ("_litestream_lock", "_litestream_seq")
"""Tables that Litestream keeps in a database which it copies; they hold nothing of kbapi."""


@cache
def _definitions_of_migrations() -> frozenset[tuple[str, str]]:
    from alembic import command

    engine = create_engine("sqlite://", module=dbapi2)
    config = alembic_config()
    try:
        with engine.begin() as connection:
            config.attributes["connection"] = connection
            command.upgrade(config, "head")
            return _definitions(connection)
    finally:
        engine.dispose()


def _require_sound_references(broken: object) -> None:
    if broken:
        raise SchemaMismatch(
            "The migration left rows with missing references, so it was rolled "
            "back. Nothing was changed."
        )


def current_revision(database: Database) -> str | None:
    """The revision that the database has, None for an empty file.

    Reads only: the file may belong to another program, and stays as it is.

    Raises
    ------
    StorageBroken
        When the file is not a database, or the database of another program, or a copy into it did
        not finish.
    """
    with reading_once(database) as connection:
        return _revision_in(connection, database)


def _revision_in(connection: Connection, database: Database) -> str | None:
    found = inspect(connection)
    tables = [*found.get_table_names(), *found.get_view_names()]
    if UNFINISHED in tables and isinstance(database, str):
        raise StorageBroken(_NOT_FINISHED)
    if _ALEMBIC.name not in tables:
        if tables:
            raise StorageBroken(
                f"{_name_of(database)} is the database of another program. Name "
                "another file or folder."
            )
        return None
    revision = connection.execute(select(_ALEMBIC.c.version_num)).scalar()
    return None if revision is None else str(revision)


_NOT_FINISHED: Final = (
    "A move or a restore into KBAPI_DATABASE did not finish. Run it again, or name another "
    "database."
)


def _name_of(database: Database) -> str:
    # A URL may hold a password.
    return "KBAPI_DATABASE" if isinstance(database, str) else database.name


def holds_nothing(database: Database) -> bool:
    """Whether no table of a database has a row, apart from the one that readiness writes."""
    with reading_once(database) as connection:
        return not any(
            connection.execute(select(literal(1)).select_from(table(name)).limit(1)).first()
            for name in inspect(connection).get_table_names()
            if name not in {*OF_KBAPI_ALONE, tables_evidence.HealthProbe.__tablename__}
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


def require_current_schema(database: Database) -> None:
    """Nothing, when database and code agree, or a newer schema says that this code may serve it.

    Raises
    ------
    SchemaMismatch
        Saying which of the two is older and what to do.
    """
    with reading_once(database) as connection:
        require_current_schema_in(connection, database)


def require_current_schema_in(connection: Connection, database: Database) -> None:
    """The same, read on a connection to this database."""
    found, wanted = _revision_in(connection, database), head_revision()
    if _is_readable_newer(connection, found):
        return
    require_no_newer_schema(found)
    if found != wanted:
        raise SchemaMismatch(
            f"The database has schema {found}; the program needs {wanted}. Run 'kbapi backup', "
            "then 'kbapi db upgrade'."
        )


def _is_readable_newer(connection: Connection, found: str | None) -> bool:
    """Whether a newer program made the schema, and says that this one may still serve it."""
    if found is None or found in _revisions() or is_sqlite(connection):
        return False
    return _find_mark(connection, _OLDEST_SCHEMA) in _revisions()


def require_no_newer_schema(found: str | None) -> None:
    """Nothing, unless the database was made by a newer program; then SchemaMismatch."""
    if found is not None and found not in _revisions():
        raise SchemaMismatch(
            f"The database has schema {found}, which is newer than this program "
            f"({head_revision()}). Install the version of kbapi that wrote it, or a newer one."
        )


def find_key_id(connection: Connection) -> str | None:
    """Key id of the secret that this database is served with, None where none was noted."""
    if not is_sqlite(connection):
        return _find_mark(connection, _KEY_ID)
    number = int(connection.exec_driver_sql("PRAGMA application_id").scalar_one())
    return (number % 2**32).to_bytes(4, "big").hex() if number else None


def note_first_key_id(url: str, key_id: str) -> None:
    """Record which secret a database on a server is served with, unless a host did before."""
    added = postgresql.insert(_MARKS).values(name=_KEY_ID, value=key_id)
    with writing_once(url) as connection:
        connection.execute(added.on_conflict_do_nothing())


def note_key_id(database: Database, key_id: str) -> None:
    """Record which secret this database is served with."""
    if isinstance(database, str):
        with writing_once(database) as connection:
            save_key_id(connection, key_id)
        return
    engine = make_writing_engine(database)
    try:
        with readable_faults(), engine.begin() as connection:
            save_key_id(connection, key_id)
    finally:
        engine.dispose()


def save_key_id(connection: Connection, key_id: str) -> None:
    """Record the same in the caller's transaction."""
    if not is_sqlite(connection):
        _save_mark(connection, _KEY_ID, key_id)
        return
    number = int.from_bytes(bytes.fromhex(key_id), "big", signed=True)
    connection.exec_driver_sql(f"PRAGMA application_id={number}")


def tables_of_a_secret(connection: Connection) -> list[type[Contributor | AccessKey]]:
    """The tables of this database whose rows record which secret made their hashes."""
    found = inspect(connection).get_table_names()
    return [table for table in (Contributor, AccessKey) if table.__tablename__ in found]


def read_key_ids(database: Database) -> tuple[str | None, list[str]]:
    """The key id in the header, and the key id of the latest row of each table that has one."""
    with reading_once(database) as connection, session_on(connection) as session:
        latest = [
            # One row of each table, and no count of a million.
            session.exec(select(table.key_id).order_by(col(table.id).desc()).limit(1)).first()
            for table in tables_of_a_secret(connection)
        ]
        return find_key_id(connection), [key_id for key_id in latest if key_id is not None]
