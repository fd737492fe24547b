"""Four times what a server can do: it does what it can, and refuses the rest at once.

The capacity is measured first. Then requests arrive at four times that rate whatever is answered.
Someone else asks for health all the time.
"""

import resource
import tempfile
from pathlib import Path

from tests.outside._load import (
    HEALTH,
    MIX,
    PROXY,
    Answers,
    Plan,
    capacity,
    prober,
    processor_time_s,
    run_plans,
)
from tests.outside.demo_instance import fill
from tests.report import Row, measured
from tests.system.server import Server

TIMES = 4
SECONDS, SHORT_SECONDS, CAPACITY_SECONDS = 60.0, 4.0, 15.0
PROCESSES = 2


def measure(*, short: bool) -> list[Row]:
    """With one and with two workers; the short form looks at states and counts, not at times."""
    rows: list[Row] = []
    for workers in (1,) if short else (1, 2):
        with tempfile.TemporaryDirectory() as name:
            fill(Path(name), 100 if short else 1_000)
            threads = 4 if short else 32
            with Server(Path(name) / "home", workers, threads, **PROXY) as server:
                rows += _short(server) if short else _long(server, workers)
    return rows


def _overloaded(server: Server, rate: float, seconds: float) -> Answers:
    plans = [
        Plan(MIX, seconds, rate=rate / PROCESSES, seed=seed) for seed in range(1, PROCESSES + 1)
    ]
    return run_plans(server, *plans, prober(seconds))


def _clients_time_s() -> float:
    """CPU time of the clients that have ended."""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def _long(server: Server, workers: int) -> list[Row]:
    capacity(server, 3)  # answers are stored, and modules loaded
    idle_s = processor_time_s(server)
    most = capacity(server, CAPACITY_SECONDS)
    at_capacity_s = processor_time_s(server) - idle_s
    before_s, clients_s = processor_time_s(server), _clients_time_s()
    answers = _overloaded(server, TIMES * most, SECONDS)
    spent_s, clients_s = processor_time_s(server) - before_s, _clients_time_s() - clients_s
    mixed, health = answers.of(*(one.kind for one in MIX)), answers.of("health", "ready")
    afterwards = capacity(server, 5)
    of = f"{workers} workers: "
    statuses = ", ".join(f"{status}: {n}" for status, n in sorted(mixed.statuses.items()))
    return [
        measured(f"{of}capacity", most, "answers/s", ""),
        measured(f"{of}goodput over it", mixed.rate(SECONDS) / most, "ratio", ">= 0.8", statuses),
        measured(
            f"{of}good answers for each second of the server's processors, over that at capacity",
            mixed.rate(SECONDS) * SECONDS / spent_s / (most * CAPACITY_SECONDS / at_capacity_s),
            "ratio",
            "",
        ),
        measured(f"{of}processors that the clients use", clients_s / SECONDS, "", ""),
        measured(f"{of}p99 of what is let in", mixed.good.percentile(99), "s", "<= 4"),
        measured(f"{of}p50 of what is let in", mixed.good.percentile(50), "s", ""),
        measured(f"{of}p99 of a refusal", mixed.refused.percentile(99), "s", ""),
        measured(f"{of}refused with Retry-After", len(mixed.refused.answers), "", ">= 1"),
        measured(f"{of}other errors", mixed.errors, "", "== 0"),
        measured(f"{of}health, longest", health.longest, "s", "< 1"),
        measured(f"{of}health, not answered well", health.errors, "", "== 0"),
        measured(f"{of}capacity afterwards over before", afterwards / most, "ratio", ">= 0.8"),
    ]


def _short(server: Server) -> list[Row]:
    """So many clients with computed questions that some wait too long even on a fast machine."""
    asked = tuple(one for one in MIX if one.kind in ("next step", "diagnosis"))
    crowd = [Plan(asked, SHORT_SECONDS, connections=200, seed=seed) for seed in (1, 2)]
    asking = Plan(HEALTH, SHORT_SECONDS, connections=1, network="192.0.2.1")
    answers = run_plans(server, *crowd, asking)
    mixed, health = answers.of(*(one.kind for one in MIX)), answers.of("health", "ready")
    replies = [server.ask("GET", "/v1/chips").status for _ in range(5)]
    return [
        measured("answered well", len(mixed.good.answers), "", ">= 1"),
        measured("refused with Retry-After", len(mixed.refused.answers), "", ">= 1"),
        measured("other errors", mixed.errors, "", "== 0"),
        measured("health, answered", len(health.good.answers), "", ">= 1"),
        measured(
            "health, not answered well", len(health.answers) - len(health.good.answers), "", "== 0"
        ),
        measured("answered well afterwards", replies.count(200), "", "== 5"),
    ]
