"""What an instance on PostgreSQL costs: a start, a result, two hosts, a million results, a model.

Where a commit takes 5 ms more, a deferred trigger sleeps at it: a transaction holds its locks for
so long and uses no CPU, as with a synchronous standby that is 5 ms away. The server does not flush
its log, so other work on the disk does not count.
"""

import shutil
import sqlite3
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, closing, contextmanager, suppress
from dataclasses import dataclass, replace
from itertools import count, repeat
from math import log10
from pathlib import Path
from statistics import median
from typing import Any
from unittest import mock

import orjson
import psycopg

from kbapi.demo.members import install_catalogue
from kbapi.errors import DocumentRefused
from kbapi.instance.instance import create_or_open_instance
from kbapi.intake.submit import accept_submission
from kbapi.settings import Settings
from tests.bench._load import (
    Connection,
    Load,
    Served,
    a_collecting_key,
    get,
    post,
    serving_instance,
    under_load,
)
from tests.bench._many_units import CHIPS, fill_pool
from tests.bench.intake import a_document
from tests.makers import FAR_LIMITS, an_instance
from tests.postgres import PostgresServer, a_postgres_server, execute
from tests.report import Row, measured
from tests.system.server import free_port

ROUNDS, SHORT_ROUNDS = 5, 1
COMMIT_MS = 5
START = f"/v1/start?chip={CHIPS[0]}"
_TABLES = (
    "line",
    "chip",
    "pool",
    "conditions",
    "contributor",
    "unit",
    "submission",
    "setting_result",
)
_RAISE = "UPDATE line "
_SLOW_COMMIT = f"""
    CREATE FUNCTION wait_at_commit() RETURNS trigger LANGUAGE plpgsql
        AS $$BEGIN PERFORM pg_sleep({COMMIT_MS / 1_000}); RETURN NULL; END$$;
    CREATE CONSTRAINT TRIGGER wait_at_commit AFTER INSERT ON submission
        DEFERRABLE INITIALLY DEFERRED FOR EACH ROW EXECUTE FUNCTION wait_at_commit();
    """


def measure(*, short: bool) -> list[Row]:
    """Medians of rounds that take turns."""
    with (
        tempfile.TemporaryDirectory() as folder,
        a_postgres_server(fsync=False, shared_buffers="256MB", max_wal_size="4GB") as server,
    ):
        bench = _Bench(server, Path(folder), short=short)
        starts, start = bench.starts()
        hosts, result = bench.hosts()
        sizes, growth = bench.sizes()
        return [*starts, *hosts, *sizes, *_modelled(start, result, growth)]


@dataclass(frozen=True)
class _Cost:
    """What one request costs."""

    host_us: float
    """CPU, as the database's."""
    database_us: float
    ways: int = 1
    """How often a host waits for the database."""
    ways_locked: int = 0
    """Of these, while the row of a line is locked, the commit included."""

    @property
    def cpu_us(self) -> float:
        """Of host and database."""
        return self.host_us + self.database_us


@dataclass(frozen=True)
class _Run:
    """A load over one or several hosts."""

    rate: float
    cost: _Cost


class _Bench:
    """Instances on one server, and what they cost."""

    def __init__(self, server: PostgresServer, folder: Path, *, short: bool) -> None:
        self._server, self._folder, self._short = server, folder, short
        self._numbers = count(1)

    def starts(self) -> tuple[list[Row], _Cost]:
        """A stored start over both databases, in turns."""
        answers = 80 if self._short else 1_200
        file = self._filled(1, 1_000 if self._short else 10_000)
        request = get(START, **a_collecting_key(file))
        home, url = self._copied(file)
        with (
            serving_instance(file, free_port()) as sqlite,
            serving_instance(home, free_port(), KBAPI_DATABASE=url) as postgres,
        ):
            _ask_first(request, sqlite, postgres)
            sides = {"sqlite": (sqlite,), "postgres": (postgres,)}
            rounds = self._in_turns(sides, _always(request), answers, 200)
        of_file, own = (_middle(rounds[name]) for name in ("sqlite", "postgres"))
        ratio = _ratio(rounds["sqlite"], rounds["postgres"], lambda run: run.cost.host_us)
        both = _ratio(rounds["sqlite"], rounds["postgres"], lambda run: run.cost.cpu_us)
        elapsed = _ratio(rounds["postgres"], rounds["sqlite"], lambda run: run.rate)
        return [
            measured("stored start over SQLite", of_file.host_us, "us CPU", ""),
            measured("the same over PostgreSQL, the host", own.host_us, "us CPU", ""),
            measured("the same over PostgreSQL, the database", own.database_us, "us CPU", ""),
            measured("its rate over SQLite's, by the host's CPU", ratio, "ratio", ">= 0.5"),
            measured("the same by the CPU of both", both, "ratio", ">= 0.5"),
            measured("the same by the clock", elapsed, "ratio", ""),
        ], own

    def hosts(self) -> tuple[list[Row], _Cost]:
        """Results over one and two hosts, in turns, where a commit takes 5 ms."""
        url, home = self._server.create_database(), self._folder / "first"
        chips = self._many_lines(url, home)
        ways = self._ways_of_a_result(url, home, chips)
        execute(url, _SLOW_COMMIT)
        other = self._folder / "second"
        shutil.copytree(home, other)
        key = a_collecting_key(home, url)
        results = self._results(chips, key)
        with ExitStack() as opened:
            hosts = [
                opened.enter_context(serving_instance(one, free_port(), KBAPI_DATABASE=url))
                for one in (home, other)
            ]
            rows: list[Row] = []
            for clients in (1,) if self._short else (4, 2, 1):
                answers = clients * (16 if self._short else 60)
                one_and_two = {"one": hosts[:1], "two": hosts}
                rounds = self._in_turns(one_and_two, results, answers, 201, clients)
                rows += _rows_of_hosts(rounds, clients)
        found = _middle(rounds["two"])
        cost = _Cost(found.host_us, found.database_us, *ways)
        return [
            *rows,
            measured("ways to the database for a result", cost.ways, "count", ""),
            measured("of these while its line is locked", cost.ways_locked, "count", ""),
        ], cost

    def _many_lines(self, url: str, home: Path) -> list[str]:
        """The keys of chips that are in lines of their own in this new instance."""
        home.mkdir(mode=0o700)
        install_catalogue(home / "catalogue")
        instance = create_or_open_instance(Settings(home=home, database=url, **FAR_LIMITS))
        chips = []
        for key in instance.catalogue.chips:
            with suppress(DocumentRefused):
                accept_submission(instance, orjson.dumps(_a_document(next(self._numbers), key)))
                chips.append(key)
        instance.close()
        execute(url, "INSERT INTO line SELECT 1000 + id, key || id, 0 FROM chip")
        execute(url, "UPDATE chip SET line_id = 1000 + id")
        return chips

    def _ways_of_a_result(self, url: str, home: Path, chips: list[str]) -> tuple[int, int]:
        """How often the host waits for the database for one more result; while it has the lock."""
        instance = create_or_open_instance(Settings(home=home, database=url, **FAR_LIMITS))
        bodies = [orjson.dumps(_a_document(next(self._numbers), chips[0])) for _ in range(9)]
        for body in bodies[1:]:
            accept_submission(instance, body)
        with _watched() as found:
            accept_submission(instance, bodies[0])
        instance.close()
        return len(found), len(found) - next(n for n, text in enumerate(found) if _RAISE in text)

    def _results(
        self, chips: Sequence[str], key: dict[str, str]
    ) -> Callable[[int], Iterator[bytes]]:
        def requests(_place: int) -> Iterator[bytes]:
            for number in self._numbers:
                document = _a_document(number, chips[number % len(chips)])
                yield post("/v1/submissions", orjson.dumps(document), **key)

        return requests

    def sizes(self) -> tuple[list[Row], float]:
        """Results and stored starts among few and many results, in turns."""
        pools, units = (1, 2_000) if self._short else (10, 100_000)
        few, many = (self._copied(self._filled(*of)) for of in ((1, 1_000), (pools, units)))
        answers = 80 if self._short else 320
        with (
            serving_instance(few[0], free_port(), KBAPI_DATABASE=few[1]) as small,
            serving_instance(many[0], free_port(), KBAPI_DATABASE=many[1]) as large,
        ):
            sides = {"few": (small,), "many": (large,)}
            _ask_first(get(START), small, large)
            starts = self._in_turns(sides, _always(get(START)), answers, 200)
            written = self._in_turns(sides, self._results(CHIPS[:1], {}), answers, 201)
        of = f"{pools * units:,} results"
        wanted = "" if self._short else ">= 0.9"
        rows = []
        for what, rounds in (("stored start", starts), ("result", written)):
            for side, name in (("few", "1,000 results"), ("many", of)):
                cost = _middle(rounds[side])
                rows.append(measured(f"{what}, {name}: host", cost.host_us, "us CPU", ""))
                rows.append(measured("the same: database", cost.database_us, "us CPU", ""))
            by_cpu = _ratio(rounds["few"], rounds["many"], lambda run: run.cost.cpu_us)
            by_clock = _ratio(rounds["many"], rounds["few"], lambda run: run.rate)
            rows.append(measured(f"{what}: rate with {of} over 1,000", by_cpu, "ratio", wanted))
            rows.append(measured("the same by the clock", by_clock, "ratio", ""))
        more = _middle(written["many"]).database_us / _middle(written["few"]).database_us
        return rows, more ** (1 / log10(pools * units / 1_000))

    def _filled(self, pools: int, units: int) -> Path:
        """The home of an instance in a file with so many results."""
        folder = Path(tempfile.mkdtemp(dir=self._folder))
        instance = an_instance(folder)
        for place in range(pools):
            with instance.writing() as connection:
                fill_pool(connection, place, units)
        instance.close()
        return folder / "home"

    def _copied(self, home: Path) -> tuple[Path, str]:
        """An instance on the server with the same secret and rows, and the URL of its database."""
        url, other = self._server.create_database(), home.parent / "other" / "home"
        other.parent.mkdir()
        shutil.copytree(home, other, ignore=shutil.ignore_patterns("*.sqlite3*"))
        create_or_open_instance(Settings(home=other, database=url, **FAR_LIMITS)).close()
        with (
            closing(sqlite3.connect(home / "kbapi.sqlite3")) as source,
            psycopg.connect(url) as target,
        ):
            for table in (*_TABLES, "access_key"):
                _copy(source, target.cursor(), table)
        execute(url, "ANALYZE")
        return other, url

    def _in_turns(
        self,
        sides: Mapping[str, Sequence[Served]],
        requests: Callable[[int], Iterator[bytes]],
        answers: int,
        status: int,
        clients: int = 4,
    ) -> dict[str, list[_Run]]:
        """The runs of each side; a first round warms up and does not count."""
        found: dict[str, list[_Run]] = {name: [] for name in sides}
        for number in range((SHORT_ROUNDS if self._short else ROUNDS) + 1):
            order = list(sides.items())
            for name, hosts in order if number % 2 else reversed(order):
                run = self._run(hosts, requests, answers, status, clients)
                if number:
                    found[name].append(run)
        return found

    def _run(
        self,
        hosts: Sequence[Served],
        requests: Callable[[int], Iterator[bytes]],
        answers: int,
        status: int,
        clients: int,
    ) -> _Run:
        """So many answers of each host, all hosts at the same time."""
        before = self._server.cpu_seconds()
        with ThreadPoolExecutor(len(hosts)) as pool:

            def loaded(host: Served) -> Load:
                return under_load(host, requests, answers, status, clients)

            began = time.perf_counter()
            loads = list(pool.map(loaded, hosts))
            seconds = time.perf_counter() - began
        number = sum(load.answers for load in loads)
        host_us = 1e6 * sum(load.cpu_s for load in loads) / number
        database_us = 1e6 * (self._server.cpu_seconds() - before) / number
        return _Run(number / seconds, _Cost(host_us, database_us))


def _a_document(number: int, chip: str) -> dict[str, Any]:
    """A whole document about this chip, whose core hangs on a rail of its own."""
    document = a_document(number, number) | {"chip": chip}
    del document["chip_ids"], document["settings"][0]["moved_with"]
    del document["trials"][0]["settings"][1:]
    return document


@contextmanager
def _watched() -> Iterator[list[str]]:
    """The statement of each time that this process waits for a database, as they come."""
    found: list[str] = []
    latest = [""]
    wait, execute = psycopg.Connection.wait, psycopg.Cursor.execute

    def waits(connection: psycopg.Connection, *given: Any, **more: Any) -> Any:
        found.append(latest[0])
        return wait(connection, *given, **more)

    def executes(cursor: psycopg.Cursor, query: str, *given: Any, **more: Any) -> Any:
        latest[0] = query
        return execute(cursor, query, *given, **more)

    with (
        mock.patch.object(psycopg.Connection, "wait", waits),
        mock.patch.object(psycopg.Cursor, "execute", executes),
    ):
        yield found


def _copy(source: sqlite3.Connection, target: psycopg.Cursor, table: str) -> None:
    """Every row of a table; the next number of a row follows the last one."""
    rows = source.execute(f"SELECT * FROM {table}")
    names = [column[0] for column in rows.description]
    with target.copy(f"COPY {table} ({', '.join(names)}) FROM STDIN") as copied:
        for row in rows:
            copied.write_row(row)
    if table not in ("line", "health_probe"):
        last = f"(SELECT COALESCE(MAX(id), 1) FROM {table})"
        target.execute(f"SELECT setval(pg_get_serial_sequence('{table}', 'id'), {last})")


def _ask_first(request: bytes, *hosts: Served) -> None:
    """Let each compute the answer once: several at once would wait for the first."""
    for host in hosts:
        connection = Connection(host.port)
        while connection.ask(request)[0] != 200:
            time.sleep(0.5)
        connection.close()


def _always(request: bytes) -> Callable[[int], Iterator[bytes]]:
    return lambda _place: repeat(request)


def _middle(runs: Sequence[_Run]) -> _Cost:
    return _Cost(
        median(run.cost.host_us for run in runs), median(run.cost.database_us for run in runs)
    )


def _ratio(ones: Sequence[_Run], others: Sequence[_Run], of: Callable[[_Run], float]) -> float:
    return median(of(one) / of(other) for one, other in zip(ones, others, strict=True))


def _rows_of_hosts(rounds: dict[str, list[_Run]], clients: int) -> list[Row]:
    cost = _middle(rounds["two"])
    rate = {name: median(run.rate for run in runs) for name, runs in rounds.items()}
    more = _ratio(rounds["two"], rounds["one"], lambda run: run.rate)
    share = median(run.cost.database_us / run.cost.host_us for run in rounds["two"])
    each = f"{clients} clients of each host"
    return [
        measured(f"results a second, one host, {each}", rate["one"], "/s", ""),
        measured("the same with two hosts", rate["two"], "/s", ""),
        measured("rate with two hosts over one", more, "ratio", ">= 1.6"),
        measured("a result with two hosts: the host", cost.host_us, "us CPU", ""),
        measured("a result with two hosts: the database", cost.database_us, "us CPU", ""),
        measured("the database's CPU over the hosts'", share, "ratio", "<= 0.2"),
    ]


_CORES_OF_A_HOST, _CORES_OF_THE_DATABASE = 2, 8
_WRITERS = 16
"""Of a host: two processes with eight connections each."""
_LINES = 30


def _modelled(start: _Cost, result: _Cost, growth: float) -> list[Row]:
    """Rates by hosts, by the time of a way to the database, and by size.

    A rate is the least of its limits: the CPU of hosts, the CPU of the database, and for results
    the connections that wait and the locks of lines.
    """
    rows = [
        measured(
            f"modelled: {hosts} hosts, {way_ms} ms a way: results",
            _results_rate(result, hosts, way_ms),
            "/s",
            "",
        )
        for hosts in (1, 2, 4, 8)
        for way_ms in (0.1, 0.5, 2.0)
    ]
    rows += [
        measured(f"modelled: {hosts} hosts: stored starts", _cpu_rate(start, hosts), "/s", "")
        for hosts in (1, 2, 4, 8)
    ]
    rows += [
        measured(
            f"modelled: 4 hosts, {size:,} results: results",
            _results_rate(_grown(result, growth ** log10(size / 1_000)), 4, 0.5),
            "/s",
            "",
        )
        for size in (1_000, 1_000_000, 100_000_000)
    ]
    return rows


def _cpu_rate(cost: _Cost, hosts: int) -> float:
    return 1e6 * min(
        hosts * _CORES_OF_A_HOST / cost.host_us, _CORES_OF_THE_DATABASE / cost.database_us
    )


def _results_rate(cost: _Cost, hosts: int, way_ms: float) -> float:
    commit_ms = COMMIT_MS + way_ms
    transaction_ms = cost.cpu_us / 1_000 + (cost.ways - 1) * way_ms + commit_ms
    locked_ms = (cost.ways_locked - 1) * way_ms + commit_ms
    return min(
        _cpu_rate(cost, hosts),
        1_000 * hosts * _WRITERS / transaction_ms,
        1_000 * _LINES / locked_ms,
    )


def _grown(cost: _Cost, growth: float) -> _Cost:
    return replace(cost, database_us=cost.database_us * growth)
