"""A PostgreSQL server that is killed, full or cut off, and kbapi that is killed, during writes."""

import random
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass, field
from http.client import HTTPConnection
from pathlib import Path
from typing import Final, Literal

import psycopg

from tests.durability._clients import CHIP, Promises, ask_once, clients, kbapi, read_server, send
from tests.durability.disk import a_disk, fill
from tests.postgres import PostgresServer, a_postgres_server, database_name
from tests.report import Row, measured, not_measured
from tests.system.faulty_proxy import Link, a_link
from tests.system.server import Server

START = f"/v1/start?chip={CHIP}"
KILLED, STOPPED = "kill -9 of PostgreSQL", "stop of PostgreSQL"
LINK_FAULTS: Final[dict[str, Literal["answers", "reset", "silent"]]] = {
    "lost answers": "answers",
    "connections reset": "reset",
    "a silent network": "silent",
}
FAULTS: Final = (KILLED, STOPPED, *LINK_FAULTS)
KILLS, ROUNDS = 80, 120
SHORT_KILLS, SHORT_ROUNDS = 1, len(FAULTS)
SHORT_S, LONG_S = 1.0, 20.0
LONG_EVERY = 6
"""Of each fault, every sixth is long."""
TABLESPACE_BYTES = 32 << 20
DATA_BYTES = 192 << 20
WRITES_AGAIN_S = 120


@dataclass
class Tally:
    """What one kind of round came to."""

    promises: Promises = field(default_factory=Promises)
    resumed: int = 0
    """Rounds after which results were acknowledged again, with no restart of kbapi."""
    sound: int = 0
    lost: set[int] = field(default_factory=set)
    doubled: set[int] = field(default_factory=set)

    def look(self, url: str) -> None:
        """Nothing; what the database holds now is compared with what was promised."""
        promised = set(self.promises.acknowledged)
        found = read_server(url)
        self.sound += found.is_sound
        self.lost |= promised - set(found.copies)
        self.doubled |= {number for number, copies in found.copies.items() if copies > 1}

    def rows(self, what: str, rounds: int, looks: int) -> list[Row]:
        """The rows of its figures."""
        refused = ", ".join(f"{code} {times}" for code, times in self.promises.refused.items())
        odd = "; ".join(sorted(set(self.promises.odd))[:3])
        return [
            measured(f"{what}: rounds", rounds, "rounds", f"== {rounds}"),
            measured(f"{what}: acknowledged", len(self.promises.acknowledged), "results", "> 0"),
            measured(f"{what}: of them lost", len(self.lost), "results", "== 0"),
            measured(f"{what}: stored twice", len(self.doubled), "results", "== 0"),
            measured(f"{what}: refused with 503", self.promises.refused.total(), "", "", refused),
            measured(f"{what}: odd answers", len(self.promises.odd), "answers", "== 0", odd),
            measured(f"{what}: writing went on", self.resumed, "rounds", f"== {rounds}"),
            measured(f"{what}: database sound", self.sound, "times", f"== {looks}"),
        ]


def measure(*, short: bool = False) -> list[Row]:
    """What was lost or doubled over all rounds; clients repeat under the same keys."""
    rng = random.Random(26)
    with tempfile.TemporaryDirectory() as name, a_postgres_server(fsync=not short) as database:
        folder = Path(name)
        return [
            *_kills_of_kbapi(folder / "kills", database, rng, SHORT_KILLS if short else KILLS),
            *_faults(folder / "faults", database, rng, SHORT_ROUNDS if short else ROUNDS),
            *_full_tablespace(folder / "tablespace", database, spare=short),
            # It needs a server of its own.
            *([] if short else _full_disk(folder / "disk")),
        ]


@contextmanager
def _served(folder: Path, url: str, **settings: str) -> Iterator[Server]:
    folder.mkdir(exist_ok=True)
    with Server(folder / "home", KBAPI_DATABASE=url, **settings) as server:
        yield server


_LOOKS: Final = 100


def _wait_for(reached: Callable[[], bool], limit_s: float = WRITES_AGAIN_S) -> bool:
    deadline = time.monotonic() + limit_s
    while time.monotonic() < deadline:
        if reached():
            return True
        time.sleep(0.01)
    return reached()


def _more(promises: Promises, number: int) -> bool:
    """Whether so many more results were acknowledged, soon enough."""
    wanted = len(promises.acknowledged) + number
    return _wait_for(lambda: len(promises.acknowledged) >= wanted)


def _kills_of_kbapi(
    folder: Path, database: PostgresServer, rng: random.Random, rounds: int
) -> list[Row]:
    tally, url = Tally(), database.create_database()
    folder.mkdir()
    server = Server(folder / "home", KBAPI_DATABASE=url)
    for _ in range(rounds):
        server.start()
        with clients(server.port, tally.promises):
            tally.resumed += _more(tally.promises, rng.randint(1, 60))
            time.sleep(rng.uniform(0, 0.02))
            server.kill()
        tally.look(url)
    server.start()
    _send_what_is_pending(server, tally.promises)
    server.end()
    tally.look(url)
    check = kbapi("check", "--home", str(server.home), KBAPI_DATABASE=url)
    # The server of the short form has no fsync, and the check says so.
    found = [line.split() for line in check.stdout.splitlines()]
    wrong = [words for words in found if words[:1] == ["WRONG"] and words[1] != "server"]
    assert any(words[:2] == ["ok", "values"] for words in found), check.stdout + check.stderr
    return [
        *tally.rows("kill -9 of kbapi", rounds, rounds + 1),
        measured("kill -9 of kbapi: faults that kbapi check finds", len(wrong), "", "== 0"),
    ]


def _send_what_is_pending(server: Server, promises: Promises) -> None:
    """Also one in ten of the acknowledged, whose answer must be the first one."""
    with closing(HTTPConnection("127.0.0.1", server.port, timeout=60)) as connection:
        for number in sorted({*promises.pending, *list(promises.acknowledged)[::10]}):
            promises.note(number, send(connection, number))


def _faults(folder: Path, database: PostgresServer, rng: random.Random, rounds: int) -> list[Row]:
    """One server of kbapi lives through all of them."""
    tally, url = Tally(), database.create_database()
    resumed: Counter[str] = Counter()
    longest_s = 0.0
    with (
        a_link(database.port) as link,
        _served(folder, database.url(database_name(url), link.port)) as server,
    ):
        workers = server.all_workers()
        for number in range(rounds):
            fault = FAULTS[number % len(FAULTS)]
            is_long = number // len(FAULTS) % LONG_EVERY == LONG_EVERY - 1
            seconds = LONG_S if is_long else rng.uniform(0.05, SHORT_S)
            with clients(server.port, tally.promises, spare=True):
                _more(tally.promises, rng.randint(1, 40))
                _have_fault(fault, seconds, database, link)
                mended = time.monotonic()
                resumed[fault] += _more(tally.promises, 20)
                longest_s = max(longest_s, time.monotonic() - mended)
            tally.look(url)
        died = workers - server.worker_processes()
        _send_what_is_pending(server, tally.promises)
        server.end()
    each = rounds // len(FAULTS)
    tally.resumed = resumed.total()
    return [
        *tally.rows("faults of PostgreSQL and its network", rounds, rounds),
        *(
            measured(f"{fault}: writing went on", resumed[fault], "rounds", f"== {each}")
            for fault in FAULTS
        ),
        measured("answers of PostgreSQL that were lost", link.lost_answers, "answers", "> 0"),
        measured("longest until 20 more were stored", longest_s, "s", ""),
        measured("workers that died of these faults", len(died), "", "== 0"),
    ]


def _have_fault(fault: str, seconds: float, database: PostgresServer, link: Link) -> None:
    if fault in LINK_FAULTS:
        link.cut(LINK_FAULTS[fault])
        time.sleep(seconds)
        link.mend()
        return
    if fault == KILLED:
        database.kill()
    else:
        database.stop()
    time.sleep(seconds)
    database.start()


def _full_tablespace(folder: Path, database: PostgresServer, *, spare: bool) -> list[Row]:
    """The log of PostgreSQL has room, its tables have none: a statement fails, the server runs."""
    what = "full tablespace"
    with a_disk_for(database, TABLESPACE_BYTES) as disk:
        if disk is None:
            return [not_measured(what, "", "== 0", "a disk of its own takes the super-user")]
        database.create_tablespace("small", disk)
        url = database.create_database(tablespace="small")
        rows = _write_without_room(what, folder, url, disk, None, spare=spare)
        database.drop_database(url)
        database.execute("DROP TABLESPACE small")
    return rows


def _full_disk(folder: Path) -> list[Row]:
    """PostgreSQL stops when it has no room for its log; with room it is started again."""
    what = "full disk of PostgreSQL"
    with a_disk_for(None, DATA_BYTES) as disk:
        if disk is None:
            return [not_measured(what, "", "== 0", "a disk of its own takes the super-user")]
        data = disk / "data"
        with a_postgres_server(data=data, max_wal_size="32MB") as database:
            url = database.create_database()
            return _write_without_room(what, folder, url, disk, database, spare=False)


def _use_up_log(database: PostgresServer) -> None:
    """Begin new segments of the log until there is no room for one, and the server has ended."""
    with suppress(psycopg.Error):
        while True:
            database.execute("SELECT pg_logical_emit_message(false, '', ''), pg_switch_wal()")
    _wait_for(lambda: database.process.poll() is not None)


@contextmanager
def a_disk_for(database: PostgresServer | None, size: int) -> Iterator[Path | None]:
    """A folder that is a disk of this size, which the user of PostgreSQL may enter."""
    with tempfile.TemporaryDirectory(prefix="kbapi-disk-") as name:
        folder = Path(name)
        folder.chmod(0o711)
        with a_disk(folder / "disk", size) as is_a_disk:
            if is_a_disk:
                (folder / "disk").chmod(0o711)
            yield folder / "disk" if is_a_disk else None


def _first_trouble(server: Server) -> str:
    """The state of writes that readiness shows first; `accepted` if it shows no other one."""
    for _ in range(_LOOKS):
        ready = ask_once(server.port, "GET", "/health/ready")
        shown: str = ready.body.get("writes") or ready.body["title"]
        if shown != "accepted":
            break
        time.sleep(0.1)
    return shown


def _write_without_room(
    what: str,
    folder: Path,
    url: str,
    disk: Path,
    stops: PostgresServer | None,
    *,
    spare: bool,
) -> list[Row]:
    tally = Tally()
    with _served(folder, url) as server:
        workers = server.all_workers()
        with clients(server.port, tally.promises, spare=spare):
            _more(tally.promises, 30)
            filler = disk / "filler"
            fill(filler)
            if stops is not None:
                _use_up_log(stops)
            refused = tally.promises.refused.total() + 30
            is_refused = _wait_for(lambda: tally.promises.refused.total() >= refused)
            asked = ask_once(server.port, "GET", START)
            # A write that needs no new page still succeeds, and ends the state for a moment.
            shown = _first_trouble(server)
            filler.unlink()
            if stops is not None:
                stops.start()
            tally.resumed += _more(tally.promises, 30)
        died = workers - server.worker_processes()
        _send_what_is_pending(server, tally.promises)
        server.end()
    tally.look(url)
    return [
        *tally.rows(what, 1, 1),
        measured(f"{what}: writes were refused", is_refused, "", "== 1"),
        measured(f"{what}: status of a question meanwhile", asked.status, "", ""),
        measured(f"{what}: health shows it", shown != "accepted", "", "== 1", shown),
        measured(f"{what}: workers that died", len(died), "", "== 0"),
    ]
