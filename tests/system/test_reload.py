"""SIGHUP: workers open the instance again, unless that would fail."""

import os
import signal
import socket
import time
from pathlib import Path

from tests.makers import a_submission
from tests.system.server import Server


def test_a_reload_of_an_unusable_instance_is_refused_and_the_old_workers_continue(
    tmp_path: Path,
) -> None:
    # One worker: that it answers shows that none is still beginning.
    with Server(tmp_path / "home", workers=1) as server:
        before = server.all_workers()
        secret = tmp_path / "home" / "secret.key"
        secret.chmod(0o644)
        assert not server.reload(timeout_s=3)
        assert server.worker_processes() == before
        assert server.ask("GET", "/health/ready").status == 200
        assert (
            "reload failed, the workers stay: Other users can read the secret file"
            in server.log.read_text()
        )
        secret.chmod(0o600)
        assert server.reload()
        assert server.ask("GET", "/health/ready").status == 200


def test_workers_have_a_secret_of_the_environment_after_a_reload_too(tmp_path: Path) -> None:
    digits = "0123456789abcdef" * 4
    with Server(tmp_path / "home", workers=1, KBAPI_SECRET=digits) as server:
        sent = server.ask("POST", "/v1/submissions", a_submission(number=1)).json
        receipt = {"Authorization": f"Bearer {sent['receipt']}"}
        assert server.reload()
        assert server.ask("GET", f"/v1/submissions/{sent['id']}", headers=receipt).status == 200
    assert digits not in server.log.read_text()
    assert not (tmp_path / "home" / "secret.key").exists()


def test_a_server_that_stops_answers_a_request_that_is_half_sent(tmp_path: Path) -> None:
    with Server(tmp_path / "home") as server:
        with socket.create_connection(("127.0.0.1", server.port)) as half:
            half.sendall(b"GET /health/live HTTP/1.1\r\nHost: half\r\n")
            time.sleep(0.2)
            server.process.send_signal(signal.SIGTERM)
            time.sleep(0.5)
            half.sendall(b"Connection: close\r\n\r\n")
            assert half.recv(100).startswith(b"HTTP/1.1 200")
        assert server.process.wait(timeout=40) == 0


LATE_SECOND = """
import os, time
forks = []
def linger():
    if len(forks) > 1:
        time.sleep(2)
os.register_at_fork(before=lambda: forks.append(1), after_in_child=linger)
"""
"""Every worker but the first stays where it has only been forked for a while."""


def test_a_signal_to_stop_reaches_workers_that_have_only_started(tmp_path: Path) -> None:
    late = tmp_path / "late"
    late.mkdir()
    (late / "sitecustomize.py").write_text(LATE_SECOND)
    path = os.pathsep.join([str(late), *filter(None, [os.environ.get("PYTHONPATH")])])
    with Server(tmp_path / "home", PYTHONPATH=path) as server:
        assert server.end() == 0  # as soon as the first of them answers
    log = server.log.read_text()
    assert log.count("Booting worker") == log.count("Worker exiting") == server.workers
    assert "SIGKILL" not in log
