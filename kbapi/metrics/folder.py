"""Counters of all processes in one folder, and the state of the instance beside them.

A mapped file that had to grow on a full disk would end its process by a signal, so that all room is
taken when a process begins. What a process counted outlives it: its files are added to one that
stands for all that have ended, and the folder does not grow with every exchange of workers.

Counters are for watching: where the folder goes, or a file of it is broken, less is told, and
nobody who serves ends of it.
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
    """An instance at the moment when somebody asks."""

    versions: Mapping[str, str]
    """Of the program, its schema, its rules and its answers."""
    writes: str
    """`accepted`, or the code of what stops them."""
    ways_to_stop: tuple[str, ...]
    file_bytes: Mapping[str, int]
    """Of the database and its log."""
    free_bytes: int
    waiting: Mapping[str, int] | None
    """Settings that wait for a curator by part of the queue; None where it can't be read now."""
    is_rescreening_due: bool | None
    """Whether results stand under older rules; None where it can't be read now."""


class _State(Collector):
    """An instance's state as a registry collects it."""

    def __init__(self, state: InstanceState) -> None:
        self._state = state

    def collect(self) -> Iterator[GaugeMetricFamily]:
        """Every gauge of the state."""
        state = self._state
        info = GaugeMetricFamily(
            "kbapi_info", "Versions, as labels; always 1.", labels=tuple(state.versions)
        )
        info.add_metric(tuple(state.versions.values()), 1)
        yield info
        states = ("accepted", *state.ways_to_stop)
        yield _by_word(
            "kbapi_writes",
            "1 at the current state: accepted, or what stops writes.",
            "state",
            {word: int(word == state.writes) for word in states},
        )
        yield _by_word(
            "kbapi_storage_bytes",
            "Size of the database and its log, in bytes.",
            "file",
            state.file_bytes,
        )
        yield GaugeMetricFamily(
            "kbapi_free_bytes", "Free bytes on the disk of the instance.", state.free_bytes
        )
        yield GaugeMetricFamily(
            "kbapi_storage_readable",
            "Whether the database can be read.",
            int(state.waiting is not None),
        )
        yield _by_word(
            "kbapi_review_waiting",
            "Settings that wait for a curator, by part of the queue, up to 10,000 each.",
            "part",
            state.waiting or {},
        )
        yield _where_known(
            "kbapi_rescreening_due",
            "1 while older rules have screened some results.",
            state.is_rescreening_due,
        )


def _where_known(name: str, told: str, value: bool | None) -> GaugeMetricFamily:
    return GaugeMetricFamily(name, told, None if value is None else int(value))


def _by_word(name: str, told: str, label: str, values: Mapping[str, int]) -> GaugeMetricFamily:
    family = GaugeMetricFamily(name, told, labels=(label,))
    for word, value in values.items():
        family.add_metric((word,), value)
    return family


def exposition_of_state(state: InstanceState) -> bytes:
    """An instance's state as text in the exposition format."""
    registry = CollectorRegistry()
    registry.register(_State(state))
    return generate_latest(registry)


log = logging.getLogger(__name__)

_FOLDER: Final = "PROMETHEUS_MULTIPROC_DIR"
"""The variable that the library and the workers of a server find the shared folder by."""

ROOM_BYTES: Final = {"counter": 131_072, "histogram": 1_048_576, "gauge_livesum": 65_536}
"""More than all names with all their labels take, by the kind of file."""
_ADDED_UP: Final = ("counter", "histogram")
_ENDED: Final = "ended"
"""In the place of a process id: all processes that have ended."""
_LOCK: Final = "folder.lock"
_FAULTS: Final = (OSError, ValueError, RuntimeError, struct.error)
"""What comes of a folder that is gone or full, and of a file with something else in it."""


def share_between_processes(folder: Path) -> None:
    """Make all that this process forks count in one folder, emptied for this run.

    Where nothing can be written each process counts in its own memory.
    """
    try:
        folder.mkdir(mode=0o700, exist_ok=True)
        for old in folder.glob("*.db"):
            old.unlink()
        (folder / _LOCK).touch(0o600)
        for kind in _ADDED_UP:
            _take_room(folder, kind, _ENDED)
    except OSError:
        return
    os.environ[_FOLDER] = str(folder)
    # The library decides at its import where counters live; this decides it again.
    counter_values.ValueClass = counter_values.MultiProcessValue()  # type: ignore[no-untyped-call]


def begin_counting() -> None:
    """Count in the shared folder from now on, or in memory where there is none or no room."""
    if (folder := _folder()) is not None:
        try:
            for kind in ROOM_BYTES:
                _take_room(folder, kind, str(os.getpid()))
        except OSError:
            with suppress(OSError):
                for kind in ROOM_BYTES:
                    _file(folder, kind, str(os.getpid())).unlink(missing_ok=True)
            del os.environ[_FOLDER]
            counter_values.ValueClass = counter_values.MutexValue
        reset_counts()
    count_worker()


def keep_counts_of(process: int) -> None:
    """Add what a process that has ended had counted to what all before it had; its files go."""
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
        _tell_once(type(fault).__name__)


def exposition_of_counts() -> bytes:
    """All counters as text in the exposition format, of all processes that share the folder.

    Where that cannot be read, those of this process alone.
    """
    if (folder := _folder()) is None:
        return exposition_of_own_counts()
    shared = CollectorRegistry()
    try:
        with _folder_locked(folder, fcntl.LOCK_SH):
            MultiProcessCollector(shared, path=folder)  # type: ignore[no-untyped-call]
            return generate_latest(shared)
    except _FAULTS as fault:
        _tell_once(type(fault).__name__)
        return exposition_of_own_counts()


@cache
def _tell_once(fault: str) -> None:
    """A line in the log for each kind of fault, and no second one: /metrics is asked often."""
    log.warning("metrics_folder_unreadable", extra={"error": fault})


def _folder() -> Path | None:
    told = os.environ.get(_FOLDER)
    return None if told is None else Path(told)


def _file(folder: Path, kind: str, whose: str) -> Path:
    return folder / f"{kind}_{whose}.db"


def _take_room(folder: Path, kind: str, whose: str) -> None:
    with _file(folder, kind, whose).open("ab") as opened:
        os.posix_fallocate(opened.fileno(), 0, ROOM_BYTES[kind])


@contextmanager
def _folder_locked(folder: Path, kind: int) -> Iterator[None]:
    """Nobody reads while numbers move from one file to another, which would tell them twice."""
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
