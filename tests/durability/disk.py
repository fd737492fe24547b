"""What a disk or a file can do: full, read-only, locked, wrong, newer, cut short, copied in use."""

import os
import resource
import sqlite3
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tests.durability._clients import (
    CHIP,
    Answer,
    Promises,
    a_result,
    ask_once,
    clients,
    kbapi,
    read_database,
)
from tests.durability._migration import failed_migration
from tests.report import Row, measured, not_measured
from tests.storage.later_schema import CREATE_A_TABLE, later_program
from tests.system.server import KBAPI, Server

DISK_BYTES = 24 << 20
START = f"/v1/start?chip={CHIP}"


def measure(*, short: bool = False) -> list[Row]:
    """One row or more for each thing that can happen."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        return [
            *_full_disk(folder / "full", spare=short),
            *_little_room(folder / "little"),
            *_read_only_folder(folder / "read_only"),
            *_locked_file(folder / "locked"),
            *_refused_at_start(folder / "wrong"),
            *failed_migration(folder / "migration", kills=2 if short else 30),
            *_backups_while_writing(folder / "backups", how_many=2 if short else 20, spare=short),
        ]


# A disk that is full


@contextmanager
def a_disk(folder: Path, size: int = DISK_BYTES) -> Iterator[bool]:
    """Whether the folder is a disk of its own, of 24 MiB; that takes the super-user."""
    folder.mkdir()
    options = ["-t", "tmpfs", "-o", f"size={size}", "tmpfs", str(folder)]
    if os.getuid() or subprocess.run(["mount", *options], check=False).returncode:
        yield False
        return
    try:
        yield True
    finally:
        subprocess.run(["umount", "-l", str(folder)], check=True)


def fill(filler: Path) -> None:
    """Let a file grow until its disk is full."""
    with filler.open("wb", buffering=0) as file, suppress(OSError):
        while file.write(b"\0" * 65_536):
            pass


@contextmanager
def no_room(server: Server, is_a_disk: bool) -> Iterator[None]:
    """Nothing more fits for as long as this lasts: the disk is full, or no file may grow."""
    if is_a_disk:
        filler = server.home.parent / "filler"
        fill(filler)
        yield
        filler.unlink()
        return
    processes = [server.process.pid, *server.worker_processes()]
    log = server.home / "kbapi.sqlite3-wal"
    for process in processes:
        resource.prlimit(process, resource.RLIMIT_FSIZE, (log.stat().st_size, -1))
    yield
    for process in processes:
        resource.prlimit(process, resource.RLIMIT_FSIZE, (-1, -1))


def _full_disk(folder: Path, *, spare: bool) -> list[Row]:
    promises = Promises()
    with a_disk(folder) as is_a_disk, Server(folder / "home", KBAPI_MIN_FREE_BYTES="0") as server:
        with clients(server.port, promises, spare=spare):
            _wait_for_acknowledged(promises, 100)
            before = server.all_workers()
            with no_room(server, is_a_disk):
                _wait_for_refused(promises, 50)
                batch = _send_a_batch(server)
                asked = [ask_once(server.port, "GET", START).status for _ in range(20)]
                died = before - server.worker_processes()
                reloaded = server.reload()
                asked += [ask_once(server.port, "GET", START).status for _ in range(20)]
            acknowledged = len(promises.acknowledged)
            _wait_for_acknowledged(promises, acknowledged + 50)
            went_on = len(promises.acknowledged) > acknowledged
        server.end()
        found = read_database(server.home / "kbapi.sqlite3")
        check = kbapi("check", "--home", str(server.home), KBAPI_MIN_FREE_BYTES="0")
    how = "a tmpfs of 24 MiB" if is_a_disk else "RLIMIT_FSIZE"
    print(f"  refused: {dict(promises.refused)}; odd: {promises.odd[:3]}")
    in_it = sum(1 for number in found.copies if number >= 1_000_000)
    return [
        measured(
            "full disk: writes refused with 503", promises.refused.total(), "writes", ">= 50", how
        ),
        measured("full disk: answers that should not be", len(promises.odd), "answers", "== 0"),
        measured("full disk: status of a batch of 1,000", batch.status, "", "== 503"),
        measured("full disk: results of that batch stored", in_it, "results", "== 0"),
        measured("full disk: questions answered", asked.count(200), "questions", "== 40"),
        measured("full disk: writing went on with room, no restart", went_on, "", "== 1"),
        measured("full disk: new workers by SIGHUP", reloaded, "", "== 1"),
        measured("full disk: workers that died", len(died), "", "== 0"),
        measured("full disk: acknowledged results lost", found.lost(promises), "results", "== 0"),
        measured("full disk: results stored twice", found.doubled, "results", "== 0"),
        measured("full disk: exit status of kbapi check", check.returncode, "", "== 0"),
    ]


def _send_a_batch(server: Server) -> Answer:
    documents = [a_result(1_000_000 + number) for number in range(1_000)]
    return ask_once(server.port, "POST", "/v1/submissions/batch", documents)


def _little_room(folder: Path) -> list[Row]:
    what = "little room: refused, told by health, taken again"
    with a_disk(folder) as is_a_disk:
        if not is_a_disk:
            return [not_measured(what, "steps", "== 4", "a disk of its own takes the super-user")]
        with Server(folder / "home", KBAPI_MIN_FREE_BYTES=str(DISK_BYTES // 2)) as server:
            steps = _post(server, 0).status == 201
            filler = folder / "filler"
            filler.write_bytes(b"\0" * (DISK_BYTES // 2))
            time.sleep(1.1)
            refused, state = _post(server, 1), _ready(server)
            asked = ask_once(server.port, "GET", START).status
            steps += refused.status == 503 and refused.body["type"].endswith("/storage_full")
            steps += state == "storage_full" and asked == 200
            filler.unlink()
            time.sleep(1.1)
            steps += _post(server, 1).status == 201 and _ready(server) == "accepted"
    return [measured(what, steps, "steps", "== 4")]


# A file that may not be written, or that is locked


@contextmanager
def read_only(home: Path) -> Iterator[bool]:
    """Whether nothing in the folder can be written while this lasts, by this user."""
    if os.getuid():
        home.chmod(0o500)
        (home / "kbapi.sqlite3").chmod(0o400)
        yield True
        home.chmod(0o700)
        (home / "kbapi.sqlite3").chmod(0o600)
        return
    mounted = not subprocess.run(["mount", "--bind", home, home], check=False).returncode
    if mounted:
        subprocess.run(["mount", "-o", "remount,ro,bind", home], check=True)
    try:
        yield mounted
    finally:
        if mounted:
            subprocess.run(["umount", "-l", home], check=True)


def _read_only_folder(home: Path) -> list[Row]:
    rows = []
    for ending, ends in (("a stop", Server.end), ("a kill", Server.kill)):
        what = f"read-only after {ending}: reads answered, writes told"
        with Server(home) as server:
            stored = _post(server, 0 if ending == "a stop" else 1).body
            ends(server)
        with read_only(home) as is_so:
            if not is_so:
                rows.append(not_measured(what, "steps", "== 5", "it takes another user or mounts"))
                continue
            with Server(home) as server:
                rows.append(measured(what, _read_only_steps(server, stored), "steps", "== 5"))
                server.end()
    return rows


def _read_only_steps(server: Server, stored: dict[str, Any]) -> int:
    receipt = {"Authorization": f"Bearer {stored['receipt']}"}
    refused = _post(server, 2)
    return sum(
        (
            ask_once(server.port, "GET", START).status == 200,
            ask_once(server.port, "GET", stored["links"]["self"], **receipt).status == 200,
            refused.status == 503 and refused.retry_after is not None,
            refused.body["type"] == "/problems/storage_unwritable",
            _ready(server) == "storage_unwritable",
        )
    )


def _locked_file(home: Path) -> list[Row]:
    with Server(home) as server:
        _post(server, 0)
        with closing(sqlite3.connect(home / "kbapi.sqlite3", isolation_level=None)) as other:
            other.execute("BEGIN IMMEDIATE")
            refused = _post(server, 1)
            asked = ask_once(server.port, "GET", START).status
            other.execute("ROLLBACK")
        steps = refused.status == 503 and refused.body["type"] == "/problems/storage_busy"
        steps += refused.retry_after is not None
        steps += asked == 200
        steps += _post(server, 1).status == 201
        server.end()
    return [measured("locked file: told, read, taken again", steps, "steps", "== 4")]


# A file that is not ours, or not of this version


def _refused_at_start(home: Path) -> list[Row]:
    with Server(home) as server:
        _post(server, 0)
        server.end()
    database = home / "kbapi.sqlite3"
    sound = database.read_bytes()
    rows = []
    later = later_program(home.parent / "later", CREATE_A_TABLE.format(name="later"))
    for what, spoil, words, program in (
        ("wrong file", lambda: database.write_bytes(b"a list\n" * 999), "not a database", KBAPI),
        ("newer schema", lambda: _set_version(database, "9999"), "newer than this program", KBAPI),
        ("older schema", lambda: None, "kbapi db upgrade", later),
    ):
        spoil()
        before = database.read_bytes()
        done = kbapi("serve", "--home", str(home), "--port", "1", program=program)
        has_reason = words in " ".join(done.stderr.split())
        steps = (done.returncode == 3) + has_reason + (database.read_bytes() == before)
        rows.append(measured(f"{what}: refused at start, told, untouched", steps, "steps", "== 3"))
        database.write_bytes(sound)
    with Server(home) as server:
        rows.append(measured("the sound file serves again", _post(server, 0).status, "", "== 201"))
        server.end()
    return rows


def _set_version(database: Path, revision: str) -> None:
    with closing(sqlite3.connect(database)) as connection, connection:
        connection.execute("UPDATE alembic_version SET version_num = ?", (revision,))
    with closing(sqlite3.connect(database)) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()


# A backup while results come in


@dataclass
class Copied:
    """What a backup must hold, because it had been acknowledged before the backup began."""

    promised: set[int]
    file: Path


def _backups_while_writing(folder: Path, how_many: int, *, spare: bool) -> list[Row]:
    folder.mkdir()
    promises, made = Promises(), []
    with Server(folder / "home") as server:
        with clients(server.port, promises, spare=spare):
            _wait_for_acknowledged(promises, 50)
            for number in range(how_many):
                promised, target = set(promises.acknowledged), folder / f"target-{number}"
                kbapi("backup", str(target), "--home", str(server.home))
                made += [Copied(promised, file) for file in target.glob("kbapi-*.sqlite3")]
        server.end()
    whole = sum(_holds(copied) for copied in made)
    refused = promises.refused.total() + len(promises.odd)
    return [
        measured("backups while writing: whole and sound", whole, "backups", f"== {how_many}"),
        measured("backups while writing: writes refused", refused, "writes", "== 0"),
    ]


def _holds(copied: Copied) -> bool:
    found = read_database(copied.file)
    is_one_state = len(set(found.counts.values())) == 1
    return found.is_sound and is_one_state and copied.promised <= set(found.copies)


# What all of these need


def _wait_for_acknowledged(promises: Promises, wanted: int) -> None:
    deadline = time.monotonic() + 60
    while len(promises.acknowledged) < wanted and time.monotonic() < deadline:
        time.sleep(0.02)


def _wait_for_refused(promises: Promises, wanted: int) -> None:
    deadline = time.monotonic() + 60
    while promises.refused.total() < wanted and time.monotonic() < deadline:
        time.sleep(0.02)


def _post(server: Server, number: int) -> Answer:
    headers = {"Idempotency-Key": f'"drill-{number}"'}
    return ask_once(server.port, "POST", "/v1/submissions", a_result(number), **headers)


def _ready(server: Server) -> str:
    state: str = ask_once(server.port, "GET", "/health/ready").body["writes"]
    return state
