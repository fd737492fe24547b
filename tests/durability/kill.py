"""`kill -9` of the whole server in the middle of writes, again and again."""

import random
import shutil
import tempfile
import time
from contextlib import closing
from http.client import HTTPConnection
from pathlib import Path

from tests.durability._clients import Found, Promises, clients, kbapi, read_database, send
from tests.postgres import is_chosen, settings_at
from tests.report import Row, measured
from tests.system.server import Server

ROUNDS = 200
SHORT_ROUNDS = 5


def measure(*, short: bool = False) -> list[Row]:
    """What was lost or doubled over all rounds; clients repeat under the same keys."""
    rounds = SHORT_ROUNDS if short else ROUNDS
    rng = random.Random(9)
    promises = Promises()
    sound = 0
    lost: set[int] = set()
    doubled: set[int] = set()
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder) / "home"
        server = Server(home)
        for _ in range(rounds):
            _write_and_kill(server, promises, rng)
            found = _as_it_was_left(home)
            sound += found.is_sound
            lost |= {number for number in promises.acknowledged if not found.copies[number]}
            doubled |= {number for number, copies in found.copies.items() if copies > 1}
        server.start()
        _send_what_is_pending(server, promises)
        server.end()
        found = read_database(home / "kbapi.sqlite3")
        check = kbapi("check", "--home", str(home), **settings_at(home))
    return [
        measured("rounds", rounds, "kills", f"== {rounds}"),
        measured("acknowledged results", len(promises.acknowledged), "results", "> 0"),
        measured("acknowledged results lost", len(lost), "results", "== 0"),
        measured("results stored twice", len(doubled) + found.doubled, "results", "== 0"),
        measured("answers that should not be", len(promises.odd), "answers", "== 0"),
        measured("rounds that left a sound file", sound, "rounds", f"== {rounds}"),
        measured(
            "results at the end that were never acknowledged",
            _unacknowledged(found, promises),
            "results",
            "== 0",
        ),
        measured("exit status of kbapi check at the end", check.returncode, "", "== 0"),
    ]


def _write_and_kill(server: Server, promises: Promises, rng: random.Random) -> None:
    wanted = len(promises.acknowledged) + rng.randint(1, 60)
    server.start()
    with clients(server.port, promises):
        deadline = time.monotonic() + 30
        while len(promises.acknowledged) < wanted and time.monotonic() < deadline:
            time.sleep(0.001)
        time.sleep(rng.uniform(0, 0.02))
        server.kill()


def _as_it_was_left(home: Path) -> Found:
    """What a copy of the file and its log hold: the next start finds them as they are."""
    if is_chosen():
        return read_database(home / "kbapi.sqlite3")
    with tempfile.TemporaryDirectory() as folder:
        for name in ("kbapi.sqlite3", "kbapi.sqlite3-wal"):
            if (home / name).exists():
                shutil.copy(home / name, folder)
        return read_database(Path(folder) / "kbapi.sqlite3")


def _send_what_is_pending(server: Server, promises: Promises) -> None:
    """Also one in ten of the acknowledged, whose answer must be the first one."""
    with closing(HTTPConnection("127.0.0.1", server.port, timeout=60)) as connection:
        for number in sorted({*promises.pending, *list(promises.acknowledged)[::10]}):
            promises.note(number, send(connection, number))


def _unacknowledged(found: Found, promises: Promises) -> int:
    return len(set(found.copies) - set(promises.acknowledged))
