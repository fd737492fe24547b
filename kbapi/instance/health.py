"""The health of an instance: what the latest write came to, and conditions that a host must know.

All workers of a server share one state, in memory: no failing disk can take it away. A state that
begins or ends is one line in the log, whichever worker sees it first.
"""

import fcntl
import logging
import mmap
import os
import struct
import weakref
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from threading import Lock, Thread
from typing import TYPE_CHECKING, Final, Literal, get_args

from kbapi.clock import steady_s
from kbapi.errors import (
    DiskError,
    InstanceReadOnly,
    KbapiError,
    StorageDamaged,
    StorageUnwritable,
)
from kbapi.storage.files import log_of, require_disk_writable, size_of
from kbapi.storage.health import find_newest_day, find_probe, raise_probe
from kbapi.storage.sqlite.engine import readable_faults

if TYPE_CHECKING:
    from kbapi.instance.instance import Instance

log = logging.getLogger(__name__)
# A command has no log: its message says what failed.
log.addHandler(logging.NullHandler())

WriteState = Literal[
    "accepted",
    "read_only",
    "storage_full",
    "storage_unwritable",
    "disk_error",
    "storage_busy",
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
PROBE_WAIT_S: Final = 0.5
"""How long a request waits for a probe; then it reports the last known state."""
_PROBE_STUCK_S: Final = 15.0
"""After that a writer gives up waiting for the write lock, so every result is refused."""
LARGE_LOG_BYTES: Final = 256 * 1024 * 1024
"""A log that is checkpointed is far smaller."""
_CLOCK_JUMP_S: Final = 3_600
"""More than any correction of a clock that is kept right."""
_DATES_S: Final = 3_600.0
_DATES_AGAIN_S: Final = 60.0
"""How often the days of all rows are read, which costs a scan of every result."""
_LOGGED_EVERY_S: Final = 60.0
"""A state that comes and goes is logged once in this time."""

_WRITES: Final = 0
_SECONDS: Final = struct.Struct("d")
_FIRST_SECONDS: Final = 64
_PROBED_S, _CLOCK_OFFSET_S, _DATES_READ_S = (_FIRST_SECONDS + 8 * n for n in range(3))
_LOGGED_S: Final = _FIRST_SECONDS + 8 * 3
"""A time for each state: when its beginning was logged last, 0 after its end was logged."""
_SHARED_BYTES: Final = 4_096


class Health:
    """The state of one instance, shared with every process that is forked later."""

    def __init__(self) -> None:
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


@dataclass(frozen=True, slots=True)
class HealthNow:
    """The health of an instance at this moment."""

    writes: WriteState
    conditions: tuple[Condition, ...]


class Probing:
    """Probes of one process, one after another; a request waits for one only a short time."""

    def __init__(self, instance: "Instance", health: Health) -> None:
        # An instance that is no longer used is closed, although it has its probes.
        self._instance = weakref.proxy(instance)
        self._health = health
        self._lock = Lock()
        self._running: Thread | None = None
        self._writing_since_s: float | None = None

    def present(self) -> HealthNow:
        """The health now; begins a probe if one is due, and waits a short time for its end."""
        self._health.note_clock(self._instance.now())
        closed = self._why_closed()
        self._look()
        writes = self._health.writes if closed is None else _write_state(closed)
        return HealthNow(writes, self._health.conditions)

    def note_failed(self, fault: KbapiError) -> None:
        """Note why a write failed."""
        if isinstance(fault, StorageDamaged):
            self._health.note_condition("storage_damaged", True)
        if isinstance(fault, StorageUnwritable) and not isinstance(fault, InstanceReadOnly):
            self._health.note_write_failed(self._state_after(fault))

    def note_unreadable(self, fault: KbapiError) -> None:
        """Note a page that could not be read, if a read failed because of one."""
        if isinstance(fault, StorageDamaged | DiskError):
            self._health.note_condition("storage_damaged", True)

    def close(self) -> None:
        """Wait a short time for a probe that runs."""
        if self._running is not None:
            self._running.join(PROBE_WAIT_S)

    def _look(self) -> None:
        with self._lock:
            is_running = self._running is not None and self._running.is_alive()
            if not is_running and self._health.begins_probe():
                self._running = Thread(target=self._probe, name="kbapi-probe", daemon=True)
                self._running.start()
            running = self._running
        if running is None:
            return
        running.join(PROBE_WAIT_S)
        since_s = self._writing_since_s
        if since_s is not None and steady_s() - since_s > _PROBE_STUCK_S:
            self._health.note_write_failed("storage_busy")

    def _probe(self) -> None:
        try:
            if self._why_closed() is None:
                self._write_and_read()
            self._look_at_log()
            self._look_at_dates()
        except KbapiError as fault:
            log.warning("probe_failed", extra={"problem": fault.code})
        except Exception as error:  # noqa: BLE001 - a thread has no caller
            log.error("probe_failed", extra={"error": type(error).__name__})

    def _write_and_read(self) -> None:
        self._writing_since_s = steady_s()
        try:
            with self._instance.writing(is_probe=True) as connection:
                written = raise_probe(connection)
            with self._instance.reading() as connection:
                if find_probe(connection) < written:
                    raise StorageDamaged
        except KbapiError as fault:
            self.note_failed(fault)
            if not isinstance(fault, StorageUnwritable):
                self._health.note_write_failed(_write_state(type(fault)))
        finally:
            self._writing_since_s = None

    def _look_at_log(self) -> None:
        is_large = size_of(log_of(self._instance.settings.database_path)) > LARGE_LOG_BYTES
        if is_large and self._why_closed() is None:
            is_large = self._instance.is_checkpoint_blocked()
        self._health.note_condition("checkpoint_blocked", is_large)

    def _look_at_dates(self) -> None:
        """Read the days of the last rows; at the start and then each hour, those of all rows."""
        is_known = "dates_in_future" in self._health.conditions
        reads_all = self._health.begins_reading_dates(_DATES_AGAIN_S if is_known else _DATES_S)
        with self._instance.reading() as connection:
            newest = find_newest_day(connection, of_last_rows=not reads_all)
        is_later = newest is not None and newest > self._instance.today()
        if is_later or reads_all:
            self._health.note_condition("dates_in_future", is_later)

    def _why_closed(self) -> type[KbapiError] | None:
        """The error that the gate gives to writes now; noted, except for a setting."""
        closed: type[KbapiError] | None
        try:
            with readable_faults():
                closed = self._instance.gate.why_closed()
        except KbapiError as fault:
            closed = type(fault)
        if closed is not None and closed is not InstanceReadOnly:
            self._health.note_write_failed(_write_state(closed))
        return closed

    def _state_after(self, fault: StorageUnwritable) -> WriteState:
        """The state of writes after this fault, by the reason that the system gives for it."""
        reason: type[KbapiError] = type(fault)
        if isinstance(fault, DiskError):
            try:
                with readable_faults():
                    reason = self._instance.gate.why_closed() or reason
                    require_disk_writable(self._instance.settings.write_lock_path)
            except KbapiError as found:
                reason = type(found)
        return _write_state(reason)


def _write_state(fault: type[KbapiError]) -> WriteState:
    return next((state for state in WRITE_STATES if state == fault.code), "storage_broken")
