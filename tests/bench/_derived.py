"""A request with and without a part of the derived data, in turns, in one process."""

import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, ExitStack, contextmanager
from dataclasses import dataclass
from itertools import count
from pathlib import Path
from statistics import median
from unittest.mock import patch

import orjson
from flask import Flask
from werkzeug.test import create_environ

from kbapi.app import create_app
from kbapi.evidence.pools import floor_steps
from kbapi.instance.instance import Instance
from tests.bench._direct_read import fill_results
from tests.bench._many_units import CHIPS
from tests.makers import a_question, a_setting, a_submission, an_instance
from tests.report import Row, measured

WANTED = ">= 0.2"
Without = Callable[[], AbstractContextManager[object]]
Ask = Callable[[], float]


@dataclass(frozen=True)
class Part:
    """A part of the derived data, a request that uses it, and how to work without it."""

    what: str
    request: str
    ask: Ask
    without: Without
    wanted: str = WANTED


def saved(what: str, part: Part, rounds: int) -> Row:
    """The share that the part saves: the median over rounds, each way first as often."""
    spent: dict[bool, list[float]] = {True: [], False: []}
    for number in range(-1, rounds):  # the first round warms up
        for is_kept in (True, False) if number % 2 else (False, True):
            with ExitStack() as stack:
                if not is_kept:
                    stack.enter_context(part.without())
                cost = part.ask()
            if number >= 0:
                spent[is_kept].append(cost)
    # Consecutive requests ran under the same load, so each pair is compared by itself.
    ratio = median(one / other for one, other in zip(spent[True], spent[False], strict=True))
    stored, computed = median(spent[True]), median(spent[False])
    note = f"{1e3 * stored:.3g} ms with it, {1e3 * computed:.3g} ms without"
    return measured(what, 1.0 - ratio, "ratio", part.wanted, note)


class Served:
    """An instance with a pool of so many results, asked in this process."""

    def __init__(self, instance: Instance, app: Flask) -> None:
        self.instance, self._app, self._numbers = instance, app, count(20_000_000)
        start = a_question(instance, chip=CHIPS[0])
        self.floor = floor_steps(
            "voltage_offset", instance.catalogue.grid_for(start.chip, "voltage_offset")
        )
        self.start = f"/v1/start?chip={CHIPS[0]}"

    def asked(self, path: str, body: bytes = b"", status: int = 200) -> tuple[float, bytes]:
        """CPU seconds and body of one answer."""
        environ = create_environ(path, method="POST" if body else "GET", data=body or None)
        if body:
            environ["CONTENT_TYPE"] = "application/json"
        lines: list[str] = []
        began = time.process_time()
        answer = self._app.wsgi_app(environ, lambda line, *_: lines.append(line))
        found = b"".join(answer)
        answer.close()
        spent = time.process_time() - began
        assert lines[0].startswith(str(status)), (lines, found[:500])
        return spent, found

    def get(self, path: str, times: int = 1) -> Ask:
        """So many of the same request, one after the other."""
        return lambda: sum(self.asked(path)[0] for _ in range(times)) / times

    def computed(self, path: str) -> Ask:
        """A request whose stored answer has gone stale."""

        def ask() -> float:
            self.outdate()
            return self.asked(path)[0]

        return ask

    def outdate(self) -> None:
        """Make every stored answer stale."""
        with self.instance.writing() as connection:
            connection.exec_driver_sql("UPDATE line SET revision = revision + 1")

    def post(self, times: int = 1) -> Ask:
        """Results of new units for the pool."""

        def ask() -> float:
            bodies = [self.a_result() for _ in range(times)]
            return sum(self.asked("/v1/submissions", one, 201)[0] for one in bodies) / times

        return ask

    def a_result(self) -> bytes:
        """One of a new unit, like those of the pool."""
        number = next(self._numbers)
        setting = a_setting(stable_at=-80 - number % 20, unstable_at=-110)
        return orjson.dumps(a_submission(setting, number=number, chip=CHIPS[0]))


@contextmanager
def serving_results(folder: Path, results: int) -> Iterator[Served]:
    folder.mkdir()
    instance = an_instance(folder)
    with instance.writing() as connection:
        fill_results(connection, 0, results)
    yield Served(instance, create_app(instance))
    instance.close()


@contextmanager
def _patched(*changes: tuple[object, str, object]) -> Iterator[None]:
    with ExitStack() as stack:
        for where, name, instead in changes:
            stack.enter_context(patch.object(where, name, instead))
        yield


def without(*changes: tuple[object, str, object]) -> Without:
    return lambda: _patched(*changes)
