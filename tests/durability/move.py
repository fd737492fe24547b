"""`kbapi move` that is killed, or finds a full disk, while clients send results."""

import hashlib
import json
import os
import random
import shutil
import sqlite3
import subprocess
import tempfile
import time
from collections import Counter
from contextlib import closing, suppress
from dataclasses import dataclass, field
from http.client import HTTPConnection
from itertools import count
from pathlib import Path
from typing import Any, Final

import psycopg

from kbapi.demo.members import install_catalogue
from kbapi.storage.schema import METADATA
from tests.bench._many_units import fill_results
from tests.durability._clients import (
    CHIP,
    Promises,
    a_result,
    ask_once,
    clients,
    kbapi,
    send,
)
from tests.durability.disk import fill
from tests.durability.postgres import WRITES_AGAIN_S, a_disk_for
from tests.makers import an_instance
from tests.outside.demo_instance import fill as fill_demo
from tests.postgres import PostgresServer, a_postgres_server
from tests.processes import KBAPI, ForkedKbapi, forks
from tests.report import Row, measured, not_measured
from tests.system.server import Server

QUESTIONS: Final = (f"/v1/start?chip={CHIP}", f"/v1/stability?chip={CHIP}", f"/v1/chips/{CHIP}")
ROUNDS, SHORT_ROUNDS = 60, 2
AIMED_EVERY: Final = 3
"""Of each direction, one kill in three comes when the old place has just been closed."""
FRESH_EVERY: Final = 2
"""Of each direction, one move in two goes to an empty place; the others to one that was left."""
NEVER_SENT: Final = 9_000_001
BEFORE: Final = 40
"""Results that are acknowledged before each kill, and lists of others to compare."""
MOVED_TO: Final = "SELECT value FROM mark WHERE name = 'moved_to'"
TABLES_OF_SERVER: Final = "SELECT table_name FROM information_schema.tables WHERE table_schema = "


@dataclass(frozen=True)
class Place:
    """Where an instance can be: a folder, or a database that a server reaches from a folder."""

    home: Path
    url: str = ""

    @property
    def name(self) -> str:
        """What `kbapi move --to` takes."""
        return self.url or str(self.home)

    @property
    def settings(self) -> dict[str, str]:
        """The variables of a command on this place."""
        return {"KBAPI_DATABASE": self.url}

    @property
    def database(self) -> Path:
        """The file of the folder."""
        return self.home / "kbapi.sqlite3"

    def is_closed(self) -> bool:
        """Whether the place records that the instance was moved from it."""
        if self.url:
            with psycopg.connect(self.url) as connection:
                return connection.execute(MOVED_TO).fetchone() is not None
        lock = self.home / "move.lock"
        return lock.exists() and lock.stat().st_size > 0

    def accepts_results(self) -> bool:
        """Whether a server that was started here would store results."""
        if not self.url:
            return self.database.exists() and not self.is_closed()
        with psycopg.connect(self.url) as connection:
            found = connection.execute(f"{TABLES_OF_SERVER} current_schema()").fetchall()
            tables = {name for (name,) in found}
        return "mark" in tables and "unfinished_copy" not in tables and not self.is_closed()

    def rows(self) -> dict[str, list[str]]:
        """Every row of every table as a text, read without kbapi."""
        found = {}
        for table in METADATA.sorted_tables:
            names = ", ".join(sorted(f'"{column.name}"' for column in table.columns))
            found[table.name] = sorted(map(_as_text, self._all(f"SELECT {names} FROM {table}")))
        return found

    def _all(self, statement: str) -> list[Any]:
        if self.url:
            with psycopg.connect(self.url) as server:
                return server.execute(statement).fetchall()
        with closing(sqlite3.connect(self.database)) as file:
            return file.execute(statement).fetchall()

    def kept(self) -> list[str]:
        """The names under which this place keeps what it had before; they are removed."""
        if not self.url:
            files = sorted(self.home.glob("kbapi.sqlite3.before-*"))
            for file in files:
                file.unlink()
            return [file.name for file in files]
        with psycopg.connect(self.url, autocommit=True) as server:
            found = server.execute(
                "SELECT nspname FROM pg_namespace WHERE nspname LIKE 'before%'"
            ).fetchall()
            for (name,) in found:
                server.execute(f"DROP SCHEMA {name} CASCADE")
        return [name for (name,) in found]


def _as_text(row: Any) -> str:
    return json.dumps(row, default=lambda one: one.hex() if isinstance(one, bytes) else str(one))


def dump_of(database: Path) -> str:
    """The SHA-256 of all that the file has, as statements, with the numbers of its header."""
    digest = hashlib.sha256()
    with closing(sqlite3.connect(database)) as connection:
        for name in ("user_version", "application_id"):
            digest.update(repr(connection.execute(f"PRAGMA {name}").fetchone()).encode())
        for statement in connection.iterdump():
            digest.update(statement.encode())
    return digest.hexdigest()


_NUMBERS: Final = count(1)


class Move:
    """A `kbapi move` in a process of its own, and what it prints."""

    def __init__(self, old: Place, new: Place) -> None:
        self.log = old.home.parent / f"move-{next(_NUMBERS)}.log"
        self.log.touch()
        words = ["move", "--to", new.name, "--home", str(old.home), "--progress"]
        environment = {**os.environ, **old.settings, "KBAPI_MIN_FREE_BYTES": "0"}
        self.process: ForkedKbapi | subprocess.Popen[bytes]
        if forks():
            streams = (Path(os.devnull), self.log, self.log)
            self.process = ForkedKbapi(words, streams, environment)
        else:
            with self.log.open("ab") as log:
                self.process = subprocess.Popen(
                    [*KBAPI, *words], stdout=log, stderr=log, env=environment
                )

    def has_begun(self) -> bool:
        """Whether it shows progress, or has ended."""
        return self.log.stat().st_size > 0 or self.process.poll() is not None

    def run(self) -> float:
        """The seconds from its first sign to its end, which is awaited."""
        while not self.has_begun():
            time.sleep(0.002)
        began_s = time.monotonic()
        self.process.wait(600)
        return time.monotonic() - began_s

    def kill_after(self, seconds: float) -> None:
        """Nothing; kill -9 so long after its first sign."""
        while not self.has_begun():
            time.sleep(0.001)
        time.sleep(seconds)
        self._kill()

    def kill_once_closed(self, old: Place) -> None:
        """Nothing; kill -9 as soon as the old place is closed."""
        while self.process.poll() is None and not old.is_closed():
            time.sleep(0.0005)
        self._kill()

    def _kill(self) -> None:
        self.process.kill()
        self.process.wait(60)

    @property
    def text(self) -> str:
        """What it printed, in one line."""
        return " ".join(self.log.read_text().split())

    @property
    def status(self) -> int | None:
        """Its exit status."""
        return self.process.poll()


@dataclass
class Tally:
    """What the rounds of one direction came to."""

    promises: Promises
    found: Counter[str] = field(default_factory=Counter)
    wrong: list[str] = field(default_factory=list)
    longest_s: float = 1.0
    """Of the last whole move, from its first sign to its end."""

    def note(self, what: str, holds: bool, otherwise: str = "") -> None:
        """Nothing; counts what must hold in each round."""
        self.found[what] += holds
        if not holds:
            self.wrong.append(f"{what}: {otherwise}")


MUST_HOLD: Final = (
    "results taken again, or a message that says how to go on",
    "no second place that takes results",
    "second move completed",
    "rows equal in both places",
    "acknowledged results there once",
    "answers equal to the byte",
    "receipts, keys and repeated requests valid",
)


class Rounds:
    """An instance that is moved to and fro: each move is killed once, and then run again."""

    def __init__(self, folder: Path, database: PostgresServer, rng: random.Random) -> None:
        self._folder, self._database, self._rng = folder, database, rng
        self.promises = Promises()
        self.tallies = {True: Tally(self.promises), False: Tally(self.promises)}
        self.here = Place(folder / "file-0")
        # Servers of PostgreSQL have a folder of their own: the other one can then be moved back to.
        self._host = folder / "host"
        self._left: Place | None = None
        self._number = 0
        folder.mkdir()
        self.here.home.mkdir(mode=0o700)
        install_catalogue(self.here.home / "catalogue")
        kbapi("db", "upgrade", "--home", str(self.here.home)).check_returncode()
        shutil.copytree(self.here.home, self._host, ignore=shutil.ignore_patterns("kbapi.*"))
        words = ("keys", "add", "--scope", "submit", "--json", "--home", str(self.here.home))
        added = kbapi(*words)
        self._key = json.loads(added.stdout)["key"]

    def run(self, rounds: int) -> list[Row]:
        """The figures of so many rounds, half of them in each direction."""
        server = self._server_at(self.here)
        for number in range(rounds):
            server = self._round(number // 2, server)
        server.end()
        return [*self._rows(rounds), *self._there_and_back()]

    def _server_at(self, place: Place) -> Server:
        server = Server(place.home, **place.settings)
        server.start()
        return server

    def _round(self, number: int, server: Server) -> Server:
        """The server of the new place."""
        old, new = self.here, self._next_place(is_fresh=number % FRESH_EVERY == 0)
        tally = self.tallies[bool(new.url)]
        with clients(server.port, self.promises, spare=True):
            self._more(BEFORE)
            move = Move(old, new)
            if number % AIMED_EVERY == AIMED_EVERY - 1:
                move.kill_once_closed(old)
            else:
                move.kill_after(self._rng.uniform(0, 1.05 * tally.longest_s))
            self._look_after_kill(tally, server, old, new, move)
            again = Move(old, new)
            tally.longest_s = again.run()
        is_whole = again.status == 0 or "is complete" in again.text
        tally.note("second move completed", is_whole, again.text[-300:])
        answers = self._answers(server)
        server.kill()
        tally.found["kept of before"] += len(new.kept())
        self._compare(tally, old, new)
        server = self._server_at(new)
        tally.note("answers equal to the byte", self._answers(server) == answers)
        tally.note("receipts, keys and repeated requests valid", self._are_valid(server))
        self.here, self._left = new, old
        return server

    def _next_place(self, *, is_fresh: bool) -> Place:
        if self._left is not None and not is_fresh:
            return self._left
        self._number += 1
        if self.here.url:
            return Place(self._folder / f"file-{self._number}")
        return Place(self._host, self._database.create_database())

    def _more(self, number: int) -> bool:
        wanted = len(self.promises.acknowledged) + number
        deadline = time.monotonic() + WRITES_AGAIN_S
        while len(self.promises.acknowledged) < wanted and time.monotonic() < deadline:
            time.sleep(0.01)
        return len(self.promises.acknowledged) >= wanted

    def _look_after_kill(
        self, tally: Tally, server: Server, old: Place, new: Place, move: Move
    ) -> None:
        is_closed, is_double = old.is_closed(), False
        if not is_closed:
            goes_on = self._more(8)
            why = f"refused: {dict(self.promises.refused)}"
        else:
            refused = ask_once(server.port, "POST", "/v1/submissions", a_result(NEVER_SENT))
            asked = server.ask("GET", QUESTIONS[0], timeout=WRITES_AGAIN_S)
            goes_on = refused.status == 503 and "moved this instance" in refused.body["detail"]
            goes_on = goes_on and asked.status == 200
            why = f"{refused} {asked.status}"
        tally.note(MUST_HOLD[0], goes_on, why)
        takes_results = new.accepts_results()
        is_double = takes_results and not is_closed
        tally.note(MUST_HOLD[1], not is_double)
        outcome = "had ended" if move.status == 0 else "before the old place closed"
        if move.status != 0 and is_closed:
            outcome = "after the new place opened" if takes_results else "between both"
        tally.found[outcome] += 1

    def _compare(self, tally: Tally, old: Place, new: Place) -> None:
        there = new.rows()
        differs = [name for name, rows in old.rows().items() if rows != there[name]]
        tally.note("rows equal in both places", not differs, ", ".join(differs))
        documents = new._all("SELECT document FROM submission")
        numbers = Counter(
            int(json.loads(text)["client"].partition("/")[2]) for (text,) in documents
        )
        lost = [one for one in self.promises.acknowledged if numbers[one] == 0]
        doubled = [one for one, copies in numbers.items() if copies > 1]
        tally.found["lost"] += len(lost)
        tally.found["doubled"] += len(doubled)
        tally.note("acknowledged results there once", not (lost or doubled))

    def _answers(self, server: Server) -> list[tuple[int, bytes]]:
        replies = [server.ask("GET", path, timeout=WRITES_AGAIN_S) for path in QUESTIONS]
        return [(reply.status, reply.body) for reply in replies]

    def _are_valid(self, server: Server) -> bool:
        drawn = self._rng.sample(sorted(self.promises.acknowledged), 20)
        odd = len(self.promises.odd)
        statuses = set()
        with closing(HTTPConnection("127.0.0.1", server.port, timeout=60)) as connection:
            for number in drawn:
                # The answer to a repeated request must be the first one.
                self.promises.note(number, send(connection, number))
                one = self.promises.acknowledged[number]
                headers = {"Authorization": f"Bearer {one['receipt']}"}
                statuses.add(server.ask("GET", one["links"]["self"], headers=headers).status)
        keyed = server.ask("GET", QUESTIONS[0], headers={"Authorization": f"Bearer {self._key}"})
        statuses.add(keyed.status)
        return statuses == {200} and len(self.promises.odd) == odd

    def _rows(self, rounds: int) -> list[Row]:
        rows = []
        for to_server, tally in self.tallies.items():
            what = "to PostgreSQL" if to_server else "to a file"
            number = (rounds + to_server) // 2
            moments = ("before the old place closed", "between both", "after the new place opened")
            met = ", ".join(f"{moment} {tally.found[moment]}" for moment in (*moments, "had ended"))
            rows.append(measured(f"{what}: kills", number, "", f"== {number}", met))
            for must in MUST_HOLD:
                notes = "; ".join(one for one in tally.wrong if one.startswith(must))
                rows.append(
                    measured(f"{what}: {must}", tally.found[must], "", f"== {number}", notes)
                )
            rows.append(measured(f"{what}: lost", tally.found["lost"], "results", "== 0"))
            rows.append(
                measured(f"{what}: stored twice", tally.found["doubled"], "results", "== 0")
            )
            kept = tally.found["kept of before"]
            rows.append(measured(f"{what}: kept of before", kept, "", f"<= {number}"))
        promises = self.promises
        refused = ", ".join(f"{code} {times}" for code, times in promises.refused.items())
        odd = "; ".join(sorted(set(promises.odd))[:3])
        return [
            *rows,
            measured("acknowledged", len(promises.acknowledged), "results", "> 0"),
            measured("refused with 503", promises.refused.total(), "", "", refused),
            measured("odd answers", len(promises.odd), "", "== 0", odd),
        ]

    def _there_and_back(self) -> list[Row]:
        if self.here.url:
            self._move_to(Place(self._folder / "last"))
        first = dump_of(self.here.database)
        self._move_to(Place(self._host, self._database.create_database()))
        self._move_to(Place(self._folder / "back"))
        same = dump_of(self.here.database) == first
        check = kbapi("check", "--home", str(self.here.home))
        return [
            measured("there and back: dump equal to the byte", same, "", "== 1"),
            measured("exit status of kbapi check at the end", check.returncode, "", "== 0"),
        ]

    def _move_to(self, new: Place) -> None:
        _move_whole(self.here, new)
        self.here = new


# A disk that is full

DISK_BYTES: Final = 32 << 20
LEFT_BYTES: Final = 1 << 20
UNITS: Final = 5_000
"""Their rows take several times what is left of the disk."""


def _full_disks(folder: Path, database: PostgresServer) -> list[Row]:
    """The new place has no room at first: the tablespace of PostgreSQL, and then a folder."""
    folder.mkdir()
    old = Place(_filled(folder / "filled", pools=1, results=UNITS))
    rows = []
    for to_server in (True, False):
        what = f"full disk of the new {'tablespace' if to_server else 'folder'}"
        with a_disk_for(database if to_server else None, DISK_BYTES) as disk:
            if disk is None:
                why = "a disk of its own takes the super-user"
                return [*rows, not_measured(what, "", "== 1", why)]
            if to_server:
                database.create_tablespace("little", disk)
                new = Place(old.home, database.create_database(tablespace="little"))
            else:
                new = Place(disk / "home")
            rows += _move_without_room(what, old, new, disk / "filler")
            if to_server:
                old = Place(old.home, database.create_database())
                _move_whole(new, old)
                database.drop_database(new.url)
                database.execute("DROP TABLESPACE little")
    return rows


def _move_without_room(what: str, old: Place, new: Place, filler: Path) -> list[Row]:
    before = old.rows()
    fill(filler)
    os.truncate(filler, filler.stat().st_size - LEFT_BYTES)
    move = Move(old, new)
    move.run()
    says_so = "disk space" in move.text
    is_untouched = old.accepts_results() and old.rows() == before
    left = [] if new.url else sorted(path.name for path in new.home.glob("kbapi.sqlite3*"))
    opens = new.accepts_results()
    filler.unlink()
    again = Move(old, new)
    again.run()
    is_whole = again.status == 0 and new.rows() == before and new.accepts_results()
    return [
        measured(f"{what}: refused with a message", says_so and move.status == 3, "", "== 1"),
        measured(f"{what}: old place untouched and open", is_untouched, "", "== 1"),
        measured(f"{what}: new place takes results", opens, "", "== 0"),
        measured(f"{what}: files of a half copy", len(left), "files", "== 0", ", ".join(left)),
        measured(
            f"{what}: whole move once there is space", is_whole, "", "== 1", again.text[-200:]
        ),
    ]


def _filled(folder: Path, pools: int, results: int) -> Path:
    """The folder of an instance with rows of every kind of a result."""
    folder.mkdir()
    made = an_instance(folder)
    for place in range(pools):
        with made.writing() as connection:
            fill_results(connection, place, results)
    made.close()
    return made.settings.home


def _move_whole(old: Place, new: Place) -> None:
    move = Move(old, new)
    move.run()
    assert move.status == 0, move.text


# Many rows

DEMO_RESULTS: Final = 6_000
POOLS, RESULTS_OF_A_POOL = 10, 30_000
"""A million rows."""


def _sizes(folder: Path, database: PostgresServer) -> list[Row]:
    folder.mkdir()
    fill_demo(folder / "demo", DEMO_RESULTS)
    return [
        *_there_and_back("6,000 results of the demo", folder / "demo" / "home", database),
        *_there_and_back(
            "a million rows", _filled(folder / "many", POOLS, RESULTS_OF_A_POOL), database
        ),
    ]


def _there_and_back(what: str, home: Path, database: PostgresServer) -> list[Row]:
    here, back = Place(home), Place(home.parent / "back")
    dump, there = dump_of(here.database), Place(home, database.create_database())
    rows = [*_costs(f"{what}: there", here, there, database)]
    rows += _costs(f"{what}: back", there, back, database)
    database.drop_database(there.url)
    same = dump_of(back.database) == dump
    mb = back.database.stat().st_size / 1e6
    return [
        *rows,
        measured(f"{what}: dump equal to the byte", same, "", "== 1", f"{mb:.0f} MB"),
    ]


def _costs(what: str, old: Place, new: Place, database: PostgresServer) -> list[Row]:
    """Time and memory of the command and of the server's processes."""
    words = ["move", "--to", new.name, "--home", str(old.home), "--progress"]
    began_s, server_s, server_mb = time.monotonic(), database.cpu_seconds(), 0.0
    with tempfile.TemporaryFile() as log:
        process = subprocess.Popen(
            [*KBAPI, *words], stdout=log, stderr=log, env={**os.environ, **old.settings}
        )
        while not (ended := os.wait4(process.pid, os.WNOHANG))[0]:
            server_mb = max([server_mb, *map(_own_mb, database.processes())])
            time.sleep(0.2)
        seconds, usage = time.monotonic() - began_s, ended[2]
        process.returncode = os.waitstatus_to_exitcode(ended[1])
        log.seek(0)
        text = log.read().decode()
    assert process.returncode == 0, text
    cpu_s = usage.ru_utime + usage.ru_stime
    counted = text.count("rows copied:")
    (counts,) = (line for line in text.splitlines() if "each compared" in line)
    return [
        measured(what, seconds, "s", "", counts.partition(": ")[2]),
        measured(f"{what}: CPU of the command", cpu_s, "s", ""),
        measured(f"{what}: CPU of PostgreSQL", database.cpu_seconds() - server_s, "s", ""),
        measured(f"{what}: most memory of the command", usage.ru_maxrss / 1_000, "MB", "<= 400"),
        measured(f"{what}: most memory of a process of PostgreSQL", server_mb, "MB", "<= 400"),
        measured(f"{what}: lines of progress while rows are copied", counted, "lines", ">= 2"),
    ]


def _own_mb(process: int) -> float:
    """The memory of a process that it shares with no other one."""
    with suppress(OSError):
        for line in Path(f"/proc/{process}/status").read_text().splitlines():
            if line.startswith("RssAnon:"):
                return int(line.split()[1]) / 1_000
    return 0.0


def measure(*, short: bool = False) -> list[Row]:
    """What was lost, doubled or left unusable, and what many rows cost."""
    rng = random.Random(26)
    with tempfile.TemporaryDirectory() as name, a_postgres_server(fsync=not short) as database:
        folder = Path(name)
        rounds = Rounds(folder / "kills", database, rng)
        return [
            *_full_disks(folder / "full", database),
            *rounds.run(SHORT_ROUNDS if short else ROUNDS),
            *([] if short else _sizes(folder / "sizes", database)),
        ]
