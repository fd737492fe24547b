"""Two workers, one folder of counters: /metrics is the same from each of them."""

import os
import signal
import time
from collections.abc import Callable
from pathlib import Path

from tests.system.server import Server

RESULTS = 12
RESULT = {
    "chip": "norvane-sable-7-4820mx",
    "settings": [
        {"domain": "core", "control": "voltage_offset", "stable_at": -80, "unstable_at": -85}
    ],
}


def metric(server: Server, begins: str) -> float:
    text = server.ask("GET", "/metrics").body.decode()
    (line,) = [one for one in text.splitlines() if one.startswith(begins)]
    return float(line.rsplit(" ", 1)[1])


def stored(server: Server) -> float:
    return metric(server, 'kbapi_submissions_total{outcome="stored"}')


def files(server: Server) -> list[Path]:
    return list((server.home / "metrics").glob("*.db"))


def wait_until(holds: Callable[[], bool], timeout_s: float = 30) -> None:
    deadline = time.monotonic() + timeout_s
    while not holds() and time.monotonic() < deadline:
        time.sleep(0.05)


def test_workers_count_together_and_each_run_starts_at_zero(tmp_path: Path) -> None:
    with Server(tmp_path / "home") as server:
        for _ in range(RESULTS):
            assert server.ask("POST", "/v1/submissions", RESULT).status == 201
        assert {stored(server) for _ in range(8)} == {RESULTS}
        # Files that are mapped have all their room: one that grew on a full disk would be fatal.
        of_workers = [file.stat() for file in files(server) if "ended" not in file.name]
        assert len(of_workers) == 3 * server.workers
        assert all(512 * file.st_blocks >= file.st_size > 0 for file in of_workers)
        server.end()
        server.start()
        server.ask("POST", "/v1/submissions", RESULT)
        assert stored(server) == 1


def test_totals_survive_workers_and_the_folder_does_not_grow(tmp_path: Path) -> None:
    with Server(tmp_path / "home") as server:
        for _ in range(RESULTS):
            server.ask("POST", "/v1/submissions", RESULT)
        usual = len(files(server))
        assert server.reload()
        killed = min(server.all_workers())
        os.kill(killed, signal.SIGKILL)
        wait_until(lambda: killed not in server.worker_processes())
        server.all_workers()
        wait_until(lambda: len(files(server)) == usual)
        assert len(files(server)) == usual
        assert {stored(server) for _ in range(8)} == {RESULTS}
        assert metric(server, "kbapi_workers") == server.workers
