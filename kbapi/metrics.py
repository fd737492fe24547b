"""What is counted while the service runs, for whoever watches it: registered names, closed labels.

Nothing that a sender wrote becomes a label. One process counts in memory; several share a folder
of counters, which is decided before they are forked.
"""

import os
from pathlib import Path
from typing import Final, Literal

from prometheus_client import CONTENT_TYPE_LATEST, CollectorRegistry, Counter, generate_latest
from prometheus_client import values as counter_values
from prometheus_client.multiprocess import MultiProcessCollector

CONTENT_TYPE: Final = CONTENT_TYPE_LATEST
_FOLDER: Final = "PROMETHEUS_MULTIPROC_DIR"
"""The variable that the library and the workers of a server find the shared folder by."""

_ROOM_BYTES: Final = 131_072
"""Several times what all names with all their labels take."""

Outcome = Literal["stored", "repeated", "refused"]
Concern = Literal["refusal", "setting", "reading"]
FollowUpStatus = Literal["counted", "claimed", "noted"]


class _Counters:
    """The registered counters of this process."""

    def __init__(self) -> None:
        self.registry = CollectorRegistry()
        self.submissions = Counter(
            "kbapi_submissions",
            "Documents that came in, by what became of them.",
            ("outcome",),
            registry=self.registry,
        )
        self.rules = Counter(
            "kbapi_rules",
            "How often each rule of intake applied, by what it concerns.",
            ("rule", "concern"),
            registry=self.registry,
        )
        self.follow_ups = Counter(
            "kbapi_follow_ups",
            "Follow-ups that came in, by how they were screened.",
            ("status",),
            registry=self.registry,
        )
        self.rate_faults = Counter(
            "kbapi_rate_faults",
            "How often a process began to count requests for itself, as it could not for all.",
            registry=self.registry,
        )


_counters = _Counters()


def share_between_processes(folder: Path) -> None:
    """Make this process and all that it forks count in one folder, emptied for this run.

    Where nothing can be written each process counts in its own memory.
    """
    global _counters
    try:
        folder.mkdir(mode=0o700, exist_ok=True)
        for old in folder.glob("*.db"):
            old.unlink()
    except OSError:
        return
    os.environ[_FOLDER] = str(folder)
    # The library decides at its import where counters live; this decides it again.
    counter_values.ValueClass = counter_values.MultiProcessValue()  # type: ignore[no-untyped-call]
    _counters = _Counters()


def reserve_room() -> None:
    """Take the room that this process counts in, or count in its own memory where there is none.

    A mapped file that had to grow on a full disk would end the process by a signal.
    """
    global _counters
    if (folder := os.environ.get(_FOLDER)) is None:
        return
    file = Path(folder) / f"counter_{os.getpid()}.db"
    try:
        with file.open("ab") as opened:
            os.posix_fallocate(opened.fileno(), 0, _ROOM_BYTES)
    except OSError:
        file.unlink(missing_ok=True)
        del os.environ[_FOLDER]
        counter_values.ValueClass = counter_values.MutexValue
        _counters = _Counters()


def count_submission(outcome: Outcome) -> None:
    """One document more that came to this end."""
    _counters.submissions.labels(outcome).inc()


def count_rule(rule: str, concern: Concern) -> None:
    """One time more that this rule applied."""
    _counters.rules.labels(rule, concern).inc()


def count_follow_up(status: FollowUpStatus) -> None:
    """One follow-up more that was screened so."""
    _counters.follow_ups.labels(status).inc()


def count_rate_fault() -> None:
    """One time more that a process began to count requests for itself."""
    _counters.rate_faults.inc()


def tell_counts() -> bytes:
    """All counters as text in the exposition format, of all processes that share the folder."""
    if (folder := os.environ.get(_FOLDER)) is None:
        return generate_latest(_counters.registry)
    shared = CollectorRegistry()
    MultiProcessCollector(shared, path=folder)  # type: ignore[no-untyped-call]
    return generate_latest(shared)
