"""A migration that does not come to its end: it has no room, or is killed."""

import random
import shlex
import shutil
import signal
import sqlite3
import subprocess
import time
from contextlib import closing
from pathlib import Path
from typing import Any

from kbapi.settings import Settings
from tests.durability._clients import kbapi
from tests.makers import give_up_lost_secret
from tests.report import Row, measured
from tests.storage.later_schema import REBUILD, later_program
from tests.storage.test_schema_upgrades import database_at


def failed_migration(folder: Path, kills: int) -> list[Row]:
    """One schema is whole whatever happens to an upgrade, and its rows are all there."""
    home, rows = folder / "home", []
    # Each of these tables is copied, dropped and put back: the upgrade has something to write.
    tables = ("submission", "setting_result", "reading", "lock_report")
    later = later_program(folder / "later", *(REBUILD.format(name=name) for name in tables))
    _an_older_instance(home)
    old, content = _schema(home), _dump(home)
    # No file may grow: the migration fails where it writes.
    upgrade = shlex.join([*later, "db", "upgrade", "--home", str(home)])
    limited = ["bash", "-c", f"ulimit -f 4; exec {upgrade}"]
    failed = subprocess.run(limited, capture_output=True, text=True, check=False)
    steps = (failed.returncode == 3) + (_schema(home) == old) + (_dump(home) == content)
    rows.append(measured("migration without room: told, nothing changed", steps, "steps", "== 3"))
    whole = _times_the_upgrade(folder, home, old, content, later, kills)
    rows.append(measured("migration killed: old or new, whole", whole, "kills", f"== {kills}"))
    done = kbapi("db", "upgrade", "--home", str(home), program=later)
    check = kbapi("check", "--home", str(home), program=later).stdout.splitlines()
    # The secret that keyed the rows of the older schema went when they were written down, and a
    # table that this migration copies gets another definition than the program has for it.
    excused = (" secret ", " the definition of ")
    wrong = [
        line
        for line in check
        if line.startswith("WRONG") and not any(part in line for part in excused)
    ]
    rows.append(measured("migration after all: exit status", done.returncode, "", "== 0"))
    rows.append(measured("migration after all: what kbapi check finds", len(wrong), "", "== 0"))
    return rows


def _an_older_instance(home: Path) -> None:
    kbapi("db", "upgrade", "--home", str(home))
    (home / "kbapi.sqlite3").unlink()
    database_at("0001_no_readings", home / "kbapi.sqlite3")
    (home / "kbapi.sqlite3").chmod(0o600)
    give_up_lost_secret(Settings(home=home))


def _times_the_upgrade(
    folder: Path, home: Path, old: Any, content: Any, program: list[str], kills: int
) -> int:
    """How many of these kills, at any moment of an upgrade, left one schema whole."""
    rng, whole = random.Random(4), 0
    began = time.monotonic()
    new = _upgraded(folder / "new", home, program)
    lasts_s = time.monotonic() - began
    for number in range(kills):
        copy = folder / f"killed-{number}"
        shutil.copytree(home, copy)
        upgrade = subprocess.Popen(
            [*program, "db", "upgrade", "--home", str(copy)],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        time.sleep(rng.uniform(0.3, 1.0) * lasts_s)
        upgrade.send_signal(signal.SIGKILL)
        upgrade.wait()
        found = _schema(copy)
        is_sound = _is_sound(copy)
        whole += is_sound and (found == new or (found == old and _dump(copy) == content))
        shutil.rmtree(copy)
    return whole


def _is_sound(home: Path) -> bool:
    """Whether pages and references are whole."""
    with closing(sqlite3.connect(home / "kbapi.sqlite3")) as connection:
        integrity = connection.execute("PRAGMA integrity_check").fetchall()
        return (
            integrity == [("ok",)] and not connection.execute("PRAGMA foreign_key_check").fetchall()
        )


def _upgraded(copy: Path, home: Path, program: list[str]) -> Any:
    shutil.copytree(home, copy)
    kbapi("db", "upgrade", "--home", str(copy), program=program)
    return _schema(copy)


def _schema(home: Path) -> list[tuple[Any, ...]]:
    with closing(sqlite3.connect(home / "kbapi.sqlite3")) as connection:
        parts = connection.execute("SELECT type, name, sql FROM sqlite_schema ORDER BY 1, 2")
        version = connection.execute("SELECT * FROM alembic_version").fetchall()
        return [*((kind, name, _parts_of(sql)) for kind, name, sql in parts), *version]


def _parts_of(sql: str | None) -> tuple[list[str], list[str]]:
    """The columns of a definition in their order, and its constraints in a fixed one.

    alembic writes the constraints of a rebuilt table in another order each time.
    """
    lines = [line.strip().removesuffix(",") for line in (sql or "").splitlines()]
    constraints = sorted(line for line in lines if line.startswith("CONSTRAINT "))
    return [line for line in lines if not line.startswith("CONSTRAINT ")], constraints


def _dump(home: Path) -> list[str]:
    with closing(sqlite3.connect(home / "kbapi.sqlite3")) as connection:
        return list(connection.iterdump())
