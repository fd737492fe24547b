"""Requests whose head and body are at odds, over raw sockets against a real server.

Where it is in doubt where a request ends there is one answer, and nothing that comes later on that
connection is read: what hides a second request in its body gets no second answer.
"""

import json
import re
import socket
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from random import Random
from typing import Any

from tests.outside.heads import CHUNKED, SECOND, chunks, length
from tests.report import Row, measured
from tests.system.server import Server

_STATUS = re.compile(rb"HTTP/1\.[01] ([0-9]{3}) ")


@dataclass(frozen=True)
class Answer:
    status: int
    fields: dict[str, str]
    body: bytes

    @property
    def is_of_second(self) -> bool:
        return b'"smuggled"' in self.body

    @property
    def is_readable(self) -> bool:
        """Whether a refusal is a problem document with the same status."""
        if self.status < 400:
            return True
        is_problem = self.fields.get("content-type") == "application/problem+json"
        return is_problem and json.loads(self.body)["status"] == self.status


def ask(server: Server, sent: bytes, *, hangs_up: bool = False) -> list[Answer]:
    """Every answer until the server closes the connection, which it does by itself.

    Whoever hangs up says that nothing more comes, so that the rest of a body is not waited for.
    """
    with socket.create_connection(("127.0.0.1", server.port), timeout=15) as connection:
        received = b""
        try:
            connection.sendall(sent)
            if hangs_up:
                connection.shutdown(socket.SHUT_WR)
            while piece := connection.recv(65_536):
                received += piece
        except (ConnectionResetError, BrokenPipeError):
            pass  # it was closed while more was sent; earlier answers count
    return list(_answers_of(received))


def _answers_of(received: bytes) -> Any:
    while received:
        head, _, rest = received.partition(b"\r\n\r\n")
        status = int(_STATUS.match(head).group(1))
        lines = [line.partition(": ") for line in head.decode("latin-1").split("\r\n")[1:]]
        fields = {name.lower(): value for name, _, value in lines}
        end = int(fields.get("content-length", 0))
        if status >= 200:
            yield Answer(status, fields, rest[:end])
        received = rest[end:]


_LINES: Sequence[bytes] = (
    CHUNKED,
    b"Transfer-Encoding: gzip, chunked",
    b"Transfer-Encoding: chunked, identity",
    b"Transfer-Encoding: chunked;q=1",
    b'Transfer-Encoding: "chunked"',
    b"TRANSFER-ENCODING: CHUNKED",
    b"Transfer_Encoding: chunked",
    b"X: a\r\n\tTransfer-Encoding: chunked",
    b"X: a\nTransfer-Encoding: chunked",
    b"X: a\rTransfer-Encoding: chunked",
    b"Connection: Content-Length",
    b"Connection: close, Transfer-Encoding",
    b"Content-Length:",
    b"Content-Length: 0x10",
    b"Content-Length: 1e3",
    b"Content-Length : 10",
    b"Content_Length: 0",
    b"X-Content-Length: 0",
    b"Content-Encoding: chunked",
    b"Upgrade: websocket",
    b"Expect: 100-continue",
    b"TE: trailers",
    b"Trailer: Content-Length",
    b"Host: other",
    b"X-HTTP-Method-Override: DELETE",
    b"Content-Type: multipart/form-data; boundary=0",
)
_FIRST: Sequence[bytes] = (
    b"POST /v1/submissions HTTP/1.1",
    b"POST /nothing HTTP/1.1",
    b"GET /v1/chips HTTP/1.1",
    b"POST /v1/submissions/batch HTTP/1.1",
    b"DELETE /v1/my-submissions HTTP/1.1",
    b"POST /v1/submissions HTTP/1.0",
)


def drawn(rng: Random) -> bytes:
    """A request that holds `SECOND` inside, however its framing is understood."""
    body = chunks(*[SECOND] * rng.choice((1, 2)))
    lines = [length(len(body) + rng.choice((0, 0, 7))), *rng.sample(_LINES, rng.randint(0, 3))]
    if rng.random() < 0.4:
        lines[0] = CHUNKED
    rng.shuffle(lines)
    head = [rng.choice(_FIRST), b"Host: kbapi", b"Content-Type: application/json", *lines]
    return b"\r\n".join([*head, b"", body])


def measure(*, short: bool) -> list[Row]:
    """How many requests that hide another let it out; whatever else is wrong with an answer."""
    rng, many = Random(14), 300 if short else 50_000
    answers, hidden, most = [], 0, 0
    with (
        tempfile.TemporaryDirectory() as name,
        Server(Path(name) / "home", workers=1) as server,
    ):
        for _ in range(many):
            found = ask(server, drawn(rng), hangs_up=True)
            answers += found
            hidden += any(answer.is_of_second for answer in found)
            most = max(most, len(found))
    understood = sum(b"request_unreadable" not in one.body for one in answers)
    return [
        measured("requests that hide another", many, "", ""),
        measured("of them answered", len(answers), "", f"== {many}"),
        measured("of them understood as one request", understood, "", f">= {many // 5}"),
        measured("hidden requests that were answered", hidden, "", "== 0"),
        measured("most answers to one", most, "", "<= 1"),
        measured("server errors", sum(one.status >= 500 for one in answers), "", "== 0"),
        measured(
            "refusals that are no problem", sum(not one.is_readable for one in answers), "", "== 0"
        ),
    ]
