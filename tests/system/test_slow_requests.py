"""Real sockets: slow clients are disconnected, too large requests answered, others served."""

import json
import socket
import time
from concurrent.futures import ThreadPoolExecutor
from http.client import HTTPConnection
from pathlib import Path

import pytest

from tests.system.server import Reply, Server


def connect(server: Server) -> socket.socket:
    return socket.create_connection(("127.0.0.1", server.port), timeout=30)


def head(length: int, *more: str) -> bytes:
    lines = [
        "POST /v1/submissions HTTP/1.1",
        "Host: kbapi",
        "Content-Type: application/json",
        f"Content-Length: {length}",
        *more,
    ]
    return "\r\n".join([*lines, "", ""]).encode()


def answer_of(connection: socket.socket) -> tuple[int, bytes]:
    """Status and all that came until the server closed; status 0 without an answer."""
    received = b""
    while piece := connection.recv(65_536):
        received += piece
    status = int(received.split(b" ", 2)[1]) if received else 0
    return status, received


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory):
    with Server(tmp_path_factory.mktemp("held") / "home", workers=1) as running:
        yield running


def a_body_that_stops_gets_a_problem_while_others_are_served(server: Server) -> None:
    began = time.monotonic()
    slow = [connect(server) for _ in range(6)]  # of the eight threads
    for connection in slow:
        connection.sendall(head(1_000) + b'{"chip": ')
    for _ in range(20):
        assert server.ask("GET", "/v1/chips", timeout=5).status == 200
    assert time.monotonic() - began < 9, "the slow clients delayed the others"
    for connection in slow:
        status, answer = answer_of(connection)
        connection.close()
        assert status == 408
        assert b"application/problem+json" in answer
        assert json.loads(answer.rpartition(b"\r\n\r\n")[2])["type"] == "/problems/body_too_slow"
    assert 9 < time.monotonic() - began < 20


def bytes_that_trickle_do_not_buy_time(server: Server) -> None:
    began = time.monotonic()
    with connect(server) as connection:
        connection.sendall(head(1_000))
        with pytest.raises(OSError, match=r"."):  # noqa: PT012 - it is cut off in between
            for _ in range(60):
                connection.sendall(b" ")
                time.sleep(0.5)
    assert 9 < time.monotonic() - began < 20


def a_head_that_never_ends_is_cut_off(server: Server) -> None:
    began = time.monotonic()
    with connect(server) as connection:
        connection.sendall(b"GET /v1/chips HTTP/1.1\r\nHost: kbapi\r\n")
        assert answer_of(connection) == (0, b"")
    assert 9 < time.monotonic() - began < 20


def each_request_on_a_persistent_connection_has_its_own_time(server: Server) -> None:
    connection = HTTPConnection("127.0.0.1", server.port, timeout=30)
    connection.connect()
    connection.auto_open = 0  # else a connection that ended would be opened again
    for _ in range(5):
        connection.request("GET", "/health/live")
        answer = connection.getresponse()
        assert (answer.status, answer.will_close) == (200, False)
        answer.read()
        time.sleep(2.5)  # less than a persistent connection stays open, more than ten in all
    connection.close()


OVER_SECONDS = (
    a_body_that_stops_gets_a_problem_while_others_are_served,
    bytes_that_trickle_do_not_buy_time,
    a_head_that_never_ends_is_cut_off,
    each_request_on_a_persistent_connection_has_its_own_time,
)


@pytest.fixture(scope="module")
def clients_of_seconds(server: Server):
    """All of them at once: each takes longer than ten seconds, and waits for most of it."""
    with ThreadPoolExecutor(len(OVER_SECONDS)) as pool:
        yield {client: pool.submit(client, server) for client in OVER_SECONDS}


@pytest.mark.parametrize("client", OVER_SECONDS, ids=lambda client: client.__name__)
def test_over_seconds(client, clients_of_seconds) -> None:
    clients_of_seconds[client].result()


def test_silent_connections_hold_no_thread(server: Server) -> None:
    uninformative = [connect(server) for _ in range(40)]  # five times the threads
    began = time.monotonic()
    for _ in range(5):
        assert server.ask("GET", "/v1/chips", timeout=5).status == 200
    assert time.monotonic() - began < 4
    for connection in uninformative:
        connection.close()


def test_heads_that_do_not_end_hold_no_thread(server: Server) -> None:
    begun = [connect(server) for _ in range(40)]  # five times the threads
    for connection in begun:
        connection.sendall(b"GET /health/live HTTP/1.1\r\nHost: kbapi\r\n")
    for _ in range(5):
        assert server.ask("GET", "/v1/chips", timeout=5).status == 200
    for connection in begun:
        connection.sendall(b"Connection: close\r\n\r\n")
    assert {answer_of(connection)[0] for connection in begun} == {200}
    for connection in begun:
        connection.close()


def test_a_head_may_come_byte_by_byte_and_bring_the_next_one_along(server: Server) -> None:
    ask = b"GET /health/live HTTP/1.1\r\nHost: kbapi\r\n"
    with connect(server) as connection:
        for byte in ask + b"\r\n" + ask:
            connection.sendall(bytes([byte]))
        connection.sendall(b"Connection: close\r\n\r\n")
        status, answer = answer_of(connection)
        assert (status, answer.count(b"HTTP/1.1 200")) == (200, 2)


def test_clients_that_do_not_disconnect_do_not_delay_others(server: Server) -> None:
    staying = [connect(server) for _ in range(12)]
    for connection in staying:
        connection.sendall(b"GET /health/live HTTP/1.1\r\nHost: a\r\nConnection: close\r\n\r\n")
    assert {answer_of(connection)[0] for connection in staying} == {200}
    for _ in range(5):
        assert server.ask("GET", "/v1/chips", timeout=5).status == 200
    for connection in staying:
        connection.close()


def test_a_body_in_pieces_within_its_time_is_read(server: Server) -> None:
    body = b'{"chip": "norvane-sable-7-4820mx"}'
    with connect(server) as connection:
        connection.sendall(head(len(body), "Connection: close"))
        for place in range(0, len(body), 7):
            connection.sendall(body[place : place + 7])
            time.sleep(0.05)
        assert answer_of(connection)[0] == 422


ENDLESS = ("a line without end", "a field without end", "bare line ends")


@pytest.mark.parametrize(
    ("sent", "status"),
    [
        (b"GET /v1/start?chip=" + b"x" * 9_000 + b" HTTP/1.1\r\nHost: kbapi\r\n\r\n", 414),
        (b"GET /v1/chips HTTP/1.1\r\nHost: kbapi\r\nX-A: " + b"x" * 5_000 + b"\r\n\r\n", 431),
        (
            b"GET /v1/chips HTTP/1.1\r\nHost: kbapi\r\n"
            + b"".join(b"X-%d: a\r\n" % number for number in range(80))
            + b"\r\n",
            431,
        ),
        (b"GET /v1/start?chip=" + b"x" * 70_000, 414),
        (b"GET /v1/chips HTTP/1.1\r\nHost: kbapi\r\nX-A: " + b"x" * 70_000, 431),
        (b"GET /v1/chips HTTP/1.1\nHost: kbapi\n", 400),
        (b"GET /v1/chips HTTP/1.1\r\nHost: kbapi\r\nanna@mail.example\r\n\r\n", 400),
        (b"anna@mail.example\r\n\r\n", 400),
    ],
    ids=["a long query", "a long field", "many fields", *ENDLESS, "no field", "no request"],
)
def test_an_invalid_or_oversized_request_is_a_problem_and_never_quoted(
    server: Server, sent: bytes, status: int
) -> None:
    with connect(server) as connection:
        connection.sendall(sent)
        found, answer = answer_of(connection)
    assert found == status
    fields, _, body = answer.partition(b"\r\n\r\n")
    assert b"Content-Type: application/problem+json" in fields
    assert b"Content-Security-Policy: default-src 'none'" in fields
    problem = json.loads(body)
    assert problem["status"] == status
    assert server.ask("GET", problem["type"]).status == 200
    assert b"anna" not in answer + server.log.read_bytes()
    assert problem["request_id"] in server.log.read_text()


def test_two_workers_share_one_rate_limit_and_store_no_address(
    tmp_path: Path,
) -> None:
    settings = {"KBAPI_RATE_PER_NETWORK": "40", "KBAPI_TRUSTED_PROXIES": "1"}
    with Server(tmp_path / "home", **settings) as server:

        def ask(_: int = 0) -> Reply:
            sent = {"X-Forwarded-For": "198.51.100.77"}
            return server.ask("GET", "/v1/chips", headers=sent)

        used, left = 1, int(ask().headers["RateLimit"].partition("t=")[2])
        if left < 20:  # not enough of this minute for what follows
            time.sleep(left + 0.5)
            used = 0
        with ThreadPoolExecutor(6) as clients:
            answer = list(clients.map(ask, range(60)))
        assert b"rates_unavailable" not in server.log.read_bytes()
        assert sum(reply.status == 200 for reply in answer) == 40 - used
        refused = [reply for reply in answer if reply.status == 429]
        assert len(refused) == 20 + used
        assert all(1 <= int(reply.headers["Retry-After"]) <= 60 for reply in refused)
        home = tmp_path / "home"
        stored = b"".join(path.read_bytes() for path in home.rglob("*") if path.is_file())
        assert b"198.51.100" not in stored + server.log.read_bytes()
        assert b"127.0.0.1" not in stored
