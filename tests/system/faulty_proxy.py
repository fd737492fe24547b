"""Proxies between a client and a server: they drop and delay connections, or cut them all."""

import random
import socket
import socketserver
import struct
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import Any, Literal

_CHUNK = 65_536
_RESETS = struct.pack("ii", 1, 0)
"""The `SO_LINGER` of a socket that is reset when it is closed."""


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


class Link(socketserver.ThreadingTCPServer):
    """The way between a program and its database: it takes time, and it is cut and mended.

    Cut as `reset`, it resets every connection, also new ones. Cut as `silent`, it holds whatever
    comes until it is mended, as where a cable is pulled. Cut as `answers`, requests arrive and
    their answers are lost; each connection is reset then.
    """

    daemon_threads = True
    allow_reuse_address = True
    request_queue_size = 64

    def __init__(self, port: int, delay_s: float = 0.0) -> None:
        super().__init__(("127.0.0.1", 0), _Passage)
        self.there, self.delay_s = port, delay_s
        self.port = int(self.server_address[1])
        self.round_trips = 0
        """How many answers began since the start."""
        self.lost_answers = 0
        self._fault = ""
        self._changed = threading.Condition()
        self._open: set[socket.socket] = set()

    @property
    def fault(self) -> str:
        """How it is cut now, empty where it is not."""
        return self._fault

    def cut(self, fault: Literal["reset", "silent", "answers"]) -> None:
        """Nothing; from now on the link has this fault."""
        self._set(fault)
        if fault == "reset":
            with self._changed:
                ends = list(self._open)
            for end in ends:
                reset(end)

    def mend(self) -> None:
        """Nothing; the link passes everything on again, also what it holds."""
        self._set("")

    def wait_while_silent(self) -> None:
        """Nothing, once the link is not silent."""
        with self._changed:
            self._changed.wait_for(lambda: self._fault != "silent")

    @contextmanager
    def passing(self, *ends: socket.socket) -> Iterator[None]:
        """A block in which a cut resets these ends."""
        with self._changed:
            self._open |= set(ends)
        try:
            yield
        finally:
            with self._changed:
                self._open -= set(ends)

    def _set(self, fault: str) -> None:
        with self._changed:
            self._fault = fault
            self._changed.notify_all()

    def shutdown_request(self, request: Any) -> None:
        """Nothing; the connection has ended, politely unless it is reset."""
        lingers = request.getsockopt(socket.SOL_SOCKET, socket.SO_LINGER, len(_RESETS))
        if lingers == _RESETS:
            request.close()
        else:
            super().shutdown_request(request)

    def handle_error(self, *_: object) -> None:
        """Nothing: a connection that is reset is what tests want."""


class _Passage(socketserver.BaseRequestHandler):
    server: Link

    def handle(self) -> None:
        self.is_asked = False
        if self.server.fault == "reset":
            reset(self.request)
            return
        self.server.wait_while_silent()
        self.request.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        address = ("127.0.0.1", self.server.there)
        try:
            there = socket.create_connection(address)
        except OSError:
            reset(self.request)
            return
        with there, self.server.passing(self.request, there):
            there.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            threading.Thread(target=self._pass_requests, args=(there,), daemon=True).start()
            self._pass_answers(there)

    def _pass_requests(self, there: socket.socket) -> None:
        with suppress(OSError):
            while data := self.request.recv(_CHUNK):
                self.server.wait_while_silent()
                if self.server.fault == "reset":
                    break
                self.is_asked = True
                there.sendall(data)
            there.shutdown(socket.SHUT_WR)

    def _pass_answers(self, there: socket.socket) -> None:
        with suppress(OSError):
            while data := there.recv(_CHUNK):
                if self.is_asked:
                    self.is_asked = False
                    self.server.round_trips += 1
                    time.sleep(self.server.delay_s)
                self.server.wait_while_silent()
                if self.server.fault:
                    self.server.lost_answers += 1
                    break
                self.request.sendall(data)
            else:
                if not self.server.fault:
                    return
        reset(self.request)


def reset(end: socket.socket) -> None:
    """Nothing; the other side gets a reset in place of an end."""
    with suppress(OSError):
        end.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, _RESETS)
        # The threads that read from it wake up and close it.
        end.shutdown(socket.SHUT_RD)


@contextmanager
def a_link(port: int, delay_s: float = 0.0) -> Iterator[Link]:
    """A link to the server at this port, for as long as the block lasts."""
    with Link(port, delay_s) as link:
        threading.Thread(target=link.serve_forever, args=(0.05,), daemon=True).start()
        yield link
        link.mend()
        link.shutdown()
