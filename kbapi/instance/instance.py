"""An instance: a folder with a database and a secret, opened for reading and writing."""

import os
import weakref
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, ExitStack, contextmanager, nullcontext, suppress
from datetime import date
from functools import cache, cached_property
from typing import Final, Protocol, TypeVar

from sqlalchemy import Connection

from kbapi.chips.catalogue import Catalogue
from kbapi.chips.catalogue_file import load_catalogue
from kbapi.clock import Clock, utc_now
from kbapi.errors import (
    KbapiError,
    StorageBroken,
    StorageBusy,
    StorageUnwritable,
    UnsafeSetup,
)
from kbapi.instance.file_locks import (
    acquire_shared_lock,
    as_only_process,
    exclusive_lock,
    hold_as_only_process,
    shared_lock,
)
from kbapi.instance.health import HealthNow, HourlyDeletion, Presence, Probing
from kbapi.instance.secret import (
    Secret,
    create_secret,
    ensure_secret_recorded,
    load_secret_of,
    require_no_foreign_secret,
)
from kbapi.instance.write_gate import (
    WriteGate,
    gate_of,
    health_of,
    is_begun,
    is_whole,
    no_instance,
    remove_partial_files,
    require_nothing_lost,
)
from kbapi.metrics.counters import count_write_failed
from kbapi.settings import Settings, bundled_folder
from kbapi.storage import results, schema
from kbapi.storage.answers import Memory, SingleFlight
from kbapi.storage.files import give, give_files, owner_at
from kbapi.storage.schema import has_older
from kbapi.storage.sql import HotReads, readable_faults, unwritable_as
from kbapi.storage.sqlite.database import (
    WRITE_LOCK_TIMEOUT_S,
    SqliteDatabase,
    write_lock_held,
)
from kbapi.storage.sqlite.engine import (
    needs_one_process,
)
from kbapi.versions import RULES_VERSION

Read = TypeVar("Read")


class Database(Protocol):
    """The connections of one process; each is made at its first use, so never before a fork."""

    @property
    def hot_reads(self) -> HotReads:
        """Reads of single statements without a transaction."""

    def writing(
        self, timeout_s: float, *, shared: bool, once: bytes | None, is_counted: bool
    ) -> AbstractContextManager[Connection]:
        """A connection in a transaction that is stored for good when this returns."""

    def dry_run(self, timeout_s: float) -> AbstractContextManager[Connection]:
        """A connection in a write transaction that is always rolled back."""

    def reading(self) -> AbstractContextManager[Connection]:
        """A read-only connection that sees one state of the database."""

    def read_evidence(self, read: Callable[[Connection], Read]) -> Read:
        """What this reads in one state of the database, or of a replica that has all of it."""

    def alone_with(self, question: str, wait_s: float) -> AbstractContextManager[bool]:
        """Holds a question; whether no other host does, after a wait of at most so many seconds."""

    def overwrite_withdrawn(self) -> None:
        """Overwrite what was deleted, now or soon, as far as the database does that at all."""

    def is_checkpoint_blocked(self) -> bool:
        """Whether a reader or a fault prevents that SQLite's log is emptied."""

    def close(self) -> None:
        """Close the connections."""


def _open_database(
    settings: Settings,
    *,
    is_read_only_medium: bool,
    faults: Callable[[], AbstractContextManager[None]],
    note_written: Callable[[], None],
) -> Database:
    """The database that the settings name; nothing is opened yet."""
    if settings.database:
        from kbapi.storage.postgres.database import PostgresDatabase

        return PostgresDatabase(
            settings.database,
            replica=settings.database_replica,
            has_pooler=settings.database_pooler,
            faults=faults,
            note_written=note_written,
        )
    return SqliteDatabase(
        settings.database_path,
        settings.write_lock_path,
        is_read_only_medium=is_read_only_medium,
        faults=faults,
        note_written=note_written,
    )


class Instance:
    """An open instance; engines are created at their first use, so never before a fork."""

    def __init__(self, settings: Settings, now: Clock = utc_now) -> None:
        self.settings = settings
        self.now = now
        self.single_flight = SingleFlight()
        self.lent = Memory()
        self.gate = gate_of(settings)
        self._health = health_of(settings.home)
        self._probing = Probing(self, self._health)
        self._deleting = HourlyDeletion(self)
        self._presence = Presence(self, self._health)
        self._release: weakref.finalize[[], Instance] | None = None

    def hold(self) -> None:
        """Prevent a restore until this instance is closed.

        With an affected SQLite, other processes cannot open the instance either.
        """
        with ExitStack() as held:
            if is_one_process(self.settings):
                held.callback(hold_as_only_process(self.settings.home))
            descriptor = acquire_shared_lock(self.settings.use_lock_path)
            if descriptor is not None:
                held.callback(os.close, descriptor)
                with suppress(OSError, UnsafeSetup):  # a wrong owner does not prevent reading
                    give(descriptor, owner_at(self.settings.use_lock_path))
            self._release = weakref.finalize(self, held.pop_all().close)

    @cached_property
    def secret(self) -> Secret:
        """The secret of the instance, read at its first use."""
        return load_secret_of(self.settings)

    @cached_property
    def catalogue(self) -> Catalogue:
        """The curated chips of this installation, overruled by the files of the host.

        Raises
        ------
        CatalogueError
            When a file of the host cannot be read; the detail names it.
        """
        return catalogue_in(self.settings)

    def today(self) -> date:
        """The present day in UTC."""
        return self.now().date()

    @contextmanager
    def writing(
        self,
        timeout_s: float = WRITE_LOCK_TIMEOUT_S,
        *,
        takes_back: bool = False,
        is_probe: bool = False,
        shared: bool = False,
        once: bytes | None = None,
    ) -> Iterator[Connection]:
        """A connection in a write transaction, which is committed as a whole or not at all.

        Withdrawals and revocations (`takes_back`) may use most of the reserved disk space. Metrics
        do not count the probes of health (`is_probe`). Where the database can, `shared` writers run
        at the same time, those of the same `once` after one another: they only add rows, and each
        row once.

        Raises
        ------
        StorageBusy, StorageUnwritable, StorageBroken
            When writing is not possible now; nothing was written.
        """
        try:
            with readable_faults():
                self.gate.require_open(takes_back=takes_back)
                part = self._database.writing(
                    timeout_s, shared=shared or is_probe, once=once, is_counted=not is_probe
                )
                with part as connection:
                    self.gate.require_not_moved()
                    yield connection
        except (StorageBusy, StorageUnwritable, StorageBroken) as fault:
            if not is_probe:
                count_write_failed(fault.code)
            self._probing.note_failed(fault)
            raise
        self._health.note_clock(self.now())

    def alone_with(self, question: str, wait_s: float) -> AbstractContextManager[bool]:
        """Holds a question; whether no other host does, after a wait of at most so many seconds."""
        return self._database.alone_with(question, wait_s)

    @contextmanager
    def dry_run(self) -> Iterator[Connection]:
        """A connection in a write transaction that is always rolled back; needs no free space."""
        with readable_faults():
            self.gate.require_not_moved()
            with self._database.dry_run(WRITE_LOCK_TIMEOUT_S) as connection:
                yield connection

    def delete_expired(self) -> None:
        """Delete and overwrite the answers to repeated requests whose time is over.

        Raises
        ------
        StorageBusy, StorageUnwritable, StorageBroken
            When that is not possible now.
        """
        now_s = int(self.now().timestamp())
        with self.reading() as connection:
            is_due = results.has_expired(connection, now_s)
        if is_due:
            with self.writing(takes_back=True) as connection:
                results.delete_expired(connection, now_s)
            self.overwrite_withdrawn()

    def begin_serving(self) -> None:
        """Delete what has expired now and after each full hour, without a request, until closed.

        Where several hosts may serve, also record that this one does.
        """
        self._deleting.start()
        self._presence.start()

    def overwrite_withdrawn(self) -> None:
        """Overwrite what was deleted, now or soon, as far as the database does that at all."""
        self._database.overwrite_withdrawn()

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """A read-only connection that sees one state of the database."""
        with self._noted_damage(), self._database.reading() as connection:
            yield connection

    def read_evidence(self, read: Callable[[Connection], Read]) -> Read:
        """What a question reads in one state of the database, which a replica of it may show.

        A replica has all that was committed before this call, or it is not asked. Where it fails
        meanwhile, `read` runs again on the database itself.
        """
        with self._noted_damage():
            return self._database.read_evidence(read)

    @contextmanager
    def _noted_damage(self) -> Iterator[None]:
        """Errors of storage in place of the driver's; health reports a page that is unreadable."""
        try:
            with readable_faults():
                yield
        except KbapiError as fault:
            self._probing.note_unreadable(fault)
            raise

    @property
    def hot_reads(self) -> HotReads:
        """Reads of single statements without a transaction."""
        return self._database.hot_reads

    def present_health(self) -> HealthNow:
        """Whether results are stored now, and what the host must look at.

        At most every five seconds one process writes and reads a row of its own, as a result is
        written. While that takes longer than a moment, the last known state is returned.
        """
        return self._probing.present()

    def is_checkpoint_blocked(self) -> bool:
        """Whether a reader or a fault prevents that the log is written into the database file."""
        return self._database.is_checkpoint_blocked()

    def require_current_schema(self) -> None:
        """Nothing, when database and code agree; a file is opened anew, as it may be another now.

        Raises
        ------
        SchemaMismatch
            Saying which of the two is older and what to do.
        """
        if self.settings.database:
            with self.reading() as connection:
                schema.require_current_schema_in(connection, self.settings.database)
        else:
            schema.require_current_schema(self.settings.database_path)

    def is_rescreening_due(self) -> bool:
        """Whether results were screened under older rules than this program's.

        Raises
        ------
        StorageBusy, StorageBroken
            When the database can't be read now.
        """
        with self.reading() as connection:
            return has_older(connection, RULES_VERSION)

    @cached_property
    def _database(self) -> Database:
        return _open_database(
            self.settings,
            is_read_only_medium=self.gate.is_read_only_medium,
            faults=self._noted_damage,
            note_written=self._health.note_written,
        )

    def close(self) -> None:
        """Close the connections."""
        self._deleting.close()
        self._presence.close()
        self._probing.close()
        self._database.close()
        if self._release is not None:
            self._release()


def is_one_process(settings: Settings) -> bool:
    """Whether one process alone may open the instance, because its SQLite is affected."""
    return not settings.database and needs_one_process()


@cache
def bundled_catalogue() -> Catalogue:
    """The curated chips of this installation, read once in a process."""
    return load_catalogue(bundled_folder("seed_data") / "catalogue")


def catalogue_in(settings: Settings) -> Catalogue:
    """The bundled catalogue, overruled by the files in the folder of an instance.

    Raises
    ------
    CatalogueError
        When a file of the host cannot be read; the detail names it.
    """
    own = settings.catalogue_path
    if not own.is_dir():
        return bundled_catalogue()
    return load_catalogue(bundled_folder("seed_data") / "catalogue", own)


_NOT_OPENED: Final = (
    "SQLite cannot open the database: it needs disk space beside the file. Nothing was changed. "
    "Free disk space, or allow writing to the folder, then try again."
)
_NOT_UPGRADED: Final = (
    "The instance was not created or upgraded. Nothing was changed. Free more than "
    "KBAPI_MIN_FREE_BYTES, allow writing to the folder and its files, and unset KBAPI_READ_ONLY. "
    "Then try again."
)


def open_instance(settings: Settings, now: Clock = utc_now) -> Instance:
    """An existing instance, with its schema and secret checked.

    Raises
    ------
    SchemaMismatch
        When the database is older or newer than this code.
    UnsafeSetup
        When there is no instance in the folder, this user may not open it or its locks, or its
        secret is missing, readable by others or foreign.
    StorageBroken
        When the file is not a database.
    InstanceInUse
        While a restore replaces the database, and with an affected SQLite while another process
        has the instance open.
    """
    with unwritable_as(_NOT_OPENED):
        require_nothing_lost(settings)
        if not is_begun(settings.database_at):
            raise no_instance(
                settings, "Name its folder with --home, or create one with 'kbapi db upgrade'."
            )
        schema.require_current_schema(settings.database_at)
    instance = Instance(settings, now)
    with unwritable_as(_NOT_OPENED), readable_faults():
        instance.hold()
        ensure_secret_recorded(settings, instance.secret)
    remove_partial_files(settings)
    return instance


def create_or_open_instance(settings: Settings, now: Clock = utc_now) -> Instance:
    """An instance in this folder, created if the folder is empty; an old schema is kept."""
    if not is_whole(settings):
        upgrade_instance(settings)
    elif settings.database:
        # One more host, which needs no upgrade: its folder may still be missing.
        settings.home.mkdir(mode=0o700, parents=True, exist_ok=True)
    return open_instance(settings, now)


def upgrade_instance(settings: Settings) -> None:
    """Create folder, secret and database, or upgrade the schema: all migrations or none.

    Raises
    ------
    InstanceInUse
        While a server or a command has the instance open, because it reads the older schema.
    StorageFull, StorageUnwritable, InstanceReadOnly
        When writing is not possible; nothing was written.
    UnsafeSetup
        When the database or the secret is lost, or the secret is foreign.
    """
    if settings.has_given_secret:
        load_secret_of(settings)  # a missing one is reported before anything is created
    if settings.database:
        _upgrade_on_server(settings)
        return
    database = settings.database_path
    with unwritable_as(_NOT_UPGRADED), readable_faults():
        # Two processes may create an instance at once; only one may change an existing one.
        lock = exclusive_lock if is_whole(settings) else shared_lock
        settings.home.mkdir(mode=0o700, parents=True, exist_ok=True)
        WriteGate(settings).require_open()
        owner = owner_at(database)
        with (
            lock(settings.use_lock_path),
            as_only_process(settings.home) if needs_one_process() else nullcontext(),
            write_lock_held(settings.write_lock_path),
        ):
            if database.exists():
                schema.require_no_newer_schema(schema.current_revision(database))
                require_no_foreign_secret(settings)
            schema.upgrade_to_head(database)
            database.chmod(0o600)
            if not settings.has_given_secret:
                create_secret(settings.secret_path)
            ensure_secret_recorded(settings, load_secret_of(settings), has_write_lock=True)
            give_files(settings, owner)


def _upgrade_on_server(settings: Settings) -> None:
    """Create or upgrade the database on a server, and the folder with the secret on this host."""
    with unwritable_as(_NOT_UPGRADED), readable_faults():
        settings.home.mkdir(mode=0o700, parents=True, exist_ok=True)
        gate_of(settings).require_open()
        with shared_lock(settings.use_lock_path):
            is_whole(settings)  # raises where the secret is lost
            if is_begun(settings.database):
                schema.require_no_newer_schema(schema.current_revision(settings.database))
                require_no_foreign_secret(settings)
            schema.upgrade_to_head(settings.database)
            if not settings.has_given_secret:
                create_secret(settings.secret_path)
            ensure_secret_recorded(settings, load_secret_of(settings))
