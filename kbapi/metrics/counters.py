"""Counters of a running process, for monitoring: registered names and closed lists of labels.

Text from senders never becomes a label. A single process counts in memory; several share a folder
of counters (`folder.py`). The state of the instance is read when it is requested (`folder.py`).
"""

from functools import cache
from typing import Final, Literal

from prometheus_client import (
    CONTENT_TYPE_LATEST,
    CollectorRegistry,
    Counter,
    Gauge,
    Histogram,
    disable_created_metrics,
    generate_latest,
)

CONTENT_TYPE: Final = CONTENT_TYPE_LATEST

disable_created_metrics()  # type: ignore[no-untyped-call]  # not available for several processes

Outcome = Literal["stored", "corrected", "repeated", "refused"]
Concern = Literal["refusal", "setting", "reading"]
FollowUpStatus = Literal["counted", "unverified", "recorded"]
Served = Literal["stored", "computed", "previous", "waited"]
CountedBy = Literal["key", "network"]
OverloadCause = Literal["full", "waited", "watching"]

_SERVED: Final[tuple[Served, ...]] = ("stored", "computed", "previous", "waited")
_COUNTED_BY: Final[tuple[CountedBy, ...]] = ("key", "network")
_OVERLOAD_CAUSES: Final[tuple[OverloadCause, ...]] = ("full", "waited", "watching")
_METHODS: Final = frozenset(("DELETE", "GET", "HEAD", "OPTIONS", "PATCH", "POST", "PUT"))
# Each bucket costs a comparison in every request, and a line for each route, method and status.
_REQUEST_SECONDS: Final = (0.005, 0.025, 0.1, 0.5, 2.5)
_WAIT_SECONDS: Final = (0.001, 0.01, 0.1, 1.0, 5.0)
_WRITERS: Final = (1, 2, 4, 8, 16, 32)
_MOVED_MV: Final = (1.0, 2.5, 5.0, 10.0, 20.0, 40.0)
_MOVED_COUNTS: Final = (0.5, 1.0, 2.0, 4.0, 8.0)


class Counters:
    """The registered counters of this process."""

    def __init__(self) -> None:
        self.registry = CollectorRegistry()
        self._count_requests()
        self._count_limits()
        self._count_queue()
        self._count_writes()
        self._count_documents()
        self._count_starts()
        self.workers = Gauge(
            "kbapi_workers",
            "Processes that serve requests now.",
            registry=self.registry,
            multiprocess_mode="livesum",
        )

    def _count_requests(self) -> None:
        requests = self._histogram(
            "kbapi_request_seconds",
            "Requests and their duration, by route, method and class of status.",
            _REQUEST_SECONDS,
            "route",
            "method",
            "status",
        )
        # A look-up in a dict costs a tenth of the library's own.
        self.request = cache(requests.labels)
        answers = self._counter(
            "kbapi_answers",
            "Answers that can be stored, by source: stored, computed, previous (a newer one is "
            "being computed) or waited.",
            "served",
        )
        self.answers = {served: answers.labels(served) for served in _SERVED}

    def _count_limits(self) -> None:
        exceeded = self._counter(
            "kbapi_rate_exceeded", "Requests beyond a limit, by key or network.", "by"
        )
        self.rate_exceeded = {by: exceeded.labels(by) for by in _COUNTED_BY}
        cpu_exceeded = self._counter(
            "kbapi_cpu_time_exceeded",
            "Requests beyond the CPU time of a key or network.",
            "by",
        )
        self.cpu_exceeded = {by: cpu_exceeded.labels(by) for by in _COUNTED_BY}
        self.rate_local = self._counter(
            "kbapi_rate_local", "Requests that a process counted in its own memory only."
        )
        self.rate_faults = self._counter(
            "kbapi_rate_faults", "How often a process began to count in its own memory only."
        )

    def _count_queue(self) -> None:
        overloaded = self._counter(
            "kbapi_overloaded",
            "Requests refused for overload: full (would wait too long), waited, or watching.",
            "cause",
        )
        self.overloaded = {cause: overloaded.labels(cause) for cause in _OVERLOAD_CAUSES}
        self.queue_wait = self._histogram(
            "kbapi_queue_wait_seconds", "Time that requests waited for their turn.", _WAIT_SECONDS
        )
        self.queued = Gauge(
            "kbapi_queued_requests",
            "Requests that wait for their turn now.",
            registry=self.registry,
            multiprocess_mode="livesum",
        )

    def _count_writes(self) -> None:
        self.commit_writers = self._histogram(
            "kbapi_commit_writers",
            "Write transactions, and the number of writers in each.",
            _WRITERS,
        )
        self.write_wait = self._histogram(
            "kbapi_write_wait_seconds", "Time that writers waited for their turn.", _WAIT_SECONDS
        )
        self.writes_failed = self._counter(
            "kbapi_writes_failed", "Failed writes, by error code.", "code"
        )

    def _count_documents(self) -> None:
        self.submissions = self._counter(
            "kbapi_submissions", "Documents received, by outcome.", "outcome"
        )
        self.rules = self._counter(
            "kbapi_rules",
            "Intake rules that applied, by rule and what it concerns.",
            "rule",
            "concern",
        )
        self.follow_ups = self._counter(
            "kbapi_follow_ups", "Follow-ups received, by status.", "status"
        )

    def _count_starts(self) -> None:
        text = (
            "Computed starts, and how far each moves without its most influential contributor, in "
        )
        mv = self._histogram("kbapi_start_moved_mv", f"{text}mV.", _MOVED_MV)
        counts = self._histogram("kbapi_start_moved_counts", f"{text}counts.", _MOVED_COUNTS)
        # A count has no size in mV, so each unit has a histogram of its own.
        self.start_moved = {"mv": mv, "counts": counts}

    def _counter(self, name: str, text: str, *labels: str) -> Counter:
        return Counter(name, text, labels, registry=self.registry)

    def _histogram(
        self, name: str, text: str, buckets: tuple[float, ...], *labels: str
    ) -> Histogram:
        return Histogram(name, text, labels, buckets=buckets, registry=self.registry)


_counters = Counters()


def reset_counts() -> None:
    """Start again from zero, in the storage that the library uses now."""
    global _counters
    _counters = Counters()


def count_worker() -> None:
    """Count this process as a serving one."""
    _counters.workers.set(1)


def method_label(method: str) -> str:
    """The label of a method: its name, or `other` if it is not a method of HTTP.

    >>> method_label("GET"), method_label("ANNA")
    ('GET', 'other')
    """
    return method if method in _METHODS else "other"


def count_request(route: str, method: str, status: int, seconds: float) -> None:
    """Count an answered request; `route` is a rule of the application."""
    _counters.request(route, method_label(method), f"{status // 100}xx").observe(seconds)


def count_answer(served: Served) -> None:
    """Count an answer by its source."""
    _counters.answers[served].inc()


def count_start_moved(control: str, moved_by: float | None) -> None:
    """Count a computed start by how far one contributor moves it; None is not counted."""
    if moved_by is not None:
        unit = "counts" if control == "count_offset" else "mv"
        _counters.start_moved[unit].observe(abs(moved_by))


def count_commit(writers: int) -> None:
    """Count a committed write transaction."""
    _counters.commit_writers.observe(writers)


def count_write_wait(seconds: float) -> None:
    """Count a writer that waited for the write lock and got it."""
    _counters.write_wait.observe(seconds)


def count_write_failed(code: str) -> None:
    """Count a failed write by its error code."""
    _counters.writes_failed.labels(code).inc()


def count_submission(outcome: Outcome) -> None:
    """Count a received document by its outcome."""
    _counters.submissions.labels(outcome).inc()


def count_rule(rule: str, concern: Concern) -> None:
    """Count a rule that applied."""
    _counters.rules.labels(rule, concern).inc()


def count_follow_up(status: FollowUpStatus) -> None:
    """Count a screened follow-up by its status."""
    _counters.follow_ups.labels(status).inc()


def count_rate_exceeded(by: CountedBy) -> None:
    """Count a request beyond a limit."""
    _counters.rate_exceeded[by].inc()


def count_cpu_exceeded(by: CountedBy) -> None:
    """Count a request beyond a limit of CPU time."""
    _counters.cpu_exceeded[by].inc()


def count_overloaded(cause: OverloadCause) -> None:
    """Count a request that was refused for overload."""
    _counters.overloaded[cause].inc()


def count_queue_wait(seconds: float) -> None:
    """Count a request that began, and how long it waited for its turn."""
    _counters.queue_wait.observe(seconds)


def count_queued(requests: int) -> None:
    """Set the number of requests that wait for their turn in this process."""
    _counters.queued.set(requests)


def count_rate_local() -> None:
    """Count a request that this process counted in its own memory."""
    _counters.rate_local.inc()


def count_rate_fault() -> None:
    """Count a change of this process to counting in its own memory."""
    _counters.rate_faults.inc()


def exposition_of_own_counts() -> bytes:
    """The counters of this process as text in the exposition format."""
    return generate_latest(_counters.registry)
