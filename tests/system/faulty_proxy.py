"""A proxy between a client and a server that drops and delays connections."""

import random
import socket
import socketserver
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress

_CHUNK = 65_536


class FaultyProxy(socketserver.ThreadingTCPServer):
    """Each connection is passed on, dropped at one of three places, or delayed."""

    daemon_threads = True
    allow_reuse_address = True
    request_queue_size = 64

    def __init__(self, port: int, rng: random.Random, dropped: float, delayed: float) -> None:
        super().__init__(("127.0.0.1", 0), _Connection)
        self.port, self.rng = port, rng
        self.dropped, self.delayed = dropped, delayed
        self.counts = {"passed": 0, "dropped": 0, "delayed": 0}
        self.awaited: set[socket.socket] = set()
        """Connections to the server with a request on which no byte of an answer has come."""
        self.unanswered = 0
        """Such connections that the server ended."""

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.server_address[1]}"

    def fate(self) -> str:
        drawn = self.rng.random()
        fate = "passed"
        if drawn < self.dropped:
            fate = "dropped"
        elif drawn < self.dropped + self.delayed:
            fate = "delayed"
        self.counts[fate] += 1
        return fate


class _Connection(socketserver.BaseRequestHandler):
    server: FaultyProxy

    def handle(self) -> None:
        fate = self.server.fate()
        # Before the request arrives, before its answer, or in the middle of its answer.
        place = self.server.rng.choice(("request", "answer", "middle"))
        if fate == "delayed":
            time.sleep(self.server.rng.uniform(0.1, 0.5))
        if fate == "dropped" and place == "request":
            return
        with suppress(OSError), socket.create_connection(("127.0.0.1", self.server.port)) as there:
            pump = threading.Thread(target=self._pass_on, args=(there,), daemon=True)
            pump.start()
            while data := self._answer_of(there):
                if fate == "dropped":
                    if place == "middle":
                        self.request.sendall(data[: len(data) // 2])
                    return
                self.request.sendall(data)

    def _pass_on(self, there: socket.socket) -> None:
        with suppress(OSError):
            while data := self.request.recv(_CHUNK):
                self.server.awaited.add(there)
                there.sendall(data)

    def _answer_of(self, there: socket.socket) -> bytes:
        data = b""
        with suppress(OSError):
            data = there.recv(_CHUNK)
        if there in self.server.awaited:
            self.server.awaited.discard(there)
            self.server.unanswered += not data
        return data


@contextmanager
def faulty_proxy(
    port: int, *, seed: int = 1, dropped: float = 0.0, delayed: float = 0.0
) -> Iterator[FaultyProxy]:
    """A proxy of the server at this port, for as long as the block lasts."""
    with FaultyProxy(port, random.Random(seed), dropped, delayed) as proxy:
        threading.Thread(target=proxy.serve_forever, args=(0.05,), daemon=True).start()
        yield proxy
        proxy.shutdown()
