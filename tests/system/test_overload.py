"""A worker whose places are all taken: who waits too long is refused, health is answered."""

import json
import re
import socket
import sys
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from http.client import HTTPConnection
from pathlib import Path

import pytest

from tests.system.server import Reply, Server

BUSY = """
import sys
import time
from pathlib import Path

import kbapi.server.serve
import kbapi.wsgi

RELEASED = Path(sys.argv.pop())
make = kbapi.wsgi.application


def compute():
    while not RELEASED.exists():
        sum(range(10_000))
    return "computed"


def application(settings):
    app = make(settings)
    app.add_url_rule("/compute", view_func=compute, methods=["GET", "POST"])
    return app


kbapi.wsgi.application = application
kbapi.server.serve._OPTIONS["graceful_timeout"] = 8
from kbapi.cli.main import main

main()
"""
COMPUTING_OF_ONE = 4
"""The requests of one network that compute at a time in a worker."""


def wait_until(holds: Callable[[], bool]) -> None:
    deadline = time.monotonic() + 60
    while not holds():
        assert time.monotonic() < deadline
        time.sleep(0.05)


def metric(server: Server, begins: str) -> float:
    text = server.ask("GET", "/metrics").body.decode()
    (line,) = [one for one in text.splitlines() if one.startswith(begins)]
    return float(line.rsplit(" ", 1)[1])


@contextmanager
def a_busy_server(tmp_path: Path, asked: int) -> Iterator[tuple[Server, list[Future[Reply]], Path]]:
    """A server with one worker, so many requests that compute until the file exists, the file."""
    released = tmp_path / "released"
    start = "import sys; sys.argv.append(sys.argv.pop(1)); exec(sys.argv.pop(1))"
    program = [sys.executable, "-c", start, str(released), BUSY]
    proxied = Server(tmp_path / "home", 1, 16, program, KBAPI_TRUSTED_PROXIES="1")
    with proxied as server, ThreadPoolExecutor(asked) as clients:
        before = metric(server, "kbapi_queue_wait_seconds_count")
        sent = [clients.submit(server.ask, "GET", "/compute", timeout=90) for _ in range(asked)]
        running = min(asked, COMPUTING_OF_ONE)
        wait_until(lambda: metric(server, "kbapi_queue_wait_seconds_count") >= before + running)
        try:
            yield server, sent, released
        finally:
            released.touch()


def test_health_and_other_networks_are_answered_while_one_takes_all_it_may(
    tmp_path: Path,
) -> None:
    with a_busy_server(tmp_path, COMPUTING_OF_ONE + 2) as (server, sent, released):
        for path in ("/health/live", "/health/ready", "/metrics"):
            assert server.ask("GET", path).status == 200
        other = {"X-Forwarded-For": "198.51.100.7"}
        assert server.ask("GET", "/v1/chips", headers=other).status == 200
        wait_until(lambda: sum(one.done() for one in sent) == 2)
        assert metric(server, 'kbapi_overloaded_total{cause="waited"}') == 2
        released.touch()
        replies = [one.result() for one in sent]
    assert sorted(reply.status for reply in replies) == [200] * COMPUTING_OF_ONE + [503] * 2
    for reply in replies:
        if reply.status == 503:
            assert reply.json["type"] == "/problems/overloaded"
            assert reply.headers["Content-Type"] == "application/problem+json"
            assert reply.headers["Retry-After"] == "2"


def test_a_refused_client_that_still_sends_its_body_gets_the_whole_answer(
    tmp_path: Path,
) -> None:
    with a_busy_server(tmp_path, COMPUTING_OF_ONE) as (server, _, _):
        body = b" " * 8_000_000
        head = b"POST /compute HTTP/1.1\r\nHost: a\r\nContent-Length: %d\r\n\r\n" % len(body)
        with socket.create_connection(("127.0.0.1", server.port), timeout=60) as connection:
            connection.sendall(head + body)
            received = b""
            while piece := connection.recv(65_536):
                received += piece
        fields, _, problem = received.partition(b"\r\n\r\n")
        assert fields.startswith(b"HTTP/1.1 503 ")
        assert json.loads(problem)["type"] == "/problems/overloaded"


def test_sigterm_ends_a_worker_that_computes_and_the_log_has_what_was_cut_off(
    tmp_path: Path,
) -> None:
    with a_busy_server(tmp_path, COMPUTING_OF_ONE) as (server, sent, _):
        assert server.end() == 3
        for one in sent:
            with pytest.raises(OSError, match=r"."):
                one.result()
        log = server.log.read_text()
    (line,) = [one for one in log.splitlines() if "requests_cut_off" in one]
    described = json.loads(line)
    assert described["level"] == "ERROR"
    assert described["computing"] == COMPUTING_OF_ONE
    assert "SIGKILL" not in log
    assert not re.search(r"/compute|127\.0\.0\.1", line)


def test_requests_without_end_on_kept_connections_do_not_delay_the_end(tmp_path: Path) -> None:
    with Server(tmp_path / "home", workers=1) as server:
        answered = threading.Event()

        def ask_on() -> int:
            connection = HTTPConnection("127.0.0.1", server.port, timeout=30)
            connection.connect()
            connection.auto_open = 0  # else a connection that ended would be opened again
            asked = 0
            while True:
                connection.request("GET", "/v1/chips")
                answer = connection.getresponse()
                answer.read()
                asked += answer.status == 200
                answered.set()
                if answer.will_close:
                    connection.close()
                    return asked

        with ThreadPoolExecutor(4) as clients:
            asking = [clients.submit(ask_on) for _ in range(4)]
            assert answered.wait(timeout=30)
            assert server.end() == 0
            assert all(one.result() >= 1 for one in asking)
        assert "cut_off" not in server.log.read_text()


def test_malformed_requests_count_against_the_limit_of_their_network(tmp_path: Path) -> None:
    with Server(tmp_path / "home", workers=2, KBAPI_RATE_PER_NETWORK="4") as server:
        found = []
        for sent in (b"nonsense\r\n\r\n", b"GET / HTTP/1.1\nHost: a\n") * 3:
            with socket.create_connection(("127.0.0.1", server.port), timeout=30) as raw:
                raw.sendall(sent)
                found.append(raw.makefile("rb").read())
        assert [int(answer.split(b" ")[1]) for answer in found] == [400] * 4 + [429] * 2
        assert all(b"\r\nRetry-After: " in answer for answer in found[4:])
        assert server.ask("GET", "/v1/chips").status == 429
        assert server.ask("GET", "/health/live").status == 200
