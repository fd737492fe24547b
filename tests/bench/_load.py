"""Load from outside: connections that ask again and again, and what that costs the server."""

import os
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from kbapi.access.keys import give_key
from kbapi.instance.instance import open_instance
from kbapi.settings import Settings

CONNECTIONS = 8
_OVERLOADED, _MOST_TRIES, _PAUSE_S = 503, 50, 0.1


@dataclass(frozen=True)
class Served:
    """A server in a session of its own."""

    port: int
    process: subprocess.Popen[bytes]

    def cpu_s(self) -> float:
        """CPU seconds of all its processes so far, system time included."""
        ticks = 0
        for entry in Path("/proc").iterdir():
            if entry.name.isdigit():
                try:
                    fields = (entry / "stat").read_text().rpartition(") ")[2].split()
                except OSError:
                    continue  # it has ended meanwhile
                if int(fields[3]) == self.process.pid:
                    ticks += int(fields[11]) + int(fields[12])
        return ticks / os.sysconf("SC_CLK_TCK")


@contextmanager
def serving(
    command: Sequence[str], port: int, path: str, log: Path, **environment: str
) -> Iterator[Served]:
    """A server that answers at this path, ended afterwards."""
    with log.open("ab") as file:
        process = subprocess.Popen(
            command,
            stdout=file,
            stderr=file,
            start_new_session=True,
            env={**os.environ, **environment},
        )
    try:
        _wait_for(f"http://127.0.0.1:{port}{path}", log)
        yield Served(port, process)
    finally:
        os.killpg(process.pid, signal.SIGTERM)
        process.wait(timeout=60)


def _wait_for(url: str, log: Path) -> None:
    deadline = time.monotonic() + 60
    while time.monotonic() < deadline:
        try:
            with urllib.request.urlopen(url, timeout=30):
                return
        except OSError:
            time.sleep(0.1)
    raise AssertionError(f"the server did not start: {log.read_text()[-2000:]}")


@contextmanager
def serving_instance(home: Path, port: int, *more: str, **environment: str) -> Iterator[Served]:
    """An instance behind its own server, with the idle routes of `_served.py`."""
    command = [sys.executable, "-m", "tests.bench._served", str(home), str(port), *more]
    # Counted as usual, and never turned away.
    far = {"KBAPI_RATE_PER_KEY": "1000000000", "KBAPI_RATE_PER_NETWORK": "1000000000"}
    with serving(
        command, port, "/health/ready", home.parent / "served.log", **far, **environment
    ) as served:
        yield served


def a_collecting_key(home: Path, database: str = "") -> dict[str, str]:
    """What a request that shows a key with the scope submit_for_members carries."""
    instance = open_instance(Settings(home=home, database=database))
    given = give_key(instance, "bench", ("submit_for_members",))
    instance.close()
    return {"Authorization": f"Bearer {given.key}"}


def get(path: str, **headers: str) -> bytes:
    """A request as it goes over the wire."""
    lines = "".join(f"{name.replace('_', '-')}: {text}\r\n" for name, text in headers.items())
    return f"GET {path} HTTP/1.1\r\nHost: localhost\r\n{lines}\r\n".encode()


def post(path: str, body: bytes, **headers: str) -> bytes:
    """A request with a JSON body as it goes over the wire."""
    lines = "".join(f"{name.replace('_', '-')}: {text}\r\n" for name, text in headers.items())
    head = f"POST {path} HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/json\r\n{lines}"
    return f"{head}Content-Length: {len(body)}\r\n\r\n".encode() + body


class Connection:
    """A persistent connection."""

    def __init__(self, port: int) -> None:
        self._socket = socket.create_connection(("127.0.0.1", port), timeout=60)
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._rest = b""

    def ask(self, request: bytes) -> tuple[int, bytes]:
        """Status and body of one answer."""
        self._socket.sendall(request)
        while (end := self._rest.find(b"\r\n\r\n")) < 0:
            self._read()
        head, self._rest = self._rest[:end].lower(), self._rest[end + 4 :]
        status = int(head[9:12])
        if status == 304:
            return status, b""
        if b"transfer-encoding: chunked" in head:
            return status, self._take_until(b"0\r\n\r\n")
        return status, self._take(int(head.partition(b"content-length:")[2].split(b"\r\n", 1)[0]))

    def _take(self, length: int) -> bytes:
        while len(self._rest) < length:
            self._read()
        body, self._rest = self._rest[:length], self._rest[length:]
        return body

    def _take_until(self, end: bytes) -> bytes:
        while not self._rest.endswith(end):
            self._read()
        return self._take(len(self._rest))

    def _read(self) -> None:
        more = self._socket.recv(262_144)
        if not more:
            raise ConnectionError("the server closed the connection")
        self._rest += more

    def close(self) -> None:
        self._socket.close()


@dataclass(frozen=True)
class Load:
    """What came of a load."""

    answers: int
    seconds: float
    cpu_s: float
    """Of the server's processes."""
    latencies_s: tuple[float, ...]

    @property
    def cpu_us(self) -> float:
        """CPU microseconds of the server for one answer."""
        return 1e6 * self.cpu_s / self.answers


def under_load(
    served: Served,
    requests: Callable[[int], Iterator[bytes]],
    answers: int,
    status: int,
    connections: int = CONNECTIONS,
) -> Load:
    """The load of so many answers over several connections, each of the wanted status."""
    share = answers // connections

    def one(place: int) -> list[float]:
        connection, spent = Connection(served.port), []
        for request, _ in zip(requests(place), range(share), strict=False):
            for _ in range(_MOST_TRIES):
                began = time.perf_counter()
                found, body = connection.ask(request)
                if found != _OVERLOADED:
                    break
                # Other work on the machine keeps the server from answering in time.
                time.sleep(_PAUSE_S)
            spent.append(time.perf_counter() - began)
            assert found == status, (found, body[:500])
        connection.close()
        return spent

    before, began = served.cpu_s(), time.perf_counter()
    with ThreadPoolExecutor(connections) as pool:
        latencies = [spent for part in pool.map(one, range(connections)) for spent in part]
    seconds = time.perf_counter() - began
    return Load(len(latencies), seconds, served.cpu_s() - before, tuple(latencies))
