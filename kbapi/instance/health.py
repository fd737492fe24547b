"""The health of an instance as readiness, metrics and `kbapi check` show it: probes find it out."""

import logging
import os
import signal
import weakref
from collections import Counter
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from threading import Event, Lock, Thread
from typing import TYPE_CHECKING, Final

import kbapi
from kbapi.chips.catalogue import Catalogue
from kbapi.clock import HOUR_S, steady_s
from kbapi.errors import (
    DiskError,
    InstanceReadOnly,
    KbapiError,
    SchemaMismatch,
    StorageDamaged,
    StorageUnwritable,
)
from kbapi.instance.write_gate import (
    PROBE_EVERY_S,
    WRITE_STATES,
    Condition,
    Health,
    WriteState,
)
from kbapi.settings import Settings
from kbapi.storage.files import log_of, require_disk_writable, size_of
from kbapi.storage.health import find_newest_day, find_probe, raise_probe
from kbapi.storage.schema import (
    Program,
    drop_host,
    head_revision,
    load_hosts,
    note_host,
)
from kbapi.storage.sql import readable_faults
from kbapi.versions import RULES_VERSION

if TYPE_CHECKING:
    from kbapi.instance.instance import Instance

log = logging.getLogger(__name__)
# A command has no log: its message says what failed.
log.addHandler(logging.NullHandler())

PROBE_WAIT_S: Final = 0.5
"""How long a request waits for a probe; then it reports the last known state."""
_PROBE_STUCK_S: Final = 15.0
"""After that a writer gives up waiting for the write lock, so every result is refused."""
LARGE_LOG_BYTES: Final = 256 * 1024 * 1024
"""A log that is checkpointed is far smaller."""
_DELETION_AGAIN_S: Final = 60.0
"""After that a deletion that failed is tried again."""
_DATES_S: Final = 3_600.0
_DATES_AGAIN_S: Final = 60.0
"""How often the days of all rows are read, which costs a scan of every result."""


@dataclass(frozen=True, slots=True)
class HealthNow:
    """The health of an instance at this moment."""

    writes: WriteState
    conditions: tuple[Condition, ...]


class HourlyDeletion:
    """A thread that deletes what has expired: now, and after each full hour."""

    def __init__(self, instance: "Instance") -> None:
        self._instance = weakref.proxy(instance)
        self._is_closed = Event()
        self._thread = Thread(target=self._run, name="kbapi-deletion", daemon=True)

    def start(self) -> None:
        """Begin; every process that serves does so once."""
        self._thread.start()

    def close(self) -> None:
        """Wait a short time for a deletion that runs, and begin no other one."""
        self._is_closed.set()
        if self._thread.is_alive():
            self._thread.join(PROBE_WAIT_S)

    def _run(self) -> None:
        try:
            while not self._is_closed.wait(self._delete()):
                pass
        except ReferenceError:
            return  # the instance is no longer used

    def _delete(self) -> float:
        """Delete what has expired; the seconds until the next time."""
        try:
            self._instance.delete_expired()
        except KbapiError as fault:
            log.warning("deletion_failed", extra={"problem": fault.code})
            return _DELETION_AGAIN_S
        except ReferenceError:
            raise
        except Exception as error:  # noqa: BLE001 - a thread has no caller
            log.error("deletion_failed", extra={"error": type(error).__name__})
            return _DELETION_AGAIN_S
        return HOUR_S - float(self._instance.now().timestamp()) % HOUR_S


class Presence:
    """A thread that records every few seconds that this host serves, and with which program.

    Only a database on a server has several hosts. Where a later program upgraded it so that this
    one must not serve it, this process ends, and the server with it: no new process can start.
    """

    def __init__(self, instance: "Instance", health: Health) -> None:
        self._instance = weakref.proxy(instance)
        self._health = health
        self._is_closed = Event()
        self._thread = Thread(target=self._run, name="kbapi-presence", daemon=True)

    def start(self) -> None:
        """Begin; every process that serves does so once."""
        if self._instance.settings.database:
            self._thread.start()

    def close(self) -> None:
        """Record that the host ends; a process of it that serves on records the contrary."""
        self._is_closed.set()
        if self._thread.is_alive():
            self._thread.join(PROBE_WAIT_S)
            with suppress(KbapiError):
                drop_host(self._instance.settings.database, self._health.host_id)

    def _run(self) -> None:
        try:
            self._record()
            while not self._is_closed.wait(PROBE_EVERY_S / 2):
                if self._health.begins_recording():
                    self._record()
        except ReferenceError:
            return  # the instance is no longer used

    def _record(self) -> None:
        instance = self._instance
        url = instance.settings.database
        try:
            instance.require_current_schema()
            note_host(url, self._health.host_id, program_of(instance.catalogue))
        except SchemaMismatch as mismatch:
            log.error("schema_mismatch", extra={"problem": mismatch.code})
            os.kill(os.getpid(), signal.SIGTERM)
        except KbapiError as fault:
            log.warning("presence_failed", extra={"problem": fault.code})
        except ReferenceError:
            raise
        except Exception as error:  # noqa: BLE001 - a thread has no caller
            log.error("presence_failed", extra={"error": type(error).__name__})


def program_of(catalogue: Catalogue) -> Program:
    """What this program serves with, as the other hosts see it."""
    return Program(kbapi.__version__, head_revision(), RULES_VERSION, catalogue.stamp)


def programs_alive(settings: Settings, catalogue: Catalogue) -> Mapping[Program, int]:
    """With what the hosts serve that are alive, and how many do so; a file has one host."""
    if not settings.database:
        return {program_of(catalogue): 1}
    return Counter(host.program for host in load_hosts(settings.database) if host.is_alive)


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
        is_setting = isinstance(fault, InstanceReadOnly) and self._instance.settings.read_only
        if isinstance(fault, StorageUnwritable) and not is_setting:
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
