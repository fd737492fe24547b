"""More connections than files: a worker takes what it has room for, and none costs it its life."""

import resource
import socket
import time
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path

from tests.system.server import KBAPI, Server

FILES = 300
IDLE = 280
ROOM = 140
"""With eight threads: what 128 files of the worker and four of each thread leave of 300."""


def wait_until(holds: Callable[[], bool]) -> None:
    deadline = time.monotonic() + 30
    while not holds():
        assert time.monotonic() < deadline
        time.sleep(0.02)


def test_idle_connections_or_a_reached_limit_do_not_end_a_worker(tmp_path: Path) -> None:
    limited = ["sh", "-c", f'ulimit -n {FILES}; exec "$@"', "sh", *KBAPI]
    with Server(tmp_path / "home", workers=1, program=limited) as server:
        (worker,) = server.all_workers()
        files = Path(f"/proc/{worker}/fd")
        with ExitStack() as idle:
            for _ in range(IDLE):
                address = ("127.0.0.1", server.port)
                idle.enter_context(socket.create_connection(address, timeout=30))
            wait_until(lambda: len(list(files.iterdir())) > ROOM)
            assert len(list(files.iterdir())) < FILES - 8
        assert server.ask("GET", "/v1/chips").status == 200
        assert "no connection can be accepted" not in server.log.read_text()

        before = resource.prlimit(worker, resource.RLIMIT_NOFILE)
        resource.prlimit(worker, resource.RLIMIT_NOFILE, (8, before[1]))
        with socket.create_connection(("127.0.0.1", server.port), timeout=30) as waiting:
            waiting.sendall(b"GET /health/live HTTP/1.1\r\nHost: kbapi\r\n\r\n")
            wait_until(lambda: "no connection can be accepted" in server.log.read_text())
            resource.prlimit(worker, resource.RLIMIT_NOFILE, before)
            assert waiting.recv(100).startswith(b"HTTP/1.1 200")
        assert server.ask("GET", "/v1/chips").status == 200
        assert server.worker_processes() == {worker}
        assert "Too many open files" in server.log.read_text()
        assert server.end() == 0
