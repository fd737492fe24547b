"""A worker whose threads all wait for slow clients leaves new ones to the other worker."""

import socket
import time
from pathlib import Path

from tests.system.server import Server

BEGUN = (
    b"POST /v1/submissions HTTP/1.1\r\nHost: drip\r\nContent-Type: application/json\r\n"
    b"Content-Length: 2\r\nConnection: close\r\n\r\n{"
)


def test_requests_are_served_by_the_other_worker_while_all_threads_of_one_wait(
    tmp_path: Path,
) -> None:
    with Server(tmp_path / "home", workers=2, threads=1) as server:
        with socket.create_connection(("127.0.0.1", server.port)) as slow:
            slow.sendall(BEGUN)
            time.sleep(0.3)  # until one of the two threads reads it
            for _ in range(30):
                live = server.ask("GET", "/health/live", headers={"Connection": "close"}, timeout=5)
                assert live.status == 200
            slow.sendall(b"}")
            assert slow.recv(100).startswith(b"HTTP/1.1 422")
        assert server.end() == 0
