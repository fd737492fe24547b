"""What it costs to be watched: each request counted in a shared folder, and /metrics itself."""

import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from kbapi.api.http_messages import route_of
from kbapi.app import create_app
from kbapi.metrics.counters import count_answer, count_request
from kbapi.metrics.folder import begin_counting, share_between_processes
from tests.makers import a_submission, an_instance, send
from tests.report import Row, measured

_RULE = "/v1/start"
_ROUNDS = 7


def measure(*, short: bool) -> list[Row]:
    """Microseconds and milliseconds of CPU, the best of seven loops."""
    loops = 5_000 if short else 100_000
    with tempfile.TemporaryDirectory() as folder:
        share_between_processes(Path(folder) / "metrics")
        begin_counting()
        instance = an_instance(Path(folder) / "home")
        for number in range(20):
            send(instance, a_submission(number=number))
        client = create_app(instance, is_guarded=False).test_client()
        for rule in client.application.url_map.iter_rules():
            count_request(route_of(rule.rule), "GET", 200, 0.001)
        hot = _best_us(_count_as_a_stored_answer, loops)
        all_metrics = _best_us(lambda: client.get("/metrics"), loops // 1_000)
        instance.close()
    return [
        measured("counting a request and its stored answer", hot, "us CPU", "<= 5"),
        measured("telling everything at /metrics, one process", all_metrics / 1_000, "ms CPU", ""),
    ]


def _count_as_a_stored_answer() -> None:
    count_answer("stored")
    count_request(route_of(_RULE), "GET", 200, 0.001)


def _best_us(task: Callable[[], object], loops: int) -> float:
    spent = []
    for _ in range(_ROUNDS):
        begun = time.process_time()
        for _ in range(loops):
            task()
        spent.append((time.process_time() - begun) / loops)
    return 1e6 * min(spent)
