"""Single changed bits in databases, their logs, backups and manifests: does a check find each?

The places are drawn with a fixed seed, in turns from the header, the free pages, and the pages of
every table and index. What a bit changed is read without kbapi: each row of each table, each entry
of each index, and the marks in the header.
"""

import shutil
import tempfile
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass
from itertools import cycle
from pathlib import Path
from random import Random
from typing import Any

from kbapi.errors import KbapiError
from kbapi.instance.backup import make_backup
from kbapi.instance.check import Finding, check_backup, check_instance
from kbapi.instance.manifest import manifest_path
from kbapi.instance.restore import restore_backup
from kbapi.intake.my_submissions import withdraw_own_results
from kbapi.settings import Settings
from kbapi.storage.files import log_of
from kbapi.storage.sqlite.driver import dbapi2
from tests.makers import HandMovedClock, a_submission, an_instance, send
from tests.report import Row, measured
from tests.storage.write_rows import use_everything

SEED = 18
PAGE = 4096
LEAVES = (0x0A, 0x0D)
INTERIORS = (0x02, 0x05)
LEAVER = "tidewater-member-leaver"


@dataclass(frozen=True, slots=True)
class Originals:
    """Folders and files without a changed bit."""

    home: Path
    """A closed instance: everything is in the database file."""
    killed: Path
    """An instance as a killed process left it: the last writes are in the log."""
    backup: Path


def measure(*, short: bool = False) -> list[Row]:
    """What was changed, and what of it a check and a restore found."""
    flips = 40 if short else 300
    with tempfile.TemporaryDirectory() as name:
        originals = _make_originals(Path(name))
        scratch = Path(name) / "scratch"
        rng = Random(SEED)
        database = _flips_of_instance(originals.home, "kbapi.sqlite3", flips // 2, rng, scratch)
        log = _flips_of_instance(originals.killed, "kbapi.sqlite3-wal", flips // 6, rng, scratch)
        backups = _flips_of_backups(originals.backup, flips // 3, rng, scratch)
        return [
            *_rows("database", database),
            *_rows("log", log),
            *_rows("backup or manifest", backups),
            measured(
                "restores of a changed backup",
                sum(one.is_restored for one in backups),
                "backups",
                "== 0",
            ),
            measured(
                "tables and indexes with a change that was found",
                len({one.place for one in database if one.is_changed}),
                "",
                ">= 15" if short else ">= 50",
            ),
            measured(
                "false alarms without a change", _false_alarms(originals, scratch), "", "== 0"
            ),
        ]


@dataclass(frozen=True, slots=True)
class Flip:
    """One changed bit."""

    place: str
    is_changed: bool
    """Whether it changed a value, an entry of an index or a mark, or made one unreadable."""
    is_found: bool
    is_restored: bool = False


def _rows(where: str, flips: list[Flip]) -> list[Row]:
    changed = [one for one in flips if one.is_changed]
    found = sum(one.is_found for one in changed)
    missed = Counter(one.place for one in changed if not one.is_found)
    names = ", ".join(f"{place} {times}" for place, times in missed.items())
    return [
        measured(f"changed bits, {where}", len(flips), "", ""),
        measured("... of them changing a value", len(changed), "", ""),
        measured("... of these found", found, "", ""),
        measured("... of these missed", len(changed) - found, "", "== 0", names),
    ]


def _make_originals(folder: Path) -> Originals:
    clock = HandMovedClock()
    instance = an_instance(folder / "made", clock)
    use_everything(instance, clock)
    for number in range(30):  # their pages become free
        send(instance, a_submission(number=700 + number, contributor_token=LEAVER))
    withdraw_own_results(instance, LEAVER)
    home = instance.settings.home
    instance.close()
    closed = folder / "closed"
    shutil.copytree(home, closed)
    backup = make_backup(instance.settings, folder / "backups", None, clock).file
    instance = an_instance(folder / "made", clock)
    for number in range(6):
        send(instance, a_submission(number=800 + number))
    killed = folder / "killed"
    shutil.copytree(home, killed, ignore=shutil.ignore_patterns("*-shm"))
    instance.close()
    return Originals(closed, killed, backup)


def _flips_of_instance(home: Path, name: str, flips: int, rng: Random, scratch: Path) -> list[Flip]:
    original = (home / name).read_bytes()
    before = _values_of(home / "kbapi.sqlite3", scratch)
    draw = _places(home / name, rng) if name.endswith(".sqlite3") else _anywhere(original, rng)
    done = []
    for _ in range(flips):
        place, bit = next(draw)
        copy = _copy_of(home, scratch)
        (copy / name).write_bytes(_with_changed_bit(original, bit))
        is_found = _finds(lambda: check_instance(Settings(home=copy)))  # noqa: B023 called at once
        is_changed = _values_of(copy / "kbapi.sqlite3", scratch) != before
        done.append(Flip(place, is_changed, is_found))
    return done


def _flips_of_backups(backup: Path, flips: int, rng: Random, scratch: Path) -> list[Flip]:
    """Every third one in the manifest; each must be found, wherever it is."""
    done = []
    draws = {
        backup: _places(backup, rng),
        manifest_path(backup): _anywhere(manifest_path(backup).read_bytes(), rng),
    }
    for file, _ in zip(cycle([backup, backup, manifest_path(backup)]), range(flips), strict=False):
        place, bit = next(draws[file])
        copy = _copy_of(backup.parent, scratch) / backup.name
        (copy.parent / file.name).write_bytes(_with_changed_bit(file.read_bytes(), bit))
        is_found = _finds(lambda: check_backup(copy))  # noqa: B023 called at once
        done.append(Flip(place, True, is_found, _is_restored(copy)))
    return done


def _is_restored(file: Path) -> bool:
    settings = Settings(home=file.parent / "home")
    try:
        restore_backup(settings, file, without_secret=True)
    except KbapiError:
        return settings.database_path.exists()
    return True


def _false_alarms(originals: Originals, scratch: Path) -> int:
    homes = [_copy_of(originals.home, scratch), _copy_of(originals.killed, scratch)]
    alarms = sum(_finds(lambda: check_instance(Settings(home=home))) for home in homes)  # noqa: B023
    return alarms + _finds(lambda: check_backup(originals.backup))


def _finds(check: Callable[[], tuple[Finding, ...]]) -> bool:
    try:
        return not all(finding.is_ok for finding in check())
    except KbapiError:
        return True


def _copy_of(folder: Path, scratch: Path) -> Path:
    scratch.mkdir(exist_ok=True)
    copy = Path(tempfile.mkdtemp(dir=scratch)) / "copy"
    shutil.copytree(folder, copy)
    return copy


def _with_changed_bit(content: bytes, bit: int) -> bytes:
    changed = bytearray(content)
    changed[bit // 8] ^= 1 << bit % 8
    return bytes(changed)


def _anywhere(content: bytes, rng: Random) -> Iterator[tuple[str, int]]:
    while True:
        yield "anywhere", rng.randrange(8 * len(content))


def _places(database: Path, rng: Random) -> Iterator[tuple[str, int]]:
    """Where to change a bit: in turns the header, the rest, and each table and index."""
    content = database.read_bytes()
    pages = _pages_by_owner(content, database)
    while True:
        yield "header", rng.randrange(8 * 100)
        for owner, numbers in pages.items():
            page = rng.choice(numbers)
            yield owner, 8 * ((page - 1) * PAGE) + rng.randrange(*_span(content, page, rng))


def _span(content: bytes, page: int, rng: Random) -> tuple[int, int]:
    """The bits of a page to draw from: mostly those of its cells."""
    begin = (page - 1) * PAGE + (100 if page == 1 else 0)
    cells = int.from_bytes(content[begin + 5 : begin + 7])
    is_tree = content[begin] in (*LEAVES, *INTERIORS) and 0 < cells < PAGE
    return (8 * cells, 8 * PAGE) if is_tree and rng.random() < 0.9 else (0, 8 * PAGE)


def _pages_by_owner(content: bytes, database: Path) -> dict[str, list[int]]:
    """The page numbers of each table and index, and of the rest: free and overflow pages."""
    with closing(dbapi2.connect(f"file:{database}?immutable=1", uri=True)) as connection:
        roots = dict(
            connection.execute("SELECT name, rootpage FROM sqlite_schema WHERE rootpage > 0")
        )
    pages = {name: _tree(content, root) for name, root in {"sqlite_schema": 1, **roots}.items()}
    owned = {page for numbers in pages.values() for page in numbers}
    rest = [page for page in range(1, len(content) // PAGE + 1) if page not in owned]
    return {**pages, "free and overflow pages": rest}


def _tree(content: bytes, page: int) -> list[int]:
    begin = (page - 1) * PAGE
    head = begin + (100 if page == 1 else 0)
    if content[head] not in INTERIORS:
        return [page]
    cells = int.from_bytes(content[head + 3 : head + 5])
    places = [
        begin + int.from_bytes(content[head + 12 + 2 * cell : head + 14 + 2 * cell])
        for cell in range(cells)
    ]
    children = [int.from_bytes(content[place : place + 4]) for place in (*places, head + 8)]
    return [page, *(below for child in children for below in _tree(content, child))]


def _values_of(database: Path, scratch: Path) -> Any:
    """Every value in a database and its log, with types; a text if it cannot be read."""
    copy = Path(tempfile.mkdtemp(dir=scratch.parent)) / "read.sqlite3"
    shutil.copy(database, copy)
    if log_of(database).exists():
        shutil.copy(log_of(database), log_of(copy))
    try:
        with closing(dbapi2.connect(copy)) as connection:
            connection.text_factory = bytes
            return [list(connection.execute(statement)) for statement in _statements(connection)]
    except (dbapi2.Error, UnicodeDecodeError) as fault:
        return str(fault)
    finally:
        shutil.rmtree(copy.parent)


def _statements(connection: Any) -> Iterator[str]:
    yield from ("PRAGMA user_version", "PRAGMA application_id")
    yield "SELECT type, name, tbl_name, rootpage, sql FROM sqlite_schema ORDER BY rowid"
    known = connection.execute("SELECT type, name, tbl_name, sql FROM sqlite_schema").fetchall()
    for kind, name, table, sql in known:
        if kind == b"table":
            columns = connection.execute(f"PRAGMA table_info({name.decode()})").fetchall()
            names = ", ".join(f'"{one[1].decode()}"' for one in columns)
            types = ", ".join(f'typeof("{one[1].decode()}")' for one in columns)
            yield f"SELECT {names}, {types} FROM {name.decode()} NOT INDEXED"
        elif kind == b"index":
            where = (sql or b"").decode().partition(" WHERE ")[2] or "1"
            parts = connection.execute(f"PRAGMA index_xinfo({name.decode()})").fetchall()
            names = ", ".join(f'"{one[2].decode()}"' for one in parts if one[2]) or "rowid"
            yield f"SELECT {names} FROM {table.decode()} INDEXED BY {name.decode()} WHERE {where}"
