"""Clients that go on sending whatever happens, and what they were promised."""

import json
import os
import sqlite3
import subprocess
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from http.client import HTTPConnection, HTTPException
from pathlib import Path
from typing import Any

import psycopg

from tests.postgres import DATABASES, is_chosen, is_sound
from tests.processes import run_kbapi
from tests.system.server import KBAPI

CHIP = "norvane-sable-7-4820mx"
CLIENTS, PAUSE_S = 8, 0.1
TABLES = ("submission", "unit", "setting_result", "idempotency_record")


def a_result(number: int) -> dict[str, Any]:
    """Every second one names no unit: only its Idempotency-Key identifies a repeat."""
    depth = 70 + number * 7 % 30
    tokens = {
        "unit_token": f"k3v9-demo-unit-{number:08}",
        "contributor_token": f"demo-contributor-{number:08}",
    }
    return {
        "chip": "Norvane(R) Sable(TM) 7 4820MX @ 2.60GHz",
        **(tokens if number % 2 else {}),
        "client": f"drill/{number}",
        "settings": [
            {
                "domain": "core",
                "control": "voltage_offset",
                "stable_at": -depth,
                "unstable_at": -depth - 6,
                "minutes": 65,
                "checked_results": True,
            }
        ],
    }


@dataclass(frozen=True)
class Answer:
    """What one request came to."""

    status: int
    kind: str
    retry_after: str | None
    body: Any


def ask(
    connection: HTTPConnection,
    method: str,
    path: str,
    document: Any = None,
    headers: dict[str, str] | None = None,
) -> Answer:
    """The answer; OSError or HTTPException when there was none."""
    body = None if document is None else json.dumps(document)
    sent = {"Content-Type": "application/json"} if body else {}
    connection.request(method, path, body, {**sent, **(headers or {})})
    response = connection.getresponse()
    text = response.read()
    return Answer(
        response.status,
        response.headers.get_content_type(),
        response.headers.get("Retry-After"),
        json.loads(text) if text else None,
    )


def send(connection: HTTPConnection, number: int) -> Answer:
    """The answer to result `number`, always under the same key."""
    headers = {"Idempotency-Key": f'"drill-{number}"'}
    return ask(connection, "POST", "/v1/submissions", a_result(number), headers)


def ask_once(port: int, method: str, path: str, document: Any = None, **headers: str) -> Answer:
    """The answer to one request on a connection of its own."""
    with closing(HTTPConnection("127.0.0.1", port, timeout=60)) as connection:
        return ask(connection, method, path, document, headers)


@dataclass
class Promises:
    """What was sent, and what was acknowledged as stored."""

    acknowledged: dict[int, dict[str, Any]] = field(default_factory=dict)
    pending: set[int] = field(default_factory=set)
    """Sent, and never answered: they may or may not be stored."""
    refused: Counter[str] = field(default_factory=Counter)
    """Problem documents, by their code, with the status."""
    odd: list[str] = field(default_factory=list)
    """Answers that should not be, and repeats that got another answer than the first."""
    first: int = 0
    """The number of the first result to send."""
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def take(self) -> int:
        """The number of a result to send: one that was never answered, else a new one."""
        with self._lock:
            if self.pending - self._out:
                number = min(self.pending - self._out)
            else:
                number, self.first = self.first, self.first + 1
            self.pending.add(number)
            self._out.add(number)
            return number

    def note(self, number: int, answer: Answer) -> None:
        """Keep what was answered; a refusal leaves the result pending."""
        with self._lock:
            self._out.discard(number)
            if answer.status == 201:
                self.pending.discard(number)
                first = self.acknowledged.setdefault(number, answer.body)
                if first != answer.body:
                    self.odd.append(f"result {number} was answered twice, and differently")
            elif answer.status == 503 and answer.kind == "application/problem+json":
                self.refused[answer.body["type"].rpartition("/")[2]] += 1
                if answer.retry_after is None:
                    self.odd.append("503 without Retry-After")
            else:
                self.odd.append(f"{answer.status} {answer.kind}")

    def give_up(self, number: int) -> None:
        """No answer came; the result stays pending."""
        with self._lock:
            self._out.discard(number)

    def __post_init__(self) -> None:
        self._out: set[int] = set()


def send_until(
    ended: Callable[[], bool], port: int, promises: Promises, pause_s: float = 0.0
) -> None:
    """Send results one by one on a persistent connection, until `ended` or no answer comes."""
    with closing(HTTPConnection("127.0.0.1", port, timeout=60)) as connection:
        while not ended():
            number = promises.take()
            try:
                promises.note(number, send(connection, number))
            except (OSError, HTTPException):
                promises.give_up(number)
                return
            time.sleep(pause_s)


@contextmanager
def clients(port: int, promises: Promises, *, spare: bool = False) -> Iterator[None]:
    """Eight clients that send until the block ends, and have then been answered.

    With `spare` they pause, so that they need a part of a core only.
    """
    ended = threading.Event()
    threads = [
        threading.Thread(
            target=send_until, args=(ended.is_set, port, promises, PAUSE_S if spare else 0.0)
        )
        for _ in range(CLIENTS)
    ]
    for thread in threads:
        thread.start()
    try:
        yield
    finally:
        ended.set()
        for thread in threads:
            thread.join()


@dataclass(frozen=True)
class Found:
    """The content of a database file."""

    is_sound: bool
    copies: Counter[int]
    """How often each result is there."""
    counts: dict[str, int]

    def lost(self, promises: Promises) -> int:
        """How many acknowledged results are not there."""
        return sum(1 for number in promises.acknowledged if not self.copies[number])

    @property
    def doubled(self) -> int:
        """How many results are there more than once."""
        return sum(1 for copies in self.copies.values() if copies > 1)


def read_database(database: Path) -> Found:
    """The content of a database that no server has open, read by another SQLite.

    Where PostgreSQL is chosen, of the database that belongs to the folder instead.
    """
    if is_chosen():
        return read_server(DATABASES.of(database.parent))
    with closing(sqlite3.connect(database)) as connection:
        integrity = connection.execute("PRAGMA integrity_check").fetchall()
        orphans = connection.execute("PRAGMA foreign_key_check").fetchall()
        documents = connection.execute("SELECT document FROM submission").fetchall()
        counts = {
            table: connection.execute(f"SELECT COUNT(*) FROM {table}").fetchone()[0]
            for table in TABLES
        }
    numbers = (json.loads(text)["client"].partition("/")[2] for (text,) in documents)
    return Found(integrity == [("ok",)] and not orphans, Counter(map(int, numbers)), counts)


def read_server(url: str) -> Found:
    """The content of a database on a PostgreSQL server; its rows and indexes are compared."""
    with psycopg.connect(url) as connection:
        documents = connection.execute("SELECT document FROM submission").fetchall()
        counts = {
            table: connection.execute(f"SELECT COUNT(*) FROM {table}").fetchone()[0]
            for table in TABLES
        }
    numbers = (json.loads(text)["client"].partition("/")[2] for (text,) in documents)
    return Found(is_sound(url), Counter(map(int, numbers)), counts)


def kbapi(
    *words: str, program: list[str] = KBAPI, **environment: str
) -> subprocess.CompletedProcess[str]:
    """Output and exit status of a command."""
    given = {**os.environ, **environment}
    if program is KBAPI:
        return run_kbapi(words, given)
    return subprocess.run(
        [*program, *words], capture_output=True, text=True, check=False, env=given
    )
