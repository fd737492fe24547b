"""Counters of all processes in one folder, and gauges of the instance's state.

A mapped file that grows on a full disk ends its process by a signal, so a process reserves all
space at its start. The counts of an ended process are added to a common file, so that the folder
does not grow with each new worker.

A missing folder or a broken file only reduces the metrics: no serving process ends because of it.
"""

import fcntl
import logging
import os
import struct
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Final

from prometheus_client import CollectorRegistry, generate_latest
from prometheus_client import values as counter_values
from prometheus_client.core import GaugeMetricFamily
from prometheus_client.mmap_dict import MmapedDict
from prometheus_client.multiprocess import MultiProcessCollector, mark_process_dead
from prometheus_client.registry import Collector

from kbapi.metrics.counters import count_worker, exposition_of_own_counts, reset_counts


@dataclass(frozen=True, slots=True)
class InstanceState:
    """The state of an instance now."""

    versions: Mapping[str, str]
    """Of the program, its schema, its rules and its answers."""
    writes: Mapping[str, bool]
    """Each state of writes, and whether it is the present one."""
    conditions: Mapping[str, bool]
    """Each condition that the host must look at, and whether it holds now."""
    file_bytes: Mapping[str, int]
    """Of the database and its log."""
    free_bytes: int | None
    """None if it cannot be read now."""
    waiting: Mapping[str, int] | None
    """Settings and pools that wait for a curator, by part; None if it cannot be read now."""
    is_rescreening_due: bool | None
    """Whether older rules screened some results; None if it cannot be read now."""
    hosts: Mapping[tuple[str, ...], int] | None
    """How many hosts serve this database, by program, and by catalogue: own or other."""


class _State(Collector):
    """Collector of the state of an instance."""

    def __init__(self, state: InstanceState) -> None:
        self._state = state

    def collect(self) -> Iterator[GaugeMetricFamily]:
        """All gauges of the state."""
        state = self._state
        info = GaugeMetricFamily(
            "kbapi_info", "Versions, as labels; always 1.", labels=tuple(state.versions)
        )
        info.add_metric(tuple(state.versions.values()), 1)
        yield info
        yield from self._writes()
        yield _by_label(
            "kbapi_storage_bytes",
            "Size of the database and its log, in bytes.",
            "file",
            state.file_bytes,
        )
        yield _if_known(
            "kbapi_free_bytes", "Free bytes on the disk of the instance.", state.free_bytes
        )
        yield GaugeMetricFamily(
            "kbapi_storage_readable",
            "Whether the database can be read.",
            int(state.waiting is not None),
        )
        yield _by_label(
            "kbapi_review_waiting",
            "Settings and pools that wait for a curator, by part of the queue, up to 10,000 each.",
            "part",
            state.waiting or {},
        )
        yield _if_known(
            "kbapi_rescreening_due",
            "1 while older rules have screened some results.",
            state.is_rescreening_due,
        )
        yield self._hosts()

    def _hosts(self) -> GaugeMetricFamily:
        hosts = GaugeMetricFamily(
            "kbapi_hosts",
            "Hosts that serve this database now, by program, and by catalogue: own or other.",
            labels=("version", "schema", "rules", "catalogue"),
        )
        for program, number in (self._state.hosts or {}).items():
            hosts.add_metric(program, number)
        return hosts

    def _writes(self) -> Iterator[GaugeMetricFamily]:
        yield _by_label(
            "kbapi_writes",
            "1 at the current state: accepted, or what stops writes.",
            "state",
            self._state.writes,
        )
        yield _by_label(
            "kbapi_condition",
            "1 at each condition that the host must look at.",
            "code",
            self._state.conditions,
        )


def _if_known(name: str, text: str, value: int | None) -> GaugeMetricFamily:
    return GaugeMetricFamily(name, text, None if value is None else int(value))


def _by_label(name: str, text: str, label: str, values: Mapping[str, int]) -> GaugeMetricFamily:
    family = GaugeMetricFamily(name, text, labels=(label,))
    for label_value, value in values.items():
        family.add_metric((label_value,), value)
    return family


def exposition_of_state(state: InstanceState) -> bytes:
    """The state of an instance as text in the exposition format."""
    registry = CollectorRegistry()
    registry.register(_State(state))
    return generate_latest(registry)


log = logging.getLogger(__name__)

_FOLDER: Final = "PROMETHEUS_MULTIPROC_DIR"
"""The variable with the shared folder, for the library and the workers of a server."""

RESERVED_BYTES: Final = {"counter": 131_072, "histogram": 1_048_576, "gauge_livesum": 65_536}
"""More than all names with all their labels need, by kind of file."""
_ADDED_UP: Final = ("counter", "histogram")
_ENDED: Final = "ended"
"""In file names instead of a process id: the sum of all ended processes."""
_LOCK: Final = "folder.lock"
_FAULTS: Final = (OSError, ValueError, RuntimeError, struct.error)
"""The errors of a missing or full folder, and of a file with other content."""


def share_between_processes(folder: Path) -> None:
    """Make all forks of this process count in one folder, which is emptied first.

    If the folder cannot be written, each process counts in its own memory.
    """
    try:
        folder.mkdir(mode=0o700, exist_ok=True)
        for old in folder.glob("*.db"):
            old.unlink()
        (folder / _LOCK).touch(0o600)
        for kind in _ADDED_UP:
            _reserve_space(folder, kind, _ENDED)
    except OSError:
        return
    os.environ[_FOLDER] = str(folder)
    # The library chooses the storage of counters at its import; this replaces the choice.
    counter_values.ValueClass = counter_values.MultiProcessValue()  # type: ignore[no-untyped-call]


def begin_counting() -> None:
    """Count in the shared folder from now on, or in memory if it is missing or the disk is full."""
    if (folder := _folder()) is not None:
        try:
            for kind in RESERVED_BYTES:
                _reserve_space(folder, kind, str(os.getpid()))
        except OSError:
            with suppress(OSError):
                for kind in RESERVED_BYTES:
                    _file(folder, kind, str(os.getpid())).unlink(missing_ok=True)
            del os.environ[_FOLDER]
            counter_values.ValueClass = counter_values.MutexValue
        reset_counts()
    count_worker()


def add_counts_of_ended(process: int) -> None:
    """Add the counts of an ended process to those of all ended processes; remove its files."""
    if (folder := _folder()) is None:
        return
    try:
        with _folder_locked(folder, fcntl.LOCK_EX):
            mark_process_dead(process, str(folder))  # type: ignore[no-untyped-call]
            for kind in _ADDED_UP:
                own = _file(folder, kind, str(process))
                if own.exists():
                    _add_up(own, _file(folder, kind, _ENDED))
                    own.unlink()
    except _FAULTS as fault:
        _log_once(type(fault).__name__)


def exposition_of_counts() -> bytes:
    """The counters of all processes that share the folder, as text in the exposition format.

    If the folder cannot be read, the counters of this process only.
    """
    if (folder := _folder()) is None:
        return exposition_of_own_counts()
    shared = CollectorRegistry()
    try:
        with _folder_locked(folder, fcntl.LOCK_SH):
            MultiProcessCollector(shared, path=folder)  # type: ignore[no-untyped-call]
            return generate_latest(shared)
    except _FAULTS as fault:
        _log_once(type(fault).__name__)
        return exposition_of_own_counts()


@cache
def _log_once(fault: str) -> None:
    """Log each kind of fault once: /metrics is requested often."""
    log.warning("metrics_folder_unreadable", extra={"error": fault})


def _folder() -> Path | None:
    folder = os.environ.get(_FOLDER)
    return None if folder is None else Path(folder)


def _file(folder: Path, kind: str, process: str) -> Path:
    return folder / f"{kind}_{process}.db"


def _reserve_space(folder: Path, kind: str, process: str) -> None:
    with _file(folder, kind, process).open("ab") as opened:
        os.posix_fallocate(opened.fileno(), 0, RESERVED_BYTES[kind])


@contextmanager
def _folder_locked(folder: Path, kind: int) -> Iterator[None]:
    """Lock the folder: a reader would see numbers twice while they move between files."""
    with (folder / _LOCK).open("rb") as lock:
        fcntl.flock(lock, kind)
        yield


def _add_up(own: Path, ended: Path) -> None:
    sums = MmapedDict(str(ended))  # type: ignore[no-untyped-call]
    try:
        for key, value, _, _ in MmapedDict.read_all_values_from_file(str(own)):  # type: ignore[no-untyped-call]
            before, _ = sums.read_value(key)  # type: ignore[no-untyped-call]
            sums.write_value(key, before + value, 0.0)  # type: ignore[no-untyped-call]
    finally:
        sums.close()  # type: ignore[no-untyped-call]
