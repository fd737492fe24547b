"""What a stored answer costs the server beside an idle route, and beside SQL over the rows."""

import importlib.util
import sqlite3
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import closing
from itertools import repeat
from pathlib import Path
from statistics import median
from urllib.parse import urlencode

import orjson

from tests.bench._load import (
    Connection,
    Served,
    a_collecting_key,
    get,
    serving,
    serving_instance,
    under_load,
)
from tests.bench._many_units import CHIPS, fill_pool
from tests.bench._served import CONSTANT
from tests.makers import an_instance
from tests.processes import free_port
from tests.report import Row, measured, not_measured

ROUNDS = 5
START = f"/v1/start?chip={CHIPS[0]}"
PAGE = f"/chips/{CHIPS[0]}"
_PERCENTILES = """
WITH ranked AS (
    SELECT stable_steps, row_number() OVER (ORDER BY stable_steps) AS place, count(*) OVER () AS n
    FROM setting_result WHERE pool_id = 1 AND status = 'counted'
)
SELECT stable_steps FROM ranked
WHERE place IN (n / 20, n / 10, n / 4, n / 2, n * 3 / 4, n * 9 / 10, n * 19 / 20)
"""


def measure(*, short: bool) -> list[Row]:
    """Ratios of the server's CPU time for one answer, medians of rounds that take turns."""
    pools, units, answers = (2, 2_000, 48) if short else (10, 100_000, 8_000)
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder) / "home"
        _make(Path(folder), pools, units)
        key = a_collecting_key(home)
        with serving_instance(home, free_port()) as served:
            status, body, etag = _first(served)
            assert status == 200
            assert orjson.loads(body)["evidence"]["units"] > 0.9 * units
            (home / CONSTANT).write_bytes(body)
            kinds = {
                "start": (get(START, **key), 200),
                "not modified": (get(START, If_None_Match=etag, **key), 304),
                "chip page": (get(PAGE, Accept="text/html", **key), 200),
                "noop": (get("/noop", **key), 200),
                "bare": (get("/bare", **key), 200),
            }
            costs = _in_turns(served, kinds, answers)
        by_sql = None
        if importlib.util.find_spec("datasette"):
            by_sql = _by_sql(home / "kbapi.sqlite3", Path(folder), 20 if short else 40)
    cost = {kind: median(each) for kind, each in costs.items()}
    of = f"{pools * units:,} results"
    rows = [
        measured(f"{kind}, {of}", cost[kind], "us CPU", "")
        for kind in ("start", "not modified", "chip page", "noop", "bare")
    ]
    start, not_modified = _ratio(costs, "start"), _ratio(costs, "not modified")
    bare = _ratio(costs, "start", "bare")
    page = 1 / _ratio(costs, "chip page", "start")
    return [
        *rows,
        measured("start, rate over a no-op route's", start, "ratio", ">= 0.80"),
        measured("304, rate over a no-op route's", not_modified, "ratio", ">= 0.85"),
        measured("start, rate over a bare application's", bare, "ratio", ""),
        measured("chip page, its time over the start's", page, "ratio", "<= 3"),
        *_beside_sql(f"percentiles by SQL over the same {of}", by_sql, cost["start"], short=short),
    ]


def _beside_sql(what: str, by_sql: float | None, start: float, *, short: bool) -> list[Row]:
    ratio, wanted = "start, rate over that", "" if short else ">= 8"
    if by_sql is None:
        why = "datasette is not installed: pip install -e .[peers]"
        return [not_measured(what, "us CPU", "", why), not_measured(ratio, "ratio", wanted, why)]
    return [
        measured(what, by_sql, "us CPU", ""),
        measured(ratio, by_sql / start, "ratio", wanted),
    ]


def _make(folder: Path, pools: int, units: int) -> None:
    instance = an_instance(folder)
    for place in range(pools):
        with instance.writing() as connection:
            fill_pool(connection, place, units)
    instance.close()


def _first(served: Served) -> tuple[int, bytes, str]:
    """The answer, computed at its first reading, and its ETag."""
    import urllib.request

    with urllib.request.urlopen(f"http://127.0.0.1:{served.port}{START}") as answer:
        return answer.status, answer.read(), answer.headers["ETag"]


def _in_turns(
    served: Served, kinds: dict[str, tuple[bytes, int]], answers: int
) -> dict[str, list[float]]:
    """CPU microseconds of each kind in each round; a first round warms up and does not count."""
    costs: dict[str, list[float]] = {kind: [] for kind in kinds}
    for number in range(ROUNDS + 1):
        for kind, (request, status) in kinds.items():
            load = under_load(served, _always(request), answers, status)
            if number:
                costs[kind].append(load.cpu_us)
    return costs


def _always(request: bytes) -> Callable[[int], Iterator[bytes]]:
    return lambda _place: repeat(request)


def _ratio(costs: dict[str, list[float]], kind: str, idle: str = "noop") -> float:
    return median(one / cost for one, cost in zip(costs[idle], costs[kind], strict=True))


def _by_sql(database: Path, folder: Path, answers: int) -> float:
    """CPU microseconds of a general server of SQLite files that computes percentiles by SQL."""
    copy = folder / "copy.db"
    with closing(sqlite3.connect(database)) as source, closing(sqlite3.connect(copy)) as target:
        source.backup(target)
    port = free_port()
    command = [sys.executable, "-m", "datasette", "serve", str(copy), "--port", str(port)]
    command += ["--setting", "sql_time_limit_ms", "60000", "--setting", "max_returned_rows", "100"]
    with serving(command, port, "/-/versions.json", folder / "sql.log") as served:
        query = urlencode({"sql": _PERCENTILES, "_shape": "arrays"})
        connection = Connection(port)
        assert connection.ask(get(f"/copy.json?{query}"))[0] == 200
        connection.close()
        load = under_load(served, _always(get(f"/copy.json?{query}")), answers, 200, connections=2)
    return load.cpu_us
