"""The first moment of a server: many clients ask at once for what is built only once.

Each API document has to be whole and the same, and nothing may fail.
"""

import json
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from http.client import HTTPConnection, HTTPException
from pathlib import Path

from kbapi.app import create_app
from tests.makers import a_submission, an_instance
from tests.outside.demo_instance import fill
from tests.report import Row, measured
from tests.system.server import Server

STARTS, ROUNDS, AT_ONCE = 25, 6, 12
PATHS = ("/openapi.json", "/docs", "/openapi.json", "/v1/submissions")
_JSON = {"Content-Type": "application/json"}
Ask = Callable[[str, bytes | None], tuple[int, bytes]]


@dataclass
class Starts:
    """What clients were answered, over several starts."""

    folder: Path
    answers: int = 0
    failures: list[int] = field(default_factory=list)
    documents: set[bytes] = field(default_factory=set)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    @property
    def contents(self) -> set[str]:
        """The documents without the order of their parts."""
        return {json.dumps(json.loads(one), sort_keys=True) for one in self.documents}

    def ask_at_once(self, ask: Ask, begin: Callable[[], None]) -> None:
        """Let every client ask from the first moment; each sender has a result of its own."""
        first = self.answers
        clients = [
            threading.Thread(target=self._ask, args=(ask, PATHS[place % len(PATHS)], first + place))
            for place in range(AT_ONCE)
        ]
        for one in clients:
            one.start()
        begin()
        for one in clients:
            one.join()

    def _ask(self, ask: Ask, path: str, number: int) -> None:
        body = json.dumps(a_submission(number=number)).encode() if "submissions" in path else None
        try:
            status, answer = ask(path, body)
        except Exception:  # noqa: BLE001 - every failure counts
            status, answer = 0, b""
        with self._lock:
            self.answers += 1
            if status not in (200, 201):
                self.failures.append(status)
            elif path == "/openapi.json":
                self.documents.add(answer)


def measure(*, short: bool) -> list[Row]:
    """How many different documents and failures there were."""
    rounds, start = (ROUNDS, _in_process) if short else (STARTS, _a_server)
    with tempfile.TemporaryDirectory() as name:
        fill(Path(name), 20)
        starts = Starts(Path(name))
        for _ in range(rounds):
            start(starts)
    return [
        measured("starts", rounds, "", ""),
        measured("answers", starts.answers, "", f"== {rounds * AT_ONCE}"),
        measured("answers that are no success", len(starts.failures), "", "== 0"),
        measured("API documents that differ", len(starts.documents), "", "== 1"),
        measured("of them in more than the order", len(starts.contents), "", "== 1"),
    ]


def _in_process(starts: Starts) -> None:
    """A new application, whose threads take turns as often as they can.

    One thread makes it, as a server does: CPython 3.11 cannot parse code in several threads at
    once, which the routes need (SystemError: AST constructor recursion depth mismatch).
    """
    instance, moment = an_instance(starts.folder), threading.Barrier(AT_ONCE)
    app = create_app(instance)

    def ask(path: str, body: bytes | None) -> tuple[int, bytes]:
        moment.wait()
        client = app.test_client()
        answer = client.open(path, method="POST" if body else "GET", data=body, headers=_JSON)
        return answer.status_code, answer.get_data()

    interval = sys.getswitchinterval()
    sys.setswitchinterval(1e-6)
    try:
        starts.ask_at_once(ask, lambda: None)
    finally:
        sys.setswitchinterval(interval)
        instance.close()


def _a_server(starts: Starts) -> None:
    """A server with three workers, which is asked before it listens."""
    server = Server(starts.folder / "home", workers=3)

    def ask(path: str, body: bytes | None) -> tuple[int, bytes]:
        connection = _connected(server.port)
        try:
            connection.request("POST" if body else "GET", path, body, _JSON)
            reply = connection.getresponse()
            return reply.status, reply.read()
        except (OSError, HTTPException):
            return 0, b""
        finally:
            connection.close()

    try:
        starts.ask_at_once(ask, server.start)
    finally:
        server.end()


def _connected(port: int) -> HTTPConnection:
    connection, until = HTTPConnection("127.0.0.1", port, timeout=60), time.monotonic() + 60
    while True:
        try:
            connection.connect()
        except OSError:
            if time.monotonic() > until:
                raise
            time.sleep(0.002)  # it does not listen yet
        else:
            return connection
