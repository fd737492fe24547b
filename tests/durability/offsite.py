"""Continuous copies off site: the machine is lost in the middle of writes, and a copy restored.

Litestream runs beside the server with the settings of the guide "Backup and restore"; its copy is a
folder here. Points in time are those at which it reports that the copy has everything. Each round
does what once spoiled copies: the first copy is asked for before Litestream opens the database by
itself, and a result is withdrawn soon after a copy. In two rounds results arrive while it is down.
Then all rows of the last copy are compared with those of the lost database.
"""

import re
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from kbapi.pages.views import GUIDES_FOLDER
from kbapi.storage.sqlite.whole_file import digest_tables
from tests.durability._clients import Found, Promises, ask_once, clients, kbapi, read_database
from tests.report import Row, measured
from tests.system.server import Server

LITESTREAM = str(Path(sys.executable).with_name("litestream"))
ROUNDS = (None, signal.SIGTERM, None, signal.SIGKILL, None)
"""How Litestream ends in each round before results arrive without it, if it ends at all."""
RESULTS = 40
FEW_RESULTS = 10
"""So few that Litestream does not empty the log, and does not take its lost lock again."""
OUTAGE_RESULTS = 90
"""More than fill the log up to where SQLite begins it again; a result has some 27 pages."""


@dataclass
class Drill:
    """Where things are, and what had been acknowledged when the copy was complete."""

    folder: Path
    promises: Promises = field(default_factory=Promises)
    point: str = ""
    at_point: dict[int, dict[str, Any]] = field(default_factory=dict)
    at_end: dict[int, dict[str, Any]] = field(default_factory=dict)
    withdrawn: int = 0
    rows: dict[str, str] = field(default_factory=dict)
    """The digests of the tables that were lost."""

    @property
    def home(self) -> Path:
        """The instance."""
        return self.folder / "home"

    @property
    def secret(self) -> Path:
        """Where the secret was saved to."""
        return self.folder / "secret"

    @property
    def socket(self) -> Path:
        """Where Litestream listens."""
        return self.folder / "litestream.sock"

    @property
    def settings(self) -> Path:
        """The settings of Litestream: those of the guide, for these folders."""
        (text,) = re.findall(
            r"```yaml\n(# /etc/litestream.yml.*?)```",
            (GUIDES_FOLDER / "backup.md").read_text(),
            re.DOTALL,
        )
        text = text.replace("/var/lib/kbapi", str(self.home))
        text = text.replace("/run/litestream", str(self.folder))
        text = re.sub(r"url: \S+", f"url: file://{self.folder}/copy", text)
        file = self.folder / "litestream.yml"
        file.write_text(text)
        return file


def measure(*, short: bool = False) -> list[Row]:
    """What copies had that were restored after the machine was lost."""
    rounds = ROUNDS[:1] if short else ROUNDS
    rows: dict[str, int] = {}
    for outage in rounds:
        with tempfile.TemporaryDirectory() as name:
            drill = Drill(Path(name))
            _serve_and_lose(drill, outage)
            for what, found in _what_is_restored(drill).items():
                rows[what] = rows.get(what, 0) + found
    wanted = {"acknowledged results at both points": "> 0"} | {
        what: f"== {len(rounds)}" for what in rows if what.startswith("copies")
    }
    return [
        measured("machines lost", len(rounds), "", f"== {len(rounds)}"),
        *(measured(what, found, "", wanted.get(what, "== 0")) for what, found in rows.items()),
    ]


def _serve_and_lose(drill: Drill, outage: signal.Signals | None) -> None:
    with Server(drill.home) as server, clients(server.port, drill.promises, spare=True):
        if outage is not None:
            with _copying(drill, outage):
                _complete_copy(drill)
                _wait_for(drill, RESULTS)
            _wait_for(drill, OUTAGE_RESULTS)
        with _copying(drill):
            _complete_copy(drill)
            shutil.copy2(drill.home / "secret.key", drill.secret)
            _wait_for(drill, RESULTS)
            drill.at_point = _complete_copy(drill)
            drill.point = datetime.now(UTC).isoformat(timespec="milliseconds")
            _wait_for(drill, FEW_RESULTS)
            drill.withdrawn = min(drill.at_point)
            _withdraw(server, drill.at_point[drill.withdrawn])
            # Not killed: of a commit that is cut off, Litestream takes what SQLite then drops.
            server.end()
            _complete_copy(drill)
    drill.at_end = dict(drill.promises.acknowledged)
    drill.rows = _digests(drill.home / "kbapi.sqlite3")
    shutil.rmtree(drill.home)


@contextmanager
def _copying(drill: Drill, ending: signal.Signals = signal.SIGKILL) -> Iterator[None]:
    command = [LITESTREAM, "replicate", "-config", str(drill.settings)]
    with (drill.folder / "litestream.log").open("ab") as log:
        process = subprocess.Popen(command, stdout=log, stderr=log)
        try:
            while not drill.socket.exists() and process.poll() is None:
                time.sleep(0.005)
            yield
        finally:
            process.send_signal(ending)
            process.wait()
            drill.socket.unlink(missing_ok=True)


def _wait_for(drill: Drill, more: int) -> None:
    wanted, deadline = len(drill.promises.acknowledged) + more, time.monotonic() + 60
    while len(drill.promises.acknowledged) < wanted and time.monotonic() < deadline:
        time.sleep(0.01)


def _complete_copy(drill: Drill) -> dict[int, dict[str, Any]]:
    """What was acknowledged before the copy was brought up to date."""
    acknowledged, database = dict(drill.promises.acknowledged), drill.home / "kbapi.sqlite3"
    command = [LITESTREAM, "sync", "-wait", "-socket", str(drill.socket), str(database)]
    subprocess.run(command, check=True, capture_output=True)
    return acknowledged


def _withdraw(server: Server, result: dict[str, Any]) -> None:
    receipt = {"Authorization": f"Bearer {result['receipt']}"}
    answer = ask_once(server.port, "DELETE", f"/v1/submissions/{result['id']}", **receipt)
    assert answer.status == 204


def _what_is_restored(drill: Drill) -> dict[str, int]:
    at_point = _restored(drill, "point", "-timestamp", drill.point)
    at_end = _restored(drill, "end")
    kept = drill.at_end.keys() - {drill.withdrawn}
    copied = _digests(drill.folder / "end" / "kbapi.sqlite3")
    return {
        "acknowledged results at both points": len(drill.at_point) + len(drill.at_end),
        "of them lost at the point in time": _missing(at_point, drill.at_point.keys()),
        "of them lost at the end": _missing(at_end, kept),
        "tables of the last copy that differ from the lost ones": len(
            {*drill.rows.items()} ^ {*copied.items()}
        ),
        "results stored twice": at_point.doubled + at_end.doubled,
        "copies from before a withdrawal that have the result": at_point.copies[drill.withdrawn],
        "withdrawn results in a later copy": at_end.copies[drill.withdrawn],
        "restored files that are not sound": 2 - at_point.is_sound - at_end.is_sound,
        "receipts of twenty results that no longer work": _refused(drill, kept),
        "answers that should not be": len(drill.promises.odd),
    }


def _restored(drill: Drill, name: str, *options: str) -> Found:
    """The content of an instance that was restored from the copy and checked."""
    file, home = drill.folder / f"{name}.sqlite3", str(drill.folder / name)
    command = [LITESTREAM, "restore", "-o", str(file), *options, f"file://{drill.folder}/copy"]
    subprocess.run(command, check=True, capture_output=True)
    words = ("--without-manifest", "--secret", str(drill.secret), "--home", home)
    done = kbapi("restore", str(file), *words)  # it checks the whole file
    assert done.returncode == 0, (done.stdout, done.stderr)
    return read_database(Path(home) / "kbapi.sqlite3")


def _digests(database: Path) -> dict[str, str]:
    return {one.table: one.sha256 for one in digest_tables(database)}


def _missing(found: Found, numbers: Any) -> int:
    return sum(not found.copies[number] for number in numbers)


def _refused(drill: Drill, kept: Any) -> int:
    with Server(drill.folder / "end", workers=1) as server:
        some = sorted(kept)[:: max(1, len(kept) // 20)]
        return sum(_status_of(server, drill.at_end[number]) != 200 for number in some)


def _status_of(server: Server, result: dict[str, Any]) -> int:
    receipt = {"Authorization": f"Bearer {result['receipt']}"}
    return ask_once(server.port, "GET", f"/v1/submissions/{result['id']}", **receipt).status
