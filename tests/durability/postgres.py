"""A PostgreSQL server that is killed, full or cut off, and kbapi that is killed, during writes."""

import random
import signal
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from http.client import HTTPConnection
from pathlib import Path

from tests.durability._clients import CHIP, Promises, ask_once, clients, kbapi, read_server, send
from tests.durability.disk import a_disk, fill
from tests.postgres import PostgresServer, a_postgres_server
from tests.report import Row, measured, not_measured
from tests.system.faulty_proxy import Link, a_link
from tests.system.server import Server

START = f"/v1/start?chip={CHIP}"
KILLS, RESTARTS, CUTS = 80, 40, 80
SHORT_KILLS, SHORT_RESTARTS, SHORT_CUTS = 2, 3, 4
SHORT_CUT_S, LONG_CUT_S = 1.0, 20.0
LONG_CUTS_EVERY = 10
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
            *_restarts(folder / "restarts", database, rng, SHORT_RESTARTS if short else RESTARTS),
            *_cuts(folder / "cuts", database, rng, SHORT_CUTS if short else CUTS, is_short=short),
            *_full_tablespace(folder / "tablespace", database, spare=short),
            *_full_disk(folder / "disk", spare=short),
        ]


@contextmanager
def _served(folder: Path, url: str, **settings: str) -> Iterator[Server]:
    folder.mkdir(exist_ok=True)
    with Server(folder / "home", KBAPI_DATABASE=url, **settings) as server:
        yield server


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
    return [
        *tally.rows("kill -9 of kbapi", rounds, rounds + 1),
        measured("kill -9 of kbapi: exit status of kbapi check", check.returncode, "", "== 0"),
    ]


def _send_what_is_pending(server: Server, promises: Promises) -> None:
    """Also one in ten of the acknowledged, whose answer must be the first one."""
    with closing(HTTPConnection("127.0.0.1", server.port, timeout=60)) as connection:
        for number in sorted({*promises.pending, *list(promises.acknowledged)[::10]}):
            promises.note(number, send(connection, number))


def _restarts(folder: Path, database: PostgresServer, rng: random.Random, rounds: int) -> list[Row]:
    """kill -9 every second time; else a stop that ends sessions, at once or in good order."""
    tally, url = Tally(), database.create_database()
    with _served(folder, url) as server:
        workers = server.all_workers()
        for number in range(rounds):
            with clients(server.port, tally.promises, spare=True):
                _more(tally.promises, rng.randint(1, 40))
                if number % 2 == 0:
                    database.kill()
                else:
                    database.stop(signal.SIGINT if number % 4 == 1 else signal.SIGQUIT)
                time.sleep(rng.uniform(0, 1))
                database.start()
                tally.resumed += _more(tally.promises, 20)
            tally.look(url)
        died = workers - server.worker_processes()
        _send_what_is_pending(server, tally.promises)
        server.end()
    return [
        *tally.rows("restart of PostgreSQL", rounds, rounds),
        measured("restart of PostgreSQL: workers that died", len(died), "", "== 0"),
    ]


def _cuts(
    folder: Path, database: PostgresServer, rng: random.Random, rounds: int, *, is_short: bool
) -> list[Row]:
    tally, url = Tally(), database.create_database()
    longest = 0.0
    with a_link(database.port) as link:
        through = database.url(url.rpartition("/")[2], link.port)
        with _served(folder, through) as server:
            workers = server.all_workers()
            for number in range(rounds):
                is_long = number % LONG_CUTS_EVERY == LONG_CUTS_EVERY - 1
                seconds = LONG_CUT_S if is_long else rng.uniform(0.05, SHORT_CUT_S)
                with clients(server.port, tally.promises, spare=True):
                    _more(tally.promises, rng.randint(1, 40))
                    begun = time.monotonic()
                    _cut(link, number, seconds)
                    tally.resumed += _more(tally.promises, 20)
                    longest = max(longest, time.monotonic() - begun - seconds)
                if is_short or is_long or number == rounds - 1:
                    tally.look(url)
            died = workers - server.worker_processes()
            _send_what_is_pending(server, tally.promises)
            server.end()
        lost_answers = link.lost_answers
    looks = rounds if is_short else -(-rounds // LONG_CUTS_EVERY)
    return [
        *tally.rows("cut network", rounds, looks),
        measured("cut network: answers of PostgreSQL that were lost", lost_answers, "", "> 0"),
        measured("cut network: longest until 20 more were stored", longest, "s", ""),
        measured("cut network: workers that died", len(died), "", "== 0"),
    ]


def _cut(link: Link, number: int, seconds: float) -> None:
    link.cut(("answers", "reset", "silent")[number % 3])
    time.sleep(seconds)
    link.mend()


def _full_tablespace(folder: Path, database: PostgresServer, *, spare: bool) -> list[Row]:
    """The log of PostgreSQL has room, its tables have none: a statement fails, the server runs."""
    what = "full tablespace"
    with _a_disk_for(database, TABLESPACE_BYTES) as disk:
        if disk is None:
            return [not_measured(what, "", "== 0", "a disk of its own takes the super-user")]
        database.create_tablespace("small", disk)
        url = database.create_database(tablespace="small")
        rows = _write_without_room(what, folder, url, disk, lambda: None, spare=spare)
        database.drop_database(url)
        database.execute("DROP TABLESPACE small")
    return rows


def _full_disk(folder: Path, *, spare: bool) -> list[Row]:
    """PostgreSQL stops when it has no room for its log; with room it is started again."""
    what = "full disk of PostgreSQL"
    with _a_disk_for(None, DATA_BYTES) as disk:
        if disk is None:
            return [not_measured(what, "", "== 0", "a disk of its own takes the super-user")]
        data = disk / "data"
        # Short segments of the log: it needs a new one soon.
        with a_postgres_server(data=data, fsync=not spare, max_wal_size="32MB") as database:
            url = database.create_database()

            def start_again() -> None:
                if not database.processes():
                    database.process.wait()
                    database.start()

            return _write_without_room(what, folder, url, disk, start_again, spare=spare)


@contextmanager
def _a_disk_for(database: PostgresServer | None, size: int) -> Iterator[Path | None]:
    """A folder that is a disk of this size, which the user of PostgreSQL may enter."""
    with tempfile.TemporaryDirectory(prefix="kbapi-disk-") as name:
        folder = Path(name)
        folder.chmod(0o711)
        with a_disk(folder / "disk", size) as is_a_disk:
            if is_a_disk:
                (folder / "disk").chmod(0o711)
            yield folder / "disk" if is_a_disk else None


def _write_without_room(
    what: str,
    folder: Path,
    url: str,
    disk: Path,
    start_again: Callable[[], None],
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
            refused = tally.promises.refused.total() + 30
            is_refused = _wait_for(lambda: tally.promises.refused.total() >= refused)
            asked = ask_once(server.port, "GET", START)
            ready = ask_once(server.port, "GET", "/health/ready")
            filler.unlink()
            start_again()
            tally.resumed += _more(tally.promises, 30)
        died = workers - server.worker_processes()
        _send_what_is_pending(server, tally.promises)
        server.end()
    tally.look(url)
    return [
        *tally.rows(what, 1, 1),
        measured(f"{what}: writes were refused", is_refused, "", "== 1"),
        measured(f"{what}: status of a question meanwhile", asked.status, "", ""),
        measured(f"{what}: health shows it", ready.body["writes"] != "accepted", "", "== 1"),
        measured(f"{what}: workers that died", len(died), "", "== 0"),
    ]
