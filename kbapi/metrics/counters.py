"""What is counted while the service runs, for whoever watches it: registered names, closed labels.

Nothing that a sender wrote becomes a label. One process counts in memory; several share a folder
of counters (`folder.py`). What is the same whichever process is asked is not counted but looked at
when somebody asks (`state.py`).
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

disable_created_metrics()  # type: ignore[no-untyped-call]  # several processes can't tell them

Outcome = Literal["stored", "repeated", "refused"]
Concern = Literal["refusal", "setting", "reading"]
FollowUpStatus = Literal["counted", "unverified", "recorded"]
Served = Literal["stored", "computed", "previous", "waited"]
CountedBy = Literal["key", "network"]

_SERVED: Final[tuple[Served, ...]] = ("stored", "computed", "previous", "waited")
_COUNTED_BY: Final[tuple[CountedBy, ...]] = ("key", "network")
_METHODS: Final = frozenset(("DELETE", "GET", "HEAD", "OPTIONS", "PATCH", "POST", "PUT"))
# Few: each costs a comparison in every request and a line for every route, method and status.
_REQUEST_SECONDS: Final = (0.005, 0.025, 0.1, 0.5, 2.5)
_WAIT_SECONDS: Final = (0.001, 0.01, 0.1, 1.0, 5.0)
_WRITERS: Final = (1, 2, 4, 8, 16, 32)


class Counters:
    """The registered counters of this process."""

    def __init__(self) -> None:
        self.registry = CollectorRegistry()
        self.requests = Histogram(
            "kbapi_request_seconds",
            "Requests and their duration, by route, method and class of status.",
            ("route", "method", "status"),
            buckets=_REQUEST_SECONDS,
            registry=self.registry,
        )
        # A look into a dict costs a tenth of what the library needs to find the same.
        self.request = cache(self.requests.labels)
        answers = Counter(
            "kbapi_answers",
            "Answers that can be stored, by source: stored, computed, previous (a newer one is "
            "being computed) or waited.",
            ("served",),
            registry=self.registry,
        )
        self.answers = {served: answers.labels(served) for served in _SERVED}
        self.commit_writers = Histogram(
            "kbapi_commit_writers",
            "Write transactions, and the number of writers in each.",
            buckets=_WRITERS,
            registry=self.registry,
        )
        self.write_wait = Histogram(
            "kbapi_write_wait_seconds",
            "Time that writers waited for their turn.",
            buckets=_WAIT_SECONDS,
            registry=self.registry,
        )
        self.writes_failed = Counter(
            "kbapi_writes_failed",
            "Failed writes, by error code.",
            ("code",),
            registry=self.registry,
        )
        self.submissions = Counter(
            "kbapi_submissions",
            "Documents received, by outcome.",
            ("outcome",),
            registry=self.registry,
        )
        self.rules = Counter(
            "kbapi_rules",
            "Intake rules that applied, by rule and what it concerns.",
            ("rule", "concern"),
            registry=self.registry,
        )
        self.follow_ups = Counter(
            "kbapi_follow_ups",
            "Follow-ups received, by status.",
            ("status",),
            registry=self.registry,
        )
        exceeded = Counter(
            "kbapi_rate_exceeded",
            "Requests beyond a limit, by key or network.",
            ("by",),
            registry=self.registry,
        )
        self.rate_exceeded = {by: exceeded.labels(by) for by in _COUNTED_BY}
        self.rate_local = Counter(
            "kbapi_rate_local",
            "Requests that a process counted in its own memory only.",
            registry=self.registry,
        )
        self.rate_faults = Counter(
            "kbapi_rate_faults",
            "How often a process began to count in its own memory only.",
            registry=self.registry,
        )
        self.workers = Gauge(
            "kbapi_workers",
            "Processes that serve requests now.",
            registry=self.registry,
            multiprocess_mode="livesum",
        )


_counters = Counters()


def reset_counts() -> None:
    """Begin at nothing, where the library now keeps its numbers."""
    global _counters
    _counters = Counters()


def count_worker() -> None:
    """One process more serves: the one that says so."""
    _counters.workers.set(1)


def method_label(method: str) -> str:
    """A method as it may be told: whatever is none of HTTP's own is its sender's word.

    >>> method_label("GET"), method_label("ANNA")
    ('GET', 'other')
    """
    return method if method in _METHODS else "other"


def count_request(route: str, method: str, status: int, seconds: float) -> None:
    """One request more that was answered; `route` is one of the application's own rules."""
    _counters.request(route, method_label(method), f"{status // 100}xx").observe(seconds)


def count_answer(served: Served) -> None:
    """One answer more that came to whoever asked in this way."""
    _counters.answers[served].inc()


def count_commit(writers: int) -> None:
    """One write transaction more that is on the disk."""
    _counters.commit_writers.observe(writers)


def count_write_wait(seconds: float) -> None:
    """One writer more that waited for its turn and got it."""
    _counters.write_wait.observe(seconds)


def count_write_failed(code: str) -> None:
    """One write more that the database did not take."""
    _counters.writes_failed.labels(code).inc()


def count_submission(outcome: Outcome) -> None:
    """One document more that came to this end."""
    _counters.submissions.labels(outcome).inc()


def count_rule(rule: str, concern: Concern) -> None:
    """One time more that this rule applied."""
    _counters.rules.labels(rule, concern).inc()


def count_follow_up(status: FollowUpStatus) -> None:
    """One follow-up more that was screened so."""
    _counters.follow_ups.labels(status).inc()


def count_rate_exceeded(by: CountedBy) -> None:
    """One request more beyond a limit."""
    _counters.rate_exceeded[by].inc()


def count_rate_local() -> None:
    """One request more that a process counted for itself."""
    _counters.rate_local.inc()


def count_rate_fault() -> None:
    """One time more that a process began to count requests for itself."""
    _counters.rate_faults.inc()


def exposition_of_own_counts() -> bytes:
    """The counters of this process as text in the exposition format."""
    return generate_latest(_counters.registry)
