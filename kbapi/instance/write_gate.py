"""Which files of an instance exist, whether it can be written now, and what the last write came to.

An instance is created in this order: database file, tables, secret. So a file without the one
before it means that a file was lost. A lost file is an error and is never created again.
"""

import fcntl
import logging
import mmap
import os
import secrets
import struct
import weakref
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import datetime
from pathlib import Path
from threading import Lock
from typing import Final, Literal, get_args

from kbapi.clock import steady_s
from kbapi.errors import (
    BEING_MOVED,
    MOVED,
    InstanceReadOnly,
    StorageBroken,
    StorageFull,
    StorageUnwritable,
    UnsafeSetup,
)
from kbapi.instance.secret import remove_drafts
from kbapi.settings import Settings
from kbapi.storage import schema
from kbapi.storage.files import (
    free_bytes,
    index_of,
    is_locked_in,
    is_read_only,
    is_read_only_medium,
    is_withheld,
    log_of,
    require_may_open,
)

log = logging.getLogger(__name__)
# A command has no log: its message says what failed.
log.addHandler(logging.NullHandler())

SIDE_FILE_ENDINGS: Final = ("-wal", "-shm", "-journal")
"""Endings of the files that SQLite keeps next to a database; they damage any other database."""


def draft_beside(database: Path) -> Path:
    """The path where a restore writes its copy, in the folder of the database file."""
    file = database.resolve()
    return file.with_name(f"{file.name}.restoring")


def remove_database(file: Path) -> None:
    """Remove a database and the files that SQLite keeps next to it."""
    for ending in ("", *SIDE_FILE_ENDINGS):
        file.with_name(file.name + ending).unlink(missing_ok=True)


def remove_partial_files(settings: Settings) -> None:
    """Remove an unfinished copy of the database and drafts of the secret, where that is allowed.

    The caller must hold the shared use lock: a running restore holds the exclusive one.
    """
    draft = draft_beside(settings.database_path)
    if settings.read_only or is_read_only(settings.home) or is_read_only(draft.parent):
        return
    with suppress(OSError):  # they do not prevent serving
        remove_database(draft)
        remove_drafts(settings.secret_path.resolve())


_LOST: Final = (
    "Nothing was changed. Put the file back together with its -wal file, or restore a backup. If "
    "nothing was ever stored here, empty the folder: a new instance needs an empty folder."
)


def require_nothing_lost(settings: Settings) -> None:
    """Raise if a file of the instance exists without its database.

    Raises
    ------
    UnsafeSetup
        When the database is missing or empty although other files exist, or when this user may not
        open it.
    StorageUnwritable
        When SQLite could read the database only if it could write to the folder.
    """
    if settings.database:
        return
    database = settings.database_path
    require_may_open(database)
    log = log_of(database)
    if is_locked_in(database):
        raise StorageUnwritable
    left = [path.name for path in (settings.secret_path, log) if path.exists()]
    if (left or database.is_symlink()) and not database.exists():
        remaining = f" beside {' and '.join(left)}" if left else ""
        raise UnsafeSetup(f"{database.name} is missing{remaining}. {_LOST}")
    if settings.secret_path.name in left and not is_begun(database):
        raise UnsafeSetup(f"{database.name} is empty beside {settings.secret_path.name}. {_LOST}")


def is_begun(database: schema.Database) -> bool:
    """Whether there is a database with tables, and not just an empty one."""
    try:
        return schema.current_revision(database) is not None
    except StorageBroken:
        if isinstance(database, str) or database.exists():
            raise
        return False


def require_instance(settings: Settings) -> None:
    """Raise UnsafeSetup where there is no instance, or this user may not open its file."""
    if not settings.database:
        require_may_open(settings.database_path)
        if settings.database_path.exists():
            return
    elif is_begun(settings.database):
        return
    raise no_instance(settings)


def no_instance(settings: Settings, advice: str = "") -> UnsafeSetup:
    """The error that there is no instance; a URL is never in it, because of its password."""
    if settings.database:
        return UnsafeSetup(f"There is no instance in KBAPI_DATABASE. {advice or _CREATE}")
    return UnsafeSetup(
        f"There is no instance in {settings.home}. {advice or 'Name its folder with --home.'}"
    )


_CREATE: Final = "'kbapi db upgrade' creates one."


def is_whole(settings: Settings) -> bool:
    """Whether the folder has a complete instance.

    Raises
    ------
    UnsafeSetup
        When a file is lost: the database or the secret.
    """
    require_nothing_lost(settings)
    if settings.has_given_secret:
        # The key id is recorded last; a database of an earlier program has rows instead.
        database = settings.database_at
        return is_begun(database) and (
            schema.read_key_ids(database)[0] is not None or not schema.holds_nothing(database)
        )
    if settings.secret_path.exists():
        # On a server, the secret of the first host comes to the others before the database is made.
        return not settings.database or is_begun(settings.database)
    name = settings.secret_path.name
    if is_begun(settings.database_at) and not schema.holds_nothing(settings.database_at):
        raise UnsafeSetup(
            f"{name} is missing beside an existing database. Receipts and "
            "tokens need it. Put the backup of it back."
        )
    if settings.database and is_begun(settings.database):
        recorded, _ = schema.read_key_ids(settings.database)
        if recorded is not None:
            raise UnsafeSetup(
                f"Another host serves this database, and {name} is missing here. Copy it from "
                "there, or set KBAPI_SECRET_FILE. Nothing was changed."
            )
    return False


_RESERVE_DIVISOR: Final = 8
"""Withdrawals and revocations leave an eighth of the reserved disk space unused.

A withdrawal writes to the log before the database gets smaller, and a server needs some disk space
to start.
"""


class WriteGate:
    """Whether writes are allowed now: by the settings, the free disk space and the file modes."""

    def __init__(self, settings: Settings) -> None:
        self._settings = settings
        self.is_read_only_medium = is_read_only_medium(settings.database_path)
        database = settings.database_path
        self._needed = (
            database,
            settings.write_lock_path,
            log_of(database),
            index_of(database),
        )

    def require_open(self, *, takes_back: bool = False) -> None:
        """Raise unless writes are allowed; with `takes_back`, most of the reserve may be used.

        Raises
        ------
        InstanceReadOnly
            When the setting `read_only` is on, and during and after a move to another database.
        StorageFull
            When the disk has less free space than `min_free_bytes`.
        StorageUnwritable
            When this process may not write the folder or a file that a write needs.
        """
        self.require_not_moved()
        found = self.why_closed()
        if found is None or (takes_back and found is StorageFull and self._can_take_back()):
            return
        raise found

    def require_not_moved(self) -> None:
        """Raise InstanceReadOnly during and after a move of the SQLite file.

        A writer asks again when it has the write lock: a move may have begun while it waited.
        """
        state = move_state(self._settings.move_lock_path)
        if state is not None:
            raise InstanceReadOnly(BEING_MOVED if state == "moving" else MOVED)

    def _can_take_back(self) -> bool:
        settings = self._settings
        return free_bytes(settings.home) >= settings.min_free_bytes // _RESERVE_DIVISOR

    def why_closed(self) -> type[StorageUnwritable] | None:
        """The error that a write gets now, None while writes are allowed."""
        is_moved = move_state(self._settings.move_lock_path) is not None
        return InstanceReadOnly if is_moved else self._why_not_writable()

    def require_writable(self) -> None:
        """Raise unless the settings and the disk allow writes, also after a move."""
        if (closed := self._why_not_writable()) is not None:
            raise closed

    def _why_not_writable(self) -> type[StorageUnwritable] | None:
        if self._settings.read_only:
            return InstanceReadOnly
        home = self._settings.home
        # Readers of a read-only medium open it as immutable and would not see a new write.
        if self.is_read_only_medium or is_read_only(home) or any(map(is_withheld, self._needed)):
            return StorageUnwritable
        if free_bytes(home) < self._settings.min_free_bytes:
            return StorageFull
        return None


def move_state(lock_file: Path) -> Literal["moving", "moved"] | None:
    """Whether a move out of the SQLite file runs, or has succeeded; None before any."""
    try:
        descriptor = os.open(lock_file, os.O_RDONLY | os.O_CLOEXEC)
    except FileNotFoundError:
        return None
    try:
        if os.fstat(descriptor).st_size:
            return "moved"
        # The kernel frees the lock of a move that was killed.
        fcntl.flock(descriptor, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return "moving"
    finally:
        os.close(descriptor)
    return None


class ServerGate:
    """Whether writes are allowed now to a database on a server, which sees to its own disk."""

    is_read_only_medium = False

    def __init__(self, settings: Settings) -> None:
        self._settings = settings

    def require_open(self, *, takes_back: bool = False) -> None:
        """Raise InstanceReadOnly when the setting `read_only` is on."""
        _ = takes_back
        if (closed := self.why_closed()) is not None:
            raise closed

    def require_not_moved(self) -> None:
        """Do nothing: each transaction on a server looks for a move itself."""

    def why_closed(self) -> type[StorageUnwritable] | None:
        """The error that a write gets now, None while writes are allowed."""
        return InstanceReadOnly if self._settings.read_only else None


def gate_of(settings: Settings) -> WriteGate | ServerGate:
    """The gate of the database that the settings name."""
    return ServerGate(settings) if settings.database else WriteGate(settings)


WriteState = Literal[
    "accepted",
    "read_only",
    "storage_full",
    "storage_unwritable",
    "disk_error",
    "storage_busy",
    "storage_unreachable",
    "storage_damaged",
    "storage_broken",
]
"""`accepted`, or the code of the problem that results get; questions are answered anyway."""

Condition = Literal["storage_damaged", "checkpoint_blocked", "clock_jumped", "dates_in_future"]
"""A condition that the host must look at: the guide "Watching" says what to do."""

TROUBLE_BEGAN: Final = "trouble_began"
TROUBLE_ENDED: Final = "trouble_ended"
"""Events of the log."""

WRITE_STATES: Final[tuple[WriteState, ...]] = get_args(WriteState)
CONDITIONS: Final[tuple[Condition, ...]] = get_args(Condition)

PROBE_EVERY_S: Final = 5.0
_CLOCK_JUMP_S: Final = 3_600
"""More than any correction of a clock that is kept right."""
_LOGGED_EVERY_S: Final = 60.0
"""A state that comes and goes is logged once in this time."""

_WRITES: Final = 0
_SECONDS: Final = struct.Struct("d")
_FIRST_SECONDS: Final = 64
_PROBED_S, _CLOCK_OFFSET_S, _DATES_READ_S = (_FIRST_SECONDS + 8 * n for n in range(3))
_RECORDED_S: Final = _FIRST_SECONDS + 8 * 3
_LOGGED_S: Final = _FIRST_SECONDS + 8 * 4
"""A time for each state: when its beginning was logged last, 0 after its end was logged."""
_SHARED_BYTES: Final = 4_096


class Health:
    """The state of one instance, shared with every process that is forked later.

    It is in memory, where no failing disk can take it away. A state that begins or ends is one line
    in the log, whichever worker sees it first.
    """

    def __init__(self) -> None:
        self.host_id = secrets.token_hex(8)
        """Of this start of a server, the same in all its processes."""
        self._file = os.memfd_create("kbapi-health")
        os.ftruncate(self._file, _SHARED_BYTES)
        self._shared = mmap.mmap(self._file, _SHARED_BYTES)
        self._threads = Lock()
        weakref.finalize(self, os.close, self._file)

    @property
    def writes(self) -> WriteState:
        """What the latest write came to."""
        return WRITE_STATES[self._shared[_WRITES]]

    @property
    def conditions(self) -> tuple[Condition, ...]:
        """The conditions that hold now."""
        return tuple(
            one for place, one in enumerate(CONDITIONS, _WRITES + 1) if self._shared[place]
        )

    def note_written(self) -> None:
        """Note a committed write."""
        if self._shared[_WRITES]:
            self._change(_WRITES, 0, "writes")

    def note_write_failed(self, state: WriteState) -> None:
        """Note a write that failed, or would fail."""
        if self.writes != state:
            self._change(_WRITES, WRITE_STATES.index(state), state)

    def note_condition(self, condition: Condition, holds: bool) -> None:
        """Note whether a condition holds now."""
        place = _WRITES + 1 + CONDITIONS.index(condition)
        if self._shared[place] != holds:
            self._change(place, int(holds), condition)

    def note_clock(self, now: datetime) -> None:
        """Compare the clock with the time since the machine started.

        The first look sets what is right: `clock_jumped` ends when the clock agrees again, or with
        a restart or reload of the server.
        """
        offset_s = now.timestamp() - steady_s()
        first_s = self._seconds(_CLOCK_OFFSET_S)
        if first_s == 0:
            self._set_seconds(_CLOCK_OFFSET_S, offset_s)
        else:
            self.note_condition("clock_jumped", abs(offset_s - first_s) > _CLOCK_JUMP_S)

    def begins_probe(self) -> bool:
        """Whether this process makes the next probe: one of all processes in five seconds."""
        return self._is_first_since(_PROBED_S, PROBE_EVERY_S)

    def begins_recording(self) -> bool:
        """Whether this process records that the host serves: one of all in five seconds."""
        return self._is_first_since(_RECORDED_S, PROBE_EVERY_S)

    def begins_reading_dates(self, every_s: float) -> bool:
        """Whether this process reads all dates now: one of all processes in this time."""
        return self._is_first_since(_DATES_READ_S, every_s)

    def _is_first_since(self, place: int, every_s: float) -> bool:
        now_s = steady_s()
        with self._alone():
            last_s = self._seconds(place)
            if last_s and now_s - last_s < every_s:
                return False
            self._set_seconds(place, now_s)
        return True

    def _change(self, place: int, value: int, code: str) -> None:
        with self._alone():
            before, self._shared[place] = self._shared[place], value
            is_logged = bool(before) != bool(value) and self._takes_line(place, begins=bool(value))
        if is_logged:
            log.error(TROUBLE_BEGAN if value else TROUBLE_ENDED, extra={"problem": code})

    def _takes_line(self, place: int, *, begins: bool) -> bool:
        """Whether a beginning or an end is logged: a pair of lines a minute for each state."""
        logged = _LOGGED_S + 16 * place
        if not begins:
            was_logged = self._shared[logged + 8] == 1
            self._shared[logged + 8] = 0
            return was_logged
        now_s = steady_s()
        if (last_s := self._seconds(logged)) and now_s - last_s < _LOGGED_EVERY_S:
            return False
        self._set_seconds(logged, now_s)
        self._shared[logged + 8] = 1
        return True

    def _seconds(self, place: int) -> float:
        seconds: float = _SECONDS.unpack_from(self._shared, place)[0]
        return seconds

    def _set_seconds(self, place: int, seconds: float) -> None:
        _SECONDS.pack_into(self._shared, place, seconds)

    @contextmanager
    def _alone(self) -> Iterator[None]:
        """No other thread and no other process changes the state meanwhile."""
        with self._threads:
            fcntl.lockf(self._file, fcntl.LOCK_EX)
            try:
                yield
            finally:
                fcntl.lockf(self._file, fcntl.LOCK_UN)


_shared_healths: Final[dict[Path, Health]] = {}


def share_health(home: Path) -> None:
    """Give the instance in this folder a new state, for all processes that are forked later."""
    _shared_healths[home.resolve()] = Health()


def health_of(home: Path) -> Health:
    """The state that the processes of a server share, or a new one without a server."""
    return _shared_healths.get(home.resolve()) or Health()
