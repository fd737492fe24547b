"""The drill: serve, write, back up while others write, write more, kill, restore, serve."""

import shutil
import tempfile
from collections.abc import Iterable
from contextlib import closing
from dataclasses import dataclass, field
from http.client import HTTPConnection
from pathlib import Path
from typing import Any

from tests.durability._clients import CHIP, Promises, ask, clients, kbapi, read_database, send
from tests.report import Row, measured
from tests.system.server import Server

QUESTIONS = (
    f"/v1/start?chip={CHIP}",
    f"/v1/start?chip={CHIP}&stable_share=0.8&detail=percentiles",
    f"/v1/stability?chip={CHIP}",
    f"/v1/locks?chip={CHIP}",
    f"/v1/chips/{CHIP}",
)


@dataclass
class Drill:
    """Where things are, and what was promised before and after the backup."""

    folder: Path
    before: dict[int, dict[str, Any]] = field(default_factory=dict)
    after: dict[int, dict[str, Any]] = field(default_factory=dict)
    answers: list[Any] = field(default_factory=list)
    backup: Path = Path()

    @property
    def home(self) -> Path:
        """The instance."""
        return self.folder / "home"

    @property
    def secret(self) -> Path:
        """Where the secret was backed up to."""
        return self.folder / "safe" / "secret"


def measure(*, short: bool = False) -> list[Row]:
    """What of a backup answers again, with its secret and without."""
    with tempfile.TemporaryDirectory() as name:
        drill = Drill(Path(name))
        _serve_and_kill(drill, results=40 if short else 2_000)
        _kbapi("restore", str(drill.backup), "--home", str(drill.home))
        rows = _what_answers(drill, drill.home, "in place")
        elsewhere = drill.folder / "elsewhere"
        _kbapi(
            "restore", str(drill.backup), "--secret", str(drill.secret), "--home", str(elsewhere)
        )
        rows += _what_answers(drill, elsewhere, "in a new folder")
        return rows + _without_the_secret(drill)


def _serve_and_kill(drill: Drill, results: int) -> None:
    with Server(drill.home) as server:
        with closing(HTTPConnection("127.0.0.1", server.port, timeout=60)) as connection:
            for number in range(results):
                drill.before[number] = send(connection, number).body
        drill.answers = _answers(server)
        # One backup is made of a state that is known to the answer, one while others write.
        _kbapi("backup", str(drill.folder / "quiet"), "--home", str(drill.home))
        (drill.backup,) = (drill.folder / "quiet").glob("kbapi-*.sqlite3")
        promises = Promises(first=results)
        with clients(server.port, promises):
            words = ("backup", str(drill.folder / "busy"), "--secret", str(drill.secret))
            _kbapi(*words, "--home", str(drill.home))
        drill.after = promises.acknowledged
        server.kill()


def _what_answers(drill: Drill, home: Path, where: str) -> list[Row]:
    with Server(home) as server:
        readable = _count(server, drill.before.values(), 200)
        gone = _count(server, drill.after.values(), 410)
        same = _answers(server) == drill.answers
        with closing(HTTPConnection("127.0.0.1", server.port, timeout=60)) as connection:
            first = send(connection, 0).body == drill.before[0]
            new = send(connection, 9_000_000).status
        server.end()
    check = kbapi("check", "--home", str(home))
    results = len(drill.before)
    return [
        measured(
            f"{where}: results whose receipt reads them", readable, "results", f"== {results}"
        ),
        measured(f"{where}: later results told as gone", gone, "results", f"== {len(drill.after)}"),
        measured(f"{where}: answers equal to the byte", same, "", "== 1"),
        measured(f"{where}: an old key gets its first answer", first, "", "== 1"),
        measured(f"{where}: status of a new result", new, "", "== 201"),
        measured(f"{where}: exit status of kbapi check", check.returncode, "", "== 0"),
    ]


def _without_the_secret(drill: Drill) -> list[Row]:
    home = drill.folder / "other"
    unforced = kbapi("restore", str(drill.backup), "--home", str(home))
    (busy,) = (drill.folder / "busy").glob("kbapi-*.sqlite3")
    copy = drill.folder / "copy.sqlite3"
    shutil.copy(busy, copy)
    found = read_database(copy)
    _kbapi("restore", str(busy), "--without-secret", "--home", str(home))
    with Server(home) as server:
        refused = _count(server, drill.before.values(), 403)
        asked = [_ask(server, path) for path in QUESTIONS]
        server.end()
    return [
        measured("no secret: exit status until it is said", unforced.returncode, "", "== 3"),
        measured(
            "no secret: receipts that fit no more", refused, "results", f"== {len(drill.before)}"
        ),
        measured(
            "no secret: questions answered",
            sum(one[0] == 200 for one in asked),
            "",
            f"== {len(QUESTIONS)}",
        ),
        measured("backup while writing: sound", found.is_sound, "", "== 1"),
        measured(
            "backup while writing: results of before in it",
            sum(1 for number in drill.before if found.copies[number] == 1),
            "results",
            f"== {len(drill.before)}",
        ),
        measured("backup while writing: half results in it", _halves(found.counts), "", "== 0"),
    ]


def _halves(counts: dict[str, int]) -> int:
    return max(counts.values()) - min(counts.values())


def _answers(server: Server) -> list[Any]:
    return [_ask(server, path) for path in QUESTIONS]


def _ask(server: Server, path: str) -> tuple[int, bytes, str | None]:
    reply = server.ask("GET", path)
    return reply.status, reply.body, reply.headers.get("ETag")


def _count(server: Server, answers: Iterable[dict[str, Any]], status: int) -> int:
    """How many of these results are answered so with their receipts."""
    with closing(HTTPConnection("127.0.0.1", server.port, timeout=60)) as connection:
        statuses = [
            ask(
                connection,
                "GET",
                one["links"]["self"],
                headers={"Authorization": f"Bearer {one['receipt']}"},
            ).status
            for one in answers
        ]
    return statuses.count(status)


def _kbapi(*words: str) -> None:
    kbapi(*words).check_returncode()
