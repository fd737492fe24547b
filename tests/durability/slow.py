"""What thirty-two clients that drip their headers and bodies cost those who do not."""

import selectors
import socket
import statistics
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from http.client import HTTPConnection
from pathlib import Path

from tests.durability._clients import CHIP, ask, send
from tests.report import Row, measured
from tests.system.server import Server

SLOW = 32
FAST = 4
THREADS = 64
TURNS = 10
TURN_S = 3.0
SHORT_TURNS = 2
SHORT_TURN_S = 0.5
SETTLE_S = 1.0
DRIP_EVERY_S = 0.25

HEADERS = (
    b"GET /v1/start?chip=norvane-sable-7-4820mx HTTP/1.1\r\nHost: drip\r\nX-Drip: " + b"d" * 4_000
)
BODY = (
    b"POST /v1/submissions HTTP/1.1\r\nHost: drip\r\nContent-Type: application/json\r\n"
    b"Content-Length: 4000\r\n\r\n"
)


@dataclass
class Turn:
    """What fast clients got before slow ones came, and while they were there."""

    begins: float
    turn_s: float
    answered: list[tuple[float, float]] = field(default_factory=list)
    """Of each request, when it was answered and how many seconds it had taken."""
    failed: int = 0

    @property
    def slow_come(self) -> float:
        """The moment at which the slow clients connect; they need a second."""
        return self.begins + self.turn_s

    @property
    def ends(self) -> float:
        """The moment at which the turn is over."""
        return self.slow_come + SETTLE_S + self.turn_s

    def alone(self) -> list[float]:
        """How long requests took that were answered before."""
        return self._between(self.begins, self.slow_come)

    def beside(self) -> list[float]:
        """How long requests took that were answered beside slow ones, in a time as long."""
        return self._between(self.ends - self.turn_s, self.ends)

    def _between(self, first: float, last: float) -> list[float]:
        return [seconds for ended, seconds in self.answered if first <= ended < last]


class Dripping:
    """Connections that send a byte now and then; one that is closed is opened again."""

    def __init__(self, port: int, comes: float, goes: float) -> None:
        self.port = port
        self.comes, self.goes = comes, goes
        self.closed = 0
        """How many the server would not wait for any longer."""

    def drip(self) -> None:
        """Come, drip, and go, each at its moment."""
        time.sleep(max(self.comes - time.perf_counter(), 0))
        drips = [self._open(which) for which in range(SLOW)]
        while time.perf_counter() < self.goes:
            time.sleep(DRIP_EVERY_S)
            for which, drip in enumerate(drips):
                if not self._is_let(drip, which):
                    self.closed += 1
                    drip.close()
                    drips[which] = self._open(which)
        for drip in drips:
            drip.close()

    def _is_let(self, drip: socket.socket, which: int) -> bool:
        """Whether the server still waits for more of it."""
        try:
            drip.sendall(b"d" if which % 2 else b" ")
        except OSError:
            return False
        return not _is_closed(drip)

    def _open(self, which: int) -> socket.socket:
        drip = socket.create_connection(("127.0.0.1", self.port))
        drip.sendall(HEADERS if which % 2 else BODY)
        return drip


def _is_closed(drip: socket.socket) -> bool:
    with closing(selectors.DefaultSelector()) as selector:
        selector.register(drip, selectors.EVENT_READ)
        return bool(selector.select(timeout=0))


def measure(*, short: bool = False) -> list[Row]:
    """Fast clients before and beside slow ones, turn by turn in one run."""
    turns, turn_s = (SHORT_TURNS, SHORT_TURN_S) if short else (TURNS, TURN_S)
    found, closed = [], 0
    with a_served_chip() as server:
        for _ in range(turns + 1):
            turn = Turn(time.perf_counter(), turn_s)
            dripping = Dripping(server.port, turn.slow_come, turn.ends)
            with _fast(server.port, turn):
                dripping.drip()
            found.append(turn)
            closed += dripping.closed
        server.end()
    return _rows(found[1:], closed)  # the first warmed both workers up


def _rows(turns: list[Turn], closed: int) -> list[Row]:
    alone, beside = [turn.alone() for turn in turns], [turn.beside() for turn in turns]
    rates = [len(slowed) / len(free) for slowed, free in zip(beside, alone, strict=True)]
    medians = [
        statistics.median(slowed or [TURN_S]) / statistics.median(free)
        for slowed, free in zip(beside, alone, strict=True)
    ]
    rate = statistics.median(
        len(free) / turn.turn_s for free, turn in zip(alone, turns, strict=True)
    )
    ratio = statistics.median(rates)
    slower = statistics.median(medians)
    longest = max(seconds for turn in turns for _, seconds in turn.answered)
    failed = sum(turn.failed for turn in turns)
    return [
        measured("answers a second, alone", rate, "1/s", ""),
        measured("answers a second beside slow clients / alone", ratio, "ratio", ">= 0.9"),
        measured("the worst turn", min(rates), "ratio", ""),
        measured("median time beside slow clients / alone", slower, "ratio", "<= 1.1"),
        measured("longest of all fast requests", longest, "s", ""),
        measured("fast requests that failed", failed, "requests", "== 0"),
        measured("slow connections that the server closed", closed, "connections", ""),
    ]


@contextmanager
def a_served_chip() -> Iterator[Server]:
    """A server as it is started by default, with results of one chip."""
    with (
        tempfile.TemporaryDirectory() as folder,
        Server(Path(folder) / "home", threads=THREADS) as server,
    ):
        with closing(HTTPConnection("127.0.0.1", server.port, timeout=60)) as connection:
            for number in range(40):
                send(connection, number)
        yield server


@contextmanager
def _fast(port: int, turn: Turn) -> Iterator[None]:
    """Fast clients until the turn ends, half of them on connections that they keep."""
    threads = [
        threading.Thread(target=_ask_on, args=(port, turn, which % 2 == 0)) for which in range(FAST)
    ]
    for thread in threads:
        thread.start()
    yield
    for thread in threads:
        thread.join()


def _ask_on(port: int, turn: Turn, keeps: bool) -> None:
    with closing(HTTPConnection("127.0.0.1", port, timeout=60)) as connection:
        while (began := time.perf_counter()) < turn.ends:
            try:
                answer = ask(connection, "GET", f"/v1/start?chip={CHIP}")
            except OSError:
                turn.failed += 1
                return
            ended = time.perf_counter()
            turn.failed += answer.status != 200
            turn.answered.append((ended, ended - began))
            if not keeps:
                connection.close()
