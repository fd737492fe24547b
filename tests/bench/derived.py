"""Derived data that could be computed again, and the share of a request that each part saves.

Each row compares the same request with a part and without it, in turns, in one process. A part
that saves less than a fifth of every request that meets it is not worth keeping.
"""

import logging
import tempfile
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from statistics import median
from threading import Barrier
from types import SimpleNamespace
from typing import Any
from unittest.mock import patch

import orjson
from sqlalchemy import Connection

from kbapi.advice import chips
from kbapi.advice.evidence_found import PeersByDepth, load_standing_in, peers_of
from kbapi.api import questions
from kbapi.chips import catalogue, catalogue_file
from kbapi.evidence import units
from kbapi.evidence.outlier_check import OutlierReport, check_outliers, counted_units
from kbapi.evidence.pools import stored_outliers_of
from kbapi.evidence.small_cells import released
from kbapi.evidence.units import PoolUnits, load_pool_rows, standing_on, units_of
from kbapi.instance import instance as instances
from kbapi.instance.instance import Instance
from kbapi.instance.secret import contributor_hash
from kbapi.intake import responses, submit
from kbapi.storage import answers
from kbapi.storage.answers import SingleFlight
from kbapi.storage.evidence import Surroundings, find_surroundings
from kbapi.storage.sql import change_rows, find_rows
from kbapi.storage.sqlite.engine import HotReads
from tests.bench._derived import Ask, Part, Served, saved, serving_results, without
from tests.bench._many_units import CHIPS
from tests.report import Row, measured

AT_ONCE = 8


def measure(*, short: bool) -> list[Row]:
    """The share of a request's CPU time that each part saves; negative where it costs some."""
    logging.getLogger("kbapi").setLevel(logging.ERROR)
    few, many = (200, 1_000) if short else (1_000, 100_000)
    with tempfile.TemporaryDirectory() as folder:
        with serving_results(Path(folder) / "many", many) as served:
            rows = _requests(served, f"{many:,} results", 1 if short else 7)
            rows += _of_the_mark(served, f"{many:,} results", 1 if short else 15)
        with serving_results(Path(folder) / "few", few) as served:
            rows += _requests(served, f"{few:,} results", 1 if short else 15)
            for part in _parts(served):
                what = f"{part.what}: {part.request}, {few:,} results"
                rows.append(saved(what, part, 1 if short else 15))
    return rows


# The requests themselves


def _requests(served: Served, of: str, rounds: int) -> list[Row]:
    """What the two requests cost that the parts are compared with."""
    costs = {
        "a computed start": served.computed(served.start),
        "a chip": served.get(f"/v1/chips/{CHIPS[0]}", 3),
        "a stored result": served.post(10),
    }
    return [
        measured(f"{what}, {of}", 1e3 * median(ask() for _ in range(rounds)), "ms CPU", "")
        for what, ask in costs.items()
    ]


def _standing(instance: Instance) -> units.Standing:
    return standing_on(instance.today(), contributor_hash(instance.secret, None))


# The mark of the rules


def _of_the_mark(served: Served, of: str, rounds: int) -> list[Row]:
    def unmarked(connection: Connection, rules_version: int) -> bool:
        statement = "SELECT 1 FROM submission WHERE rules_version < ? LIMIT 1"
        return bool(find_rows(connection, statement, (rules_version,)))

    ready = served.get("/health/ready")
    part = Part("", "", ready, without((instances, "has_older", unmarked)))
    return [saved(f"mark of the rules: /health/ready, {of}", part, rounds)]


# All others


def _parts(served: Served) -> Iterator[Part]:
    yield from _of_answers(served)
    yield from _of_reads(served)
    yield from _of_findings(served)
    yield from _of_chips(served)
    yield from _of_functions(served)


def _of_answers(served: Served) -> Iterator[Part]:
    """Stored answers, and those remembered while a new one is computed."""
    start, instance = served.get(served.start, 20), served.instance
    few = served.get(served.start, 2)
    nothing = (
        (answers, "find_fresh_answer", lambda *_: None),
        (answers, "save_answer", lambda *_: False),
    )
    yield Part("stored answers", "a start", few, without(*nothing))
    flying = (SingleFlight, "fly", lambda _self, _question, compute, _others: compute())
    yield Part(
        "one computes for all",
        f"{AT_ONCE} at once ask a stale start",
        _at_once(served),
        without(flying),
    )
    forgetting = (
        (SingleFlight, "_remember", lambda *_: None),
        (instance.single_flight, "_remembered", {}),
    )
    yield Part(
        "the previous answer meanwhile",
        f"wait of {AT_ONCE} at once for a stale start",
        _at_once(served, is_wait=True),
        without(*forgetting),
    )
    yield Part("remembering answers, its cost", "a stored start", start, without(*forgetting), "")


def _of_reads(served: Served) -> Iterator[Part]:
    """How a stored answer is read and outdated."""
    start, instance = served.get(served.start, 20), served.instance

    def by_the_engine(_self: HotReads, statement: str, asked: Any) -> list[Any]:
        with instance.reading() as connection:
            return find_rows(connection, statement, asked)

    yield Part(
        "reads without a transaction",
        "a stored start",
        start,
        without((HotReads, "rows", by_the_engine)),
    )
    yield Part(
        "revision of the line, not deleting its answers",
        "a stored result",
        served.post(10),
        without((submit.pools, "raise_line_revision", _delete_answers)),
    )


def _delete_answers(connection: Connection, line_id: int) -> None:
    change_rows(connection, "DELETE FROM stored_answer WHERE line_id = ?", (line_id,))


def _at_once(served: Served, *, is_wait: bool = False) -> Ask:
    """CPU of all together, or the median wait by the clock."""

    def ask() -> float:
        served.asked(served.start)
        served.outdate()
        barrier = Barrier(AT_ONCE)

        def one(_: int) -> float:
            barrier.wait()
            began = time.perf_counter()
            served.asked(served.start)
            return time.perf_counter() - began

        began = time.process_time()
        with ThreadPoolExecutor(AT_ONCE) as pool:
            waits = list(pool.map(one, range(AT_ONCE)))
        return median(waits) if is_wait else time.process_time() - began

    return ask


def _of_findings(served: Served) -> Iterator[Part]:
    served.outdate()
    served.asked(served.start)
    computed = _ComputedFindings(served)
    _require_the_same_findings(served, computed)
    yield Part(
        "peers by depth",
        "a stored result",
        served.post(5),
        without((responses, "find_surroundings", computed.with_peers)),
    )
    yield Part(
        "outliers and differing contributors",
        "a stored result",
        served.post(5),
        without((responses, "find_surroundings", computed.with_codes)),
    )


class _ComputedFindings:
    """What an answer found about a pool, found again for each result."""

    def __init__(self, served: Served) -> None:
        self._instance = served.instance
        self._floor = served.floor

    def with_peers(self, *of: Any, **how: bool) -> list[Surroundings]:
        """What is stored, with as many units by depth as are known and stable now."""
        connection, _, _, settings = of
        return [
            replace(one, known_peers=peers.known, stable_peers=peers.stable)
            for one, setting in zip(find_surroundings(*of, **how), settings, strict=True)
            for peers in [self.peers(connection, setting.place.pool_id)]
        ]

    def with_codes(self, *of: Any, **how: bool) -> list[Surroundings]:
        """What is stored, with why the unit does not count now."""
        connection, _, whose, settings = of
        places = (setting.place for setting in settings)
        return [
            replace(one, outlier_codes=self.codes(connection, place.pool_id, place.unit_id, whose))
            for one, place in zip(find_surroundings(*of, **how), places, strict=True)
        ]

    def peers(self, connection: Connection, pool_id: int) -> PeersByDepth:
        """How many units are known and stable by depth now."""
        standing = load_standing_in(connection, self._instance)
        rows = released(load_pool_rows(connection, pool_id, standing))
        whole = units_of(rows)
        stands = counted_units(whole, check_outliers(whole, self._floor), self._floor)
        return peers_of(SimpleNamespace(reported=stands.reported, rows=rows, whole=whole))

    def codes(
        self, connection: Connection, pool_id: int, unit_id: int, whose: int
    ) -> tuple[str, ...]:
        """Why the unit does not count now."""
        kept = stored_outliers_of(self._judged(connection, pool_id)[1])
        found = [one.code for one in kept.units if one.unit_id == unit_id]
        return (*found, *["contributor_differs"] * (whose in kept.differing))

    def _judged(self, connection: Connection, pool_id: int) -> tuple[PoolUnits, OutlierReport]:
        standing = load_standing_in(connection, self._instance)
        of_pool = units_of(load_pool_rows(connection, pool_id, standing))
        return of_pool, check_outliers(of_pool, self._floor)


def _require_the_same_findings(served: Served, computed: _ComputedFindings) -> None:
    with served.instance.reading() as connection:
        # Stored peers are those of the day's first answer; results have arrived since.
        ((known,),) = find_rows(connection, "SELECT known FROM pool_peers WHERE pool_id = 1", ())
        stored, now = orjson.loads(known), computed.peers(connection, 1).known
        assert 0 < stored[min(85, len(stored) - 1)] <= now[min(85, len(now) - 1)]
        outliers = find_rows(
            connection,
            "SELECT code, unit_id, contributor_id FROM outlier_unit JOIN unit ON id = unit_id "
            "WHERE pool_id = 1 LIMIT 3",
            (),
        )
        assert outliers
        for code, *outlier in outliers:
            assert code in computed.codes(connection, 1, *outlier)


def _of_chips(served: Served) -> Iterator[Part]:
    start = served.get(served.start, 20)
    parsing = (questions, "_PARSED", SimpleNamespace(of=lambda _parse, read: read()))
    naming = (catalogue, "_identified", catalogue._identified.__wrapped__)
    indexing = (chips, "_indexed", chips._indexed.__wrapped__)
    name = "names of chips"

    def asked_anew() -> float:
        with patch.object(*parsing):
            return start()

    yield Part("parsed questions", "a stored start", start, without(parsing))
    yield Part(name, "a stored start, asked in a new way", asked_anew, without(naming))
    yield Part(name, "a stored result", served.post(10), without(naming))
    search = served.get("/v1/chips?search=sable")
    yield Part("index of known chips", "a search for chips", search, without(indexing))


def _of_functions(served: Served) -> Iterator[Part]:
    uncached = without((catalogue_file, "_catalogue_of", catalogue_file._catalogue_of.__wrapped__))
    yield Part("the catalogue, read once", "opening an instance", _opening(served), uncached)


def _opening(served: Served) -> Ask:
    settings = served.instance.settings

    def ask() -> float:
        began = time.process_time()
        opened = instances.open_instance(settings)
        assert opened.catalogue
        opened.close()
        return time.process_time() - began

    return ask
