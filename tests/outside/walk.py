"""Every GET of the OpenAPI document, all pages of every list, while results keep arriving.

A real server with two workers. Nothing that was there when a list began may be missing from it,
nothing may be in it twice, and in the end every result that was sent is counted.
"""

import json
import tempfile
import threading
from collections.abc import Iterator
from dataclasses import dataclass, field
from http.client import HTTPConnection
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

from tests.makers import a_setting, a_submission
from tests.outside.demo_instance import CHIPS, Known, fill
from tests.report import Row, measured
from tests.system.server import Server

SENDERS = 4
ENTRIES_A_PAGE = 2
"""So few that the first and the last reading alone have the pages that are wanted, at any speed."""
MEMBER = "tidewater-walker-of-lists"
"""Of whom every fourth result is, so that the list of one's own has pages as well."""


@dataclass(frozen=True)
class Pages:
    """A list: how its entries are identified, and the link to the next page."""

    entries: str
    names: tuple[str, ...]
    next_one: str
    sent_as: str


LISTS = {
    "/v1/chips": Pages("chips", ("key",), "next_cursor", "cursor"),
    "/v1/review": Pages("waiting", ("submission", "ordinal"), "next_cursor", "cursor"),
    "/v1/submissions": Pages("submissions", ("id",), "next_cursor", "cursor"),
    "/v1/my-submissions": Pages("submissions", ("id",), "next_cursor", "cursor"),
}


@dataclass
class Walk:
    """A client that reads everything again and again, and every fault that it found."""

    server: Server
    known: Known
    document: dict[str, Any]
    answers: int = 0
    pages: int = 0
    seen: dict[str, set[Any]] = field(default_factory=dict)
    faults: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.connection = HTTPConnection("127.0.0.1", self.server.port, timeout=30)
        self.result, self.receipt = next(iter(self.known.receipts.items()))

    def once(self) -> None:
        """Nothing; every GET is asked, every list to its end."""
        for path, item in self.document["paths"].items():
            if "get" in item and path in LISTS:
                self._walk_list(path, LISTS[path])
            elif "get" in item:
                self._ask_and_ask_again(path)

    def _ask_and_ask_again(self, path: str) -> None:
        for chip in CHIPS if "/submissions/" not in path else CHIPS[:1]:
            asked = self._named(path, chip)
            _, etag, _ = self._get(path, asked)
            if etag:
                again, other, _ = self._get(path, asked, {"If-None-Match": etag})
                if again == 304 and other != etag:
                    self.faults.append(f"{asked} has not changed, to {other}")

    def _named(self, path: str, chip: str) -> str:
        """The address with what it needs filled in."""
        values = {
            "{chip}": chip,
            "{submission_id}": self.result,
            "{ordinal}": "0",
            "{number}": "1",
        }
        for place, value in values.items():
            path = path.replace(place, value)
        needed = {"/v1/identify": {"text": chip}}.get(path, {"chip": chip})
        takes = self.document["paths"].get(path, {}).get("get", {}).get("parameters", ())
        return f"{path}?{urlencode(needed)}" if takes else path

    def _walk_list(self, path: str, pages: Pages) -> None:
        found: list[Any] = []
        for page in self._pages_of(path, pages):
            found += [tuple(entry[name] for name in pages.names) for entry in page[pages.entries]]
        if len(set(found)) != len(found):
            self.faults.append(f"{path} tells {len(found) - len(set(found))} entries twice")
        if missing := self.seen.get(path, set()) - set(found):
            self.faults.append(f"{path} leaves out {len(missing)} that were there before")
        self.seen[path] = set(found)

    def _pages_of(self, path: str, pages: Pages) -> Iterator[Any]:
        in_small_pages = {"limit": str(ENTRIES_A_PAGE)}
        asked = {} if path == "/v1/my-submissions" else in_small_pages
        while True:
            status, _, body = self._get(path, f"{path}?{urlencode(asked)}" if asked else path)
            if status != 200:
                return
            self.pages += 1
            page = json.loads(body)
            yield page
            if page[pages.next_one] is None:
                return
            asked[pages.sent_as] = page[pages.next_one]

    def _get(
        self, path: str, asked: str, more: dict[str, str] | None = None
    ) -> tuple[int, str | None, bytes]:
        bearer = self.receipt if "/submissions/" in path else self.known.keys["admin"]
        headers = {"Authorization": f"Bearer {bearer}", **(more or {})}
        if path == "/v1/my-submissions":
            headers = {"Kbapi-Contributor": MEMBER}
        self.connection.request("GET", asked, headers=headers)
        reply = self.connection.getresponse()
        body = reply.read()
        self.answers += 1
        documented = self.document["paths"][path]["get"]["responses"]
        if str(reply.status) not in documented or reply.status not in (200, 304, 404):
            self.faults.append(f"{asked} was answered with {reply.status}")
        return reply.status, reply.headers["ETag"], body


def a_result(number: int) -> dict[str, Any]:
    """One of the results that arrive: of many chips, some of them new, some too deep to count."""
    depth = 60 + number * 7 % 50
    settings = [a_setting(stable_at=-depth, unstable_at=-depth - 6)]
    if number % 20 == 1:
        settings = [a_setting(stable_at=-200, unstable_at=-210)]
    more = {"contributor_token": MEMBER} if number % 4 == 0 else {}
    if number % 10 == 2:
        more["chip"] = f"Norvane Sable 7 {4100 + number // 10}MX"
    return a_submission(*settings, number=900_000 + number, **more)


def measure(*, short: bool) -> list[Row]:
    """What was wrong with any answer, and how many results of those that were sent are there."""
    many = 200 if short else 10_000
    with tempfile.TemporaryDirectory() as name:
        known = fill(Path(name), 100 if short else 300)
        with Server(Path(name) / "home", KBAPI_RATE_PER_KEY="1000000") as server:
            walk = Walk(server, known, server.ask("GET", "/openapi.json").json)
            walk.once()
            before = stored(server)
            refused = _send_while_walking(server, walk, many)
            arrived = stored(server) - before
            walk.once()
            walk.connection.close()
    for fault in walk.faults:
        print(fault)
    of_member = len(walk.seen["/v1/my-submissions"])
    return [
        measured("answers", walk.answers, "", ">= 100"),
        measured("pages of lists", walk.pages, "", ">= 100"),
        measured("faults of answers and lists", len(walk.faults), "", "== 0"),
        measured("results sent that were not stored", refused, "", "== 0"),
        measured("results counted by the server", arrived, "", f"== {many}"),
        measured(
            "chips that came with them, in the list", _new_chips(walk, many), "", f"== {many // 10}"
        ),
        measured("of one member, in the list", of_member, "", f"== {many // 4}"),
    ]


def _send_while_walking(server: Server, walk: Walk, many: int) -> int:
    """How many were not answered with 201; the walk goes on until the last was sent."""
    refused: list[int] = []

    def send(first: int) -> None:
        connection = HTTPConnection("127.0.0.1", server.port, timeout=30)
        for number in range(first, many, SENDERS):
            body = json.dumps(a_result(number))
            headers = {"Content-Type": "application/json"}
            connection.request("POST", "/v1/submissions", body, headers)
            reply = connection.getresponse()
            reply.read()
            if reply.status != 201:
                refused.append(reply.status)
        connection.close()

    senders = [threading.Thread(target=send, args=(first,)) for first in range(SENDERS)]
    for sender in senders:
        sender.start()
    while any(sender.is_alive() for sender in senders):
        walk.once()
    for sender in senders:
        sender.join()
    return len(refused)


def stored(server: Server) -> int:
    """The number of results stored since the server began, from its metrics."""
    lines = server.ask("GET", "/metrics").body.decode().splitlines()
    return sum(int(float(one.rsplit(" ", 1)[1])) for one in lines if 'outcome="stored"' in one)


def _new_chips(walk: Walk, many: int) -> int:
    """How many of the chips that came with the results are in the list."""
    sent = {f"norvane-sable-7-{4100 + number}mx" for number in range(many // 10)}
    return len(sent & {key for (key,) in walk.seen["/v1/chips"]})
