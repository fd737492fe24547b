"""A worker is lost while its place cannot be taken: the others answer until it can be."""

import os
import shutil
import signal
import time
from collections.abc import Callable
from pathlib import Path

from tests.system.server import Server


def wait_until(holds: Callable[[], bool]) -> None:
    deadline = time.monotonic() + 30
    while not holds():
        assert time.monotonic() < deadline
        time.sleep(0.05)


def test_workers_continue_while_new_ones_cannot_open_the_instance(tmp_path: Path) -> None:
    home = tmp_path / "home"
    with Server(home) as server:
        wait_until(lambda: b"kbapi_workers 2.0" in server.ask("GET", "/metrics").body)
        lost, remaining = sorted(server.all_workers())
        secret = home / "secret.key"
        secret.chmod(0o644)
        shutil.rmtree(home / "metrics")
        os.kill(lost, signal.SIGKILL)
        wait_until(lambda: server.log.read_text().count("a worker cannot start") > 1)
        assert remaining in server.worker_processes()
        for path in ("/health/ready", "/metrics", "/v1/chips"):
            assert server.ask("GET", path).status == 200
        secret.chmod(0o600)
        booted = server.log.read_text().count("Booting worker")
        wait_until(lambda: server.log.read_text().count("Booting worker") > booted)
        assert remaining in server.all_workers()
        assert server.ask("GET", "/health/ready").status == 200
        log = server.log.read_text()
        why = "Other users can read the secret file"
        assert f"a worker cannot start, and the server will try again: {why}" in log
        assert "Traceback" not in log
        assert all(line.startswith("{") for line in log.splitlines())
        assert server.end() == 0
