"""Objects for many tests: documents of the invented Tidewater Bench Club, instances, a clock."""

import fcntl
import json
import os
import tempfile
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import replace
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from typing import Any

import psycopg
from sqlalchemy import Engine, select

from kbapi.advice.start.query import Question, parse_question
from kbapi.chips.catalogue import Catalogue, Presence
from kbapi.demo.members import install_catalogue
from kbapi.instance.instance import Instance, create_or_open_instance
from kbapi.instance.secret import Secret, create_secret, load_secret, record_secret, write_secret
from kbapi.intake.responses import Accepted
from kbapi.intake.submit import accept_submission
from kbapi.settings import Settings
from kbapi.storage.postgres.database import WRITERS_LOCK
from kbapi.storage.schema import METADATA, upgrade_to_head
from kbapi.storage.sqlite.driver import dbapi2
from kbapi.storage.sqlite.engine import make_writing_engine
from tests import postgres

NOON = datetime(2026, 9, 15, 12, tzinfo=UTC)
CHIP = "norvane-sable-7-4820mx"
COUNT_CHIP = "Ketterly Drift 6 2350U"
GRAPHICS = "Osmer Kestrel 640 Laptop Graphics"


class Unreviewed:
    """A catalogue whose rows are general knowledge: no source was read for them."""

    def __init__(self, catalogue: Catalogue) -> None:
        self._catalogue = catalogue

    def domain_presence(self, *asked: Any) -> Presence:
        return replace(self._catalogue.domain_presence(*asked), is_certain=False)

    def control_presence(self, *asked: Any) -> Presence:
        return replace(self._catalogue.control_presence(*asked), is_certain=False)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._catalogue, name)


class WithoutControls(Unreviewed):
    """A catalogue in which no chip has these controls, and a source says so."""

    def __init__(self, catalogue: Catalogue, *controls: str) -> None:
        super().__init__(catalogue)
        self._controls = controls

    def control_presence(self, *asked: Any) -> Presence:
        if asked[1] in self._controls:
            return Presence("absent", is_certain=True)
        return self._catalogue.control_presence(*asked)


class HandMovedClock:
    """A clock that a test moves by hand."""

    def __init__(self, moment: datetime = NOON) -> None:
        self.moment = moment

    def __call__(self) -> datetime:
        return self.moment


FAR_LIMITS = {
    "rate_per_network": 1_000_000,
    "rate_per_key": 1_000_000,
    "cpu_ms_per_network": 1_000_000_000,
    "cpu_ms_per_key": 1_000_000_000,
}
"""Limits that no test reaches, also on a slow machine."""


def an_instance(
    folder: Path,
    clock: HandMovedClock | None = None,
    *,
    has_club_catalogue: bool = True,
    secret: str | None = None,
    **settings: Any,
) -> Instance:
    """A fresh instance in a folder of its own; its clock is at noon, its rate limits are high.

    It knows the invented chips, unless `has_club_catalogue` is false. Its secret is random, unless
    64 hex digits are given.
    """
    chosen = settings_of(folder / "home", **{**FAR_LIMITS, **settings})
    if not chosen.home.exists():
        # What `upgrade_instance` leaves, without running the migrations again for each test.
        chosen.home.mkdir(mode=0o700, parents=True)
        if not chosen.database:
            chosen.database_path.write_bytes(empty_database())
            chosen.database_path.chmod(0o600)
        if secret is None:
            create_secret(chosen.secret_path)
        else:
            write_secret(chosen.secret_path, Secret(bytes.fromhex(secret)))
        if has_club_catalogue:
            install_catalogue(chosen.catalogue_path)
    made = create_or_open_instance(chosen, clock or HandMovedClock())
    if chosen.database:
        _ON_A_SERVER.append(made)
    return made


_ON_A_SERVER: list[Instance] = []
"""Instances whose connections a test may leave open."""


def give_databases_back(folder: Path | None) -> None:
    """Close what a test left open below its folder, and let other tests have its databases."""
    for instance in _ON_A_SERVER.copy():
        home = instance.settings.home
        if folder in home.parents or not home.exists():
            instance.close()
            _ON_A_SERVER.remove(instance)
    postgres.DATABASES.take_back(folder)


def settings_of(home: Path, **settings: Any) -> Settings:
    """Settings of an instance in this folder, with the database that tests run on."""
    if postgres.is_chosen() and postgres.VARIABLE not in os.environ:
        settings.setdefault("database", postgres.DATABASES.of(home))
    return Settings(home=home, **settings)


@cache
def empty_database() -> bytes:
    """The file of a database in which nothing is stored and no secret is noted."""
    with tempfile.TemporaryDirectory() as folder:
        database = Path(folder) / "empty.sqlite3"
        upgrade_to_head(database)
        return database.read_bytes()


@contextmanager
def an_engine(folder: Path) -> Iterator[Engine]:
    """An engine that writes to a database with today's schema, in which nothing is stored."""
    if postgres.is_chosen():
        from kbapi.storage.postgres.engine import WRITE, make_engine

        made = make_engine(postgres.DATABASES.of(folder), WRITE, pool_size=2)
    else:
        database = folder / "kbapi.sqlite3"
        database.write_bytes(empty_database())
        made = make_writing_engine(database)
    yield made
    made.dispose()


def give_up_lost_secret(settings: Settings) -> None:
    """Let a database whose rows were written under a secret that is gone take the one here."""
    create_secret(settings.secret_path)
    record_secret(settings.database_at, load_secret(settings.secret_path))


def a_setting(**changes: Any) -> dict[str, Any]:
    """A setting that counts: well tested, bracketed by a failure."""
    setting = {
        "domain": "core",
        "control": "voltage_offset",
        "stable_at": -80,
        "unstable_at": -90,
        "loads": ["all_core", "vector_heavy"],
        "minutes": 65,
        "checked_results": True,
    }
    return _without_ellipsis({**setting, **changes})


def a_fixed_clock_setting(**changes: Any) -> dict[str, Any]:
    """A graphics setting at one clock that counts."""
    setting = {
        "domain": "gpu_core",
        "control": "fixed_clock_voltage",
        "clock_mhz": 1800,
        "stock_mv": 900,
        "stable_at": 800,
        "unstable_at": 790,
    }
    return a_setting(**{**setting, **changes})


def a_submission(*settings: dict[str, Any], number: int = 1, **changes: Any) -> dict[str, Any]:
    """A document of member and unit `number` with these settings, or with one that counts."""
    document = {
        "chip": CHIP,
        "unit_token": f"tidewater-unit-{number:06}",
        "contributor_token": f"tidewater-member-{number:06}",
        "stock_passed": [{"load": "vector_heavy", "minutes": 20}],
        "settings": list(settings) or [a_setting()],
        "measured_in": "2026-08",
        "client": "tidewater-script/0.3",
    }
    return _without_ellipsis({**document, **changes})


def a_count_submission(stable: int | None, unstable: int | None, number: int) -> dict[str, Any]:
    """A result in whole counts below stock, where a grid step is one count."""
    setting = a_setting(
        control="count_offset",
        stable_at=None if stable is None else -stable,
        unstable_at=None if unstable is None else -unstable,
        effect={"shown_by": "less_power"},
    )
    return a_submission(setting, number=number, chip=COUNT_CHIP)


def a_line_of_units(instance: Instance, limits: list[int]) -> None:
    """A result of each unit in whole counts, whose limit is known to the step."""
    for number, limit in enumerate(limits):
        send(instance, a_count_submission(limit or None, limit + 1, number))


def _without_ellipsis(fields: dict[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in fields.items() if value is not ...}


def a_body(document: Any) -> bytes:
    """The document as it goes over the wire."""
    return json.dumps(document).encode()


def send(instance: Instance, document: Any, key: str | None = None) -> Accepted:
    """The answer to the sender of this document."""
    return accept_submission(instance, a_body(document), key)


def a_question(instance: Instance, **parameters: str) -> Question:
    """The question with these query parameters."""
    sent = {name: [value] for name, value in {"chip": CHIP, **parameters}.items()}
    return parse_question(sent, instance.catalogue)


def rows_of(instance: Instance) -> dict[str, list[tuple[Any, ...]]]:
    """Every row of every table, in a fixed order."""
    with instance.reading() as connection:
        return {
            table.name: sorted(map(tuple, connection.execute(select(table))), key=repr)
            for table in METADATA.sorted_tables
        }


def everything_stored(instance: Instance) -> bytes:
    """Every byte in the file of the database once its log is folded in; on a server every row."""
    if instance.settings.database:
        return repr(rows_of(instance)).encode()
    with closing(dbapi2.connect(instance.settings.database_path)) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    return instance.settings.database_path.read_bytes()


@contextmanager
def no_writer(instance: Instance) -> Iterator[Callable[[], None]]:
    """From the call of what this gives until the end of the block, each write waits in vain."""
    if instance.settings.database:
        with psycopg.connect(instance.settings.database, autocommit=True) as connection:
            yield lambda: connection.execute(f"SELECT pg_advisory_lock({WRITERS_LOCK})") and None
    else:
        with instance.settings.write_lock_path.open("a") as lock:
            yield lambda: fcntl.flock(lock, fcntl.LOCK_EX)


def row_counts(instance: Instance) -> dict[str, int]:
    """How many rows each table has, empty tables left out."""
    return {name: len(rows) for name, rows in rows_of(instance).items() if rows}
