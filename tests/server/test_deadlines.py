"""A connection has a deadline for the whole answer, and a later one for a larger answer."""

import socket
import threading
from collections.abc import Iterator

import pytest

from kbapi.errors import Overloaded, RateExceeded
from kbapi.server import deadlines
from kbapi.server.deadlines import DeadlineSocket, problem_answer
from kbapi.server.worker import Head

SECOND_BYTES = 65_536
"""The bytes that a client must read in each further second."""
SECONDS = 40
ANSWER = b"x" * SECONDS * SECOND_BYTES


class Clock:
    """A clock that a test moves."""

    now_s = 0.0

    def monotonic(self) -> float:
        return self.now_s


@pytest.fixture
def ends() -> Iterator[tuple[DeadlineSocket, socket.socket]]:
    """The ends of server and client, with a small buffer of the kernel."""
    servers, client = socket.socketpair()
    with DeadlineSocket(servers.family, servers.detach()) as server, client:
        server.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, 4_096)
        server.begin(0.0)
        yield server, client


def reading(client: socket.socket, clock: Clock, bytes_per_s: float) -> threading.Thread:
    """A client over a line of this speed, which reads until the server closes the connection."""

    def read() -> None:
        while piece := client.recv(SECOND_BYTES):
            clock.now_s += len(piece) / bytes_per_s

    reader = threading.Thread(target=read)
    reader.start()
    return reader


def send(server: DeadlineSocket, size: int) -> int:
    """The number of bytes sent in pieces of `size` before the deadline."""
    sent = 0
    try:
        for place in range(0, len(ANSWER), size):
            server.sendall(ANSWER[place : place + size])
            sent += size
    except ConnectionResetError:
        return sent
    return sent


@pytest.mark.parametrize("size", [1_000 * 8, SECOND_BYTES, len(ANSWER)])
def test_a_large_answer_has_time_for_a_slow_line(
    ends: tuple[DeadlineSocket, socket.socket], monkeypatch: pytest.MonkeyPatch, size: int
) -> None:
    server, client = ends
    clock = Clock()
    monkeypatch.setattr(deadlines, "time", clock)
    reader = reading(client, clock, SECOND_BYTES / 0.9)
    assert send(server, size) >= len(ANSWER)
    assert clock.now_s > 30, "a small answer has ten"
    server.shutdown(socket.SHUT_WR)
    reader.join()


@pytest.mark.parametrize("size", [1_000 * 8, SECOND_BYTES, len(ANSWER)])
def test_reading_single_pieces_in_time_does_not_extend_the_deadline(
    ends: tuple[DeadlineSocket, socket.socket], monkeypatch: pytest.MonkeyPatch, size: int
) -> None:
    server, client = ends
    clock = Clock()
    monkeypatch.setattr(deadlines, "time", clock)
    reader = reading(client, clock, SECOND_BYTES / 2.0)
    assert send(server, size) < len(ANSWER)
    assert clock.now_s < 25
    server.shutdown(socket.SHUT_WR)
    reader.join()


def test_each_request_has_a_new_deadline_for_its_answer(
    ends: tuple[DeadlineSocket, socket.socket], monkeypatch: pytest.MonkeyPatch
) -> None:
    server, client = ends
    clock = Clock()
    monkeypatch.setattr(deadlines, "time", clock)
    reader = reading(client, clock, SECOND_BYTES)
    for _ in range(5):
        clock.now_s += 6.0
        server.begin(clock.now_s)
        server.sendall(b"x")
    server.shutdown(socket.SHUT_WR)
    reader.join()


def test_a_client_that_reads_nothing_is_disconnected(
    ends: tuple[DeadlineSocket, socket.socket], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(deadlines, "_ANSWER_S", 0.2)
    server, _ = ends
    with pytest.raises(ConnectionResetError):
        server.sendall(ANSWER)
    server.setblocking(True)  # blocks only up to a deadline
    with pytest.raises(TimeoutError):
        server.send(ANSWER)


def test_answers_with_a_problem_differ_by_their_id_alone() -> None:
    ids = "a" * 32, "b" * 32
    first, second = (problem_answer(Overloaded(), one) for one in ids)
    assert first.count(ids[0].encode()) == 2
    assert first.replace(ids[0].encode(), ids[1].encode()) == second
    head, _, body = second.partition(b"\r\n\r\n")
    assert f"Content-Length: {len(body)}".encode() in head.split(b"\r\n")
    later, sooner = (problem_answer(RateExceeded(), ids[0], seconds) for seconds in (7, 3))
    assert later == sooner.replace(b"\r\nRetry-After: 3\r\n", b"\r\nRetry-After: 7\r\n")
    assert later != sooner


@pytest.mark.parametrize(
    ("fields", "body", "is_whole"),
    [
        (b"", b"", True),
        (b"Content-Length: 2\r\n", b"{", False),
        (b"Content-Length: 2\r\n", b"{}", True),
        (b"content-length:2 \r\n", b"{}", False),
        (b"Content-Length: +2\r\n", b"{}", False),
        (b"Content-Length: 2\r\nContent-Length: 3\r\n", b"{}", False),
        (b"Content-Length: 2\r\nTransfer-Encoding: chunked\r\n", b"{}", False),
        (b"Transfer-Encoding: chunked\r\n", b"0\r\n\r\n", False),
    ],
)
def test_only_a_request_that_has_arrived_whole_is_closed_at_once(
    fields: bytes, body: bytes, is_whole: bool
) -> None:
    sent = b"POST /v1/submissions HTTP/1.1\r\nHost: a\r\n" + fields + b"\r\n" + body
    assert Head(0.0, bytearray(sent)).is_whole is is_whole
