"""SIGHUP: workers open the instance anew, unless it could not be opened."""

import signal
import socket
import time
from pathlib import Path

from tests.system.server import Server


def test_a_reload_into_what_cannot_be_opened_is_refused_and_the_old_workers_go_on(
    tmp_path: Path,
) -> None:
    # One worker: that it answers shows that none is still beginning.
    with Server(tmp_path / "home", workers=1) as server:
        before = server.all_workers()
        secret = tmp_path / "home" / "secret.key"
        secret.chmod(0o644)
        assert not server.reload(patience_s=3)
        assert server.worker_processes() == before
        assert server.ask("GET", "/health/ready").status == 200
        assert "not reloaded: The secret file" in server.log.read_text()
        secret.chmod(0o600)
        assert server.reload()
        assert server.ask("GET", "/health/ready").status == 200


def test_a_server_that_ends_answers_a_request_that_is_half_sent(tmp_path: Path) -> None:
    with Server(tmp_path / "home") as server:
        with socket.create_connection(("127.0.0.1", server.port)) as half:
            half.sendall(b"GET /health/live HTTP/1.1\r\nHost: half\r\n")
            time.sleep(0.2)
            server.process.send_signal(signal.SIGTERM)
            time.sleep(0.5)
            half.sendall(b"Connection: close\r\n\r\n")
            assert half.recv(100).startswith(b"HTTP/1.1 200")
        assert server.process.wait(timeout=40) == 0
