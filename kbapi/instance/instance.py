"""An instance: the folder with its database and secret, and the two ways to its connections."""

import os
import weakref
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, nullcontext, suppress
from datetime import date
from functools import cache, cached_property
from threading import Lock
from typing import Final

from sqlalchemy import Connection

from kbapi.chips.catalogue import Catalogue, load_catalogue
from kbapi.clock import Clock, utc_now
from kbapi.errors import KbapiError, StorageBroken, StorageBusy, StorageUnwritable, UnsafeSetup
from kbapi.instance.file_locks import alone, as_only_process, hold_as_only_process, share, sharing
from kbapi.instance.secret import (
    Secret,
    create_secret,
    keep_own_secret,
    load_secret,
    require_no_foreign_secret,
)
from kbapi.instance.write_gate import (
    WriteGate,
    is_begun,
    is_whole,
    remove_left_overs,
    require_nothing_lost,
)
from kbapi.metrics.counters import count_write_failed
from kbapi.settings import Settings, bundled_folder
from kbapi.storage.answers import SingleFlight
from kbapi.storage.files import give, give_files, owner_at
from kbapi.storage.sqlite import schema
from kbapi.storage.sqlite.commits import PATIENCE_S, Overwriting, SharedCommit, waiting_in_line
from kbapi.storage.sqlite.engine import (
    Engine,
    HotReads,
    make_reading_engine,
    make_writing_engine,
    needs_one_process,
    readable_faults,
    unwritable_as,
)
from kbapi.storage.sqlite.schema import RulesWatch
from kbapi.versions import RULES_VERSION

_TO_CLOSE_S: Final = 5.0
"""Who closes goes on after that: SQLite's own lock on the file protects a last checkpoint too."""


class RecentUses:
    """Which stored answers this process has served, until that is written down.

    A read never writes: uses are noted in memory, and kept when an answer is stored anyway.
    """

    _MOST: Final = 512

    def __init__(self) -> None:
        self._questions: dict[str, None] = {}
        self._lock = Lock()

    def note(self, question: str) -> None:
        """Note a use, the latest last; beyond 512 questions the oldest are forgotten."""
        with self._lock:
            self._questions.pop(question, None)
            self._questions[question] = None
            if len(self._questions) > self._MOST:
                del self._questions[next(iter(self._questions))]

    def take(self) -> list[str]:
        """The noted questions, oldest use first; they are noted no longer."""
        with self._lock:
            questions, self._questions = list(self._questions), {}
        return questions


class Instance:
    """An open instance; engines are made at their first use, so never before a fork."""

    def __init__(self, settings: Settings, now: Clock = utc_now) -> None:
        self.settings = settings
        self.now = now
        self.uses = RecentUses()
        self.single_flight = SingleFlight()
        self.gate = WriteGate(settings)
        self._let_go: weakref.finalize[[], Instance] | None = None

    def hold(self) -> None:
        """Keep others from putting another database in place until this one is closed.

        With an affected SQLite other processes can't open the instance either.
        """
        with ExitStack() as held:
            if needs_one_process():
                held.callback(hold_as_only_process(self.settings.home))
            descriptor = share(self.settings.use_lock_path)
            if descriptor is not None:
                held.callback(os.close, descriptor)
                with suppress(OSError, UnsafeSetup):  # nobody is kept from reading by that
                    give(descriptor, owner_at(self.settings.use_lock_path))
            self._let_go = weakref.finalize(self, held.pop_all().close)

    @cached_property
    def secret(self) -> Secret:
        """The secret beside the database."""
        return load_secret(self.settings.secret_path)

    @cached_property
    def catalogue(self) -> Catalogue:
        """The curated chips that this installation carries."""
        return bundled_catalogue()

    def today(self) -> date:
        """The present day in UTC."""
        return self.now().date()

    @contextmanager
    def writing(
        self, patience_s: float = PATIENCE_S, *, takes_back: bool = False
    ) -> Iterator[Connection]:
        """A connection in a write transaction: the only commit there is, all or nothing.

        What takes something back, a result or a key, may use the room that is to be kept free.

        Raises
        ------
        StorageBusy, StorageUnwritable, StorageBroken
            When nothing can be written now, and nothing was.
        """
        try:
            with readable_faults():
                self.gate.require_open(takes_back=takes_back)
                with self._commits.taking_part(patience_s) as connection:
                    yield connection
        except (StorageBusy, StorageUnwritable, StorageBroken) as fault:
            count_write_failed(fault.code)
            raise

    @contextmanager
    def rehearsing(self) -> Iterator[Connection]:
        """A connection like `writing`, of which nothing is ever kept: it needs no room either."""
        with (
            readable_faults(),
            waiting_in_line(self.settings.write_lock_path),
            self._writing_engine.connect() as connection,
            connection.begin() as transaction,
        ):
            yield connection
            transaction.rollback()

    def overwrite_withdrawn(self) -> None:
        """Bring the log of changes into the database file and empty it, now or soon.

        What was deleted is overwritten in the file (`secure_delete`), but the log holds it until
        then. Whoever reads at this moment keeps it a little longer; nobody waits for them.
        """
        self._overwriting.begin()

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """A connection that sees one state of the database and cannot write."""
        with readable_faults(), self._reading_engine.begin() as connection:
            yield connection

    @cached_property
    def hot_reads(self) -> HotReads:
        """Single statements, read without a transaction."""
        return HotReads(
            self.settings.database_path, is_read_only_medium=self.gate.is_read_only_medium
        )

    @cached_property
    def rules(self) -> RulesWatch:
        """Whether results wait for being screened again."""
        return RulesWatch(self._reading_engine, RULES_VERSION)

    @cached_property
    def _commits(self) -> SharedCommit:
        return SharedCommit(self.settings.write_lock_path, self._writing_engine.connect)

    @cached_property
    def _overwriting(self) -> Overwriting:
        return Overwriting(self.settings.write_lock_path, self._writing_engine)

    @cached_property
    def _writing_engine(self) -> Engine:
        return make_writing_engine(self.settings.database_path)

    @cached_property
    def _reading_engine(self) -> Engine:
        sealed = self.gate.is_read_only_medium
        return make_reading_engine(self.settings.database_path, is_read_only_medium=sealed)

    def close(self) -> None:
        """Give the connections back; who does so last brings the log of changes into the file."""
        self._overwriting.close()
        with self._in_line_to_close():
            self._writing_engine.dispose()
            self._reading_engine.dispose()
            self.hot_reads.close()
        if self._let_go is not None:
            self._let_go()

    @contextmanager
    def _in_line_to_close(self) -> Iterator[None]:
        """The write lock, where SQLite is affected and the lock comes soon."""
        with ExitStack() as held:
            if needs_one_process():
                with suppress(KbapiError), readable_faults():
                    line = waiting_in_line(self.settings.write_lock_path, _TO_CLOSE_S)
                    held.enter_context(line)
            yield


@cache
def bundled_catalogue() -> Catalogue:
    """The curated chips that this installation carries, read once."""
    return load_catalogue(bundled_folder("seed_data") / "catalogue")


_NOT_OPENED: Final = (
    "SQLite cannot open the database: it needs disk space beside the file. Nothing was changed. "
    "Free disk space, or allow writing to the folder, then try again."
)
_NEITHER_MADE: Final = (
    "The instance was not created or upgraded. Nothing was changed. Free more than "
    "KBAPI_MIN_FREE_BYTES, allow writing to the folder and its files, and unset KBAPI_READ_ONLY. "
    "Then try again."
)


def open_instance(settings: Settings, now: Clock = utc_now) -> Instance:
    """An instance that exists, with its schema and secret checked.

    Raises
    ------
    SchemaMismatch
        When the database is older or newer than this code.
    UnsafeSetup
        When there is no instance in the folder, this user may not open it or its locks, or its
        secret is missing, readable by others or not the one that the database is served with.
    StorageBroken
        When the file is not a database.
    InstanceInUse
        While another database is being put in its place, and with an affected SQLite while another
        process has the instance open.
    """
    with unwritable_as(_NOT_OPENED):
        require_nothing_lost(settings)
        if not is_begun(settings.database_path):
            raise UnsafeSetup(
                f"There is no instance in {settings.home}. Name its folder with --home, or "
                "create one with 'kbapi db upgrade'."
            )
        schema.require_current_schema(settings.database_path)
    instance = Instance(settings, now)
    with unwritable_as(_NOT_OPENED), readable_faults():
        instance.hold()
        keep_own_secret(settings, instance.secret)
    remove_left_overs(settings)
    return instance


def create_or_open_instance(settings: Settings, now: Clock = utc_now) -> Instance:
    """An instance in this folder, made if the folder is empty; an old schema is not touched."""
    if not is_whole(settings):
        upgrade_instance(settings)
    return open_instance(settings, now)


def upgrade_instance(settings: Settings) -> None:
    """Bring folder, secret and schema to this code's state; all migrations or none.

    Raises
    ------
    InstanceInUse
        While a server or a command has the instance open, which reads by the older schema.
    StorageFull, StorageUnwritable, InstanceReadOnly
        When nothing can be written; nothing was.
    UnsafeSetup
        When a database or a secret is lost, or the secret is not the database's own.
    """
    database = settings.database_path
    with unwritable_as(_NEITHER_MADE), readable_faults():
        # Two that begin at once may both make it; what is there is changed by one alone.
        held = alone if is_whole(settings) else sharing
        settings.home.mkdir(mode=0o700, parents=True, exist_ok=True)
        WriteGate(settings).require_open()
        owner = owner_at(database)
        with (
            held(settings.use_lock_path),
            as_only_process(settings.home) if needs_one_process() else nullcontext(),
            waiting_in_line(settings.write_lock_path),
        ):
            if database.exists():
                schema.require_no_newer_schema(schema.current_revision(database))
                require_no_foreign_secret(settings)
            schema.upgrade_to_head(database)
            database.chmod(0o600)
            create_secret(settings.secret_path)
            keep_own_secret(settings, load_secret(settings.secret_path), is_in_line=True)
            give_files(settings, owner)
