"""SIGHUP and SIGTERM while clients send and ask: what was taken is answered."""

import tempfile
import threading
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import closing, contextmanager
from http.client import HTTPConnection, HTTPException
from pathlib import Path

from tests.durability._clients import CHIP, Promises, ask, read_database, send
from tests.report import Row, measured
from tests.system.server import Server

CLIENTS = 8
RELOADS = 20
STOPS = 10


class Load:
    """Clients on persistent and fresh connections, half sending, half reading, until they end."""

    def __init__(self, port: int) -> None:
        self.port = port
        self.promises = Promises()
        self.answered: Counter[str] = Counter()
        self.failed: list[str] = []
        self.longest_s = 0.0
        self.ended = threading.Event()

    def run(self, which: int) -> None:
        """One client; a connection that is refused was never taken, and ends it."""
        does = self._send if which % 2 else self._ask
        keeps = which % 4 < 2
        with closing(HTTPConnection("127.0.0.1", self.port, timeout=60)) as connection:
            while not self.ended.is_set():
                if not keeps:
                    connection.close()
                try:
                    if connection.sock is None:
                        connection.connect()
                except ConnectionRefusedError:
                    return
                began = time.monotonic()
                try:
                    does(connection)
                except (OSError, HTTPException) as error:
                    self.failed.append(
                        f"{'persistent' if keeps else 'fresh'}: {type(error).__name__}"
                    )
                    return
                self.longest_s = max(self.longest_s, time.monotonic() - began)

    def _send(self, connection: HTTPConnection) -> None:
        number = self.promises.take()
        answer = send(connection, number)
        self.promises.note(number, answer)
        self.answered["sent"] += 1

    def _ask(self, connection: HTTPConnection) -> None:
        answer = ask(connection, "GET", f"/v1/start?chip={CHIP}")
        if answer.status != 200:
            self.failed.append(f"{answer.status} to a question")
        self.answered["asked"] += 1


@contextmanager
def under_load(port: int) -> Iterator[Load]:
    """A load that has begun to be answered, and has ended when the block is left."""
    load = Load(port)
    threads = [threading.Thread(target=load.run, args=(which,)) for which in range(CLIENTS)]
    for thread in threads:
        thread.start()
    while load.answered.total() < 4 * CLIENTS:
        time.sleep(0.01)
    try:
        yield load
    finally:
        load.ended.set()
        for thread in threads:
            thread.join()


def measure(*, short: bool = False) -> list[Row]:
    """How many requests failed over all reloads and stops."""
    return [*_reloads(2 if short else RELOADS), *_stops(1 if short else STOPS)]


def _reloads(how_many: int) -> list[Row]:
    with tempfile.TemporaryDirectory() as folder, Server(Path(folder) / "home") as server:
        with under_load(server.port) as load:
            generations = sum(server.reload() for _ in range(how_many))
        server.end()
        found = read_database(server.home / "kbapi.sqlite3")
    return [
        measured("reloads that brought new workers", generations, "reloads", f"== {how_many}"),
        measured("requests answered meanwhile", load.answered.total(), "requests", "> 0"),
        measured("longest request over reloads", load.longest_s, "s", ""),
        measured("requests that failed over reloads", _failed(load), "requests", "== 0"),
        measured("results lost over reloads", found.lost(load.promises), "results", "== 0"),
    ]


def _stops(how_many: int) -> list[Row]:
    failed = answered = unequal = wrong_exit = 0
    for _ in range(how_many):
        with tempfile.TemporaryDirectory() as folder, Server(Path(folder) / "home") as server:
            with under_load(server.port) as load:
                wrong_exit += server.end() != 0
            found = read_database(server.home / "kbapi.sqlite3")
        failed += _failed(load)
        answered += load.answered.total()
        unequal += len(set(found.copies) ^ set(load.promises.acknowledged))
    return [
        measured("stops", how_many, "stops", f"== {how_many}"),
        measured("requests answered before and during them", answered, "requests", "> 0"),
        measured("requests that were taken and not answered", failed, "requests", "== 0"),
        measured(
            "results stored and not reported, or reported and not stored",
            unequal,
            "results",
            "== 0",
        ),
        measured("stops with another exit status than 0", wrong_exit, "stops", "== 0"),
    ]


def _failed(load: Load) -> int:
    for fault, times in Counter(load.failed + load.promises.odd).items():
        print(f"  {times} x {fault}")
    return len(load.failed) + len(load.promises.odd) + load.promises.refused.total()
