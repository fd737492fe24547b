"""A link that is cut and mended: what each fault lets through, seen from both sides."""

import socket
import socketserver
import threading
from collections.abc import Iterator
from contextlib import suppress

import pytest

from tests.system.faulty_proxy import Link, a_link

SOON_S = 0.2
"""How long nothing arrives where nothing may."""
AT_LAST_S = 30


class Echo(socketserver.ThreadingTCPServer):
    daemon_threads = True

    def __init__(self) -> None:
        self.heard: list[bytes] = []
        super().__init__(("127.0.0.1", 0), Answering)


class Answering(socketserver.BaseRequestHandler):
    server: Echo

    def handle(self) -> None:
        with suppress(ConnectionError):
            while data := self.request.recv(100):
                self.server.heard.append(data)
                self.request.sendall(data)


@pytest.fixture
def echo() -> Iterator[Echo]:
    with Echo() as server:
        threading.Thread(target=server.serve_forever, args=(0.05,), daemon=True).start()
        yield server
        server.shutdown()


@pytest.fixture
def link(echo: Echo) -> Iterator[Link]:
    with a_link(int(echo.server_address[1])) as made:
        yield made


def connected(link: Link) -> socket.socket:
    return socket.create_connection(("127.0.0.1", link.port), timeout=AT_LAST_S)


def answer_to(end: socket.socket, data: bytes) -> bytes:
    end.sendall(data)
    return end.recv(100)


def test_what_passes_is_counted_by_round_trips(link: Link) -> None:
    with connected(link) as end:
        assert [answer_to(end, data) for data in (b"one", b"two")] == [b"one", b"two"]
    assert link.round_trips == 2


def test_a_reset_ends_open_and_new_connections_until_it_is_mended(link: Link) -> None:
    with connected(link) as before:
        assert answer_to(before, b"one") == b"one"
        link.cut("reset")
        with pytest.raises(ConnectionError):
            answer_to(before, b"two")
    with pytest.raises(ConnectionError), connected(link) as meanwhile:
        answer_to(meanwhile, b"four") or answer_to(meanwhile, b"five")
    link.mend()
    with connected(link) as after:
        assert answer_to(after, b"four") == b"four"


def test_a_silent_link_holds_what_comes_and_passes_it_on_when_mended(
    echo: Echo, link: Link
) -> None:
    with connected(link) as end:
        assert answer_to(end, b"one") == b"one"
        link.cut("silent")
        end.settimeout(SOON_S)
        with pytest.raises(TimeoutError):
            answer_to(end, b"two")
        assert echo.heard == [b"one"]
        link.mend()
        end.settimeout(AT_LAST_S)
        assert end.recv(100) == b"two"


def test_where_answers_are_lost_the_request_has_arrived(echo: Echo, link: Link) -> None:
    with connected(link) as end:
        link.cut("answers")
        with pytest.raises(ConnectionError):
            answer_to(end, b"one")
    assert echo.heard == [b"one"]
    assert link.lost_answers == 1
