"""Fuzzing by cost: requests are drawn and mutated, and what was dear is grown further.

In CPU time, and for the tests in calls and in bytes of memory, which do not depend on the machine.
`tests/house/test_reading_is_linear.py` counts the steps of patterns. A cost is given as its share
of what an input of its size is allowed.
"""

import json
import signal
import sys
import tempfile
import time
import tracemalloc
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field, replace
from pathlib import Path
from random import Random
from types import FrameType
from typing import Any

from flask.testing import FlaskClient

from kbapi.app import create_app
from kbapi.chips.naming import identify_chip
from tests.bench.guidance import fill_with_measured
from tests.outside._inputs import KB, Input, inputs_of, mutated
from tests.outside.demo_instance import Known, fill, opened
from tests.report import Row, measured

SEED = 20261130
KINDS = ("document", "batch", "follow-up", "question", "query", "host query", "head", "chip text")
SAVED = Path(tempfile.gettempdir()) / "kbapi-dearest"
"""Where the dearest inputs are kept, for `worst`."""
_LONGEST_S = 15.0
_UNIT = b"k3v9-demo-unit-000017"
MB = KB * KB
FEW = 4
"""Of the dearest inputs, those from which half of the others grow."""


@dataclass(frozen=True)
class Bound:
    """What an input may cost: once, and for each kB beyond those that are free."""

    once: float
    per_kb: float
    free_kb: float = 0
    most: float = float("inf")

    def of(self, size: int) -> float:
        return min(self.most, self.once + self.per_kb * max(0, size / KB - self.free_kb))


_DOCUMENT_MS, _QUESTION_MS = Bound(20, 5), Bound(60, 5, free_kb=4)
CPU_MS = dict.fromkeys(("document", "batch", "follow-up"), _DOCUMENT_MS)
CPU_MS |= dict.fromkeys(("question", "query", "head"), _QUESTION_MS) | {"chip text": Bound(1, 1)}
# With a curator's key: the start before and after a decision, and those without some contributors.
CPU_MS["host query"] = Bound(500, 5, free_kb=4)
CALLS_PER_MS = 10_000
"""Calls of functions, those of C included, that took about a millisecond where CI runs."""
CALLS = {
    kind: Bound(CALLS_PER_MS * ms.once, CALLS_PER_MS * ms.per_kb, ms.free_kb)
    for kind, ms in CPU_MS.items()
}
MEMORY = dict.fromkeys(KINDS, Bound(4 * MB, 100 * KB, most=64 * MB))


class TooMuch(BaseException):
    """The cost went so far beyond its bound that the try was ended; no handler catches it."""


@dataclass(frozen=True)
class Found:
    """An input, its cost, and the share of what it is allowed."""

    input: Input
    cost: float
    share: float

    @property
    def shown(self) -> str:
        """The input, shortened."""
        one = self.input
        sent = one.tree if isinstance(one.tree, str) else one.body or one.address
        text = repr(sent if len(sent) <= 90 else sent[:60])
        where = f"{one.method} {one.path} " if one.body else ""
        head = f" {dict(one.tree)!r:.90}" if one.kind == "head" else ""
        return f"{where}{one.size} bytes: {text}{head}"


@dataclass(frozen=True)
class Effort:
    """How long to look, and the largest input to try."""

    tries: int
    largest: int
    seconds: float = float("inf")


SHORT = Effort(24, 36 * KB)
LONG = Effort(10**6, 1_000 * KB, 90)
Cost = Callable[[Input], float]
Meter = Callable[[Callable[[], object], float], float]
"""What an act cost; it ends the act if that goes far beyond the given bound."""


def by_cpu(act: Callable[[], object], allowed: float) -> float:
    """CPU milliseconds of this thread: while a timer runs, those of the process come in ticks."""

    def end(_signal: int, _frame: FrameType | None) -> None:
        raise TooMuch

    before = signal.signal(signal.SIGPROF, end)
    signal.setitimer(signal.ITIMER_PROF, min(_LONGEST_S, allowed / 50))
    began = time.thread_time()
    try:
        with suppress(TooMuch):
            act()
        return 1e3 * (time.thread_time() - began)
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
        signal.signal(signal.SIGPROF, before)


def by_calls(act: Callable[[], object], allowed: float) -> float:
    """Calls of functions in this thread."""
    calls = 0

    def count(_frame: FrameType, event: str, _argument: Any) -> None:
        nonlocal calls
        if event in ("call", "c_call"):
            calls += 1
            if calls > 2 * allowed:
                raise TooMuch

    sys.setprofile(count)
    try:
        with suppress(TooMuch):
            act()
    finally:
        sys.setprofile(None)
    return calls


def by_memory(act: Callable[[], object], _allowed: float) -> float:
    """The most bytes that were allocated at once."""
    tracemalloc.start()
    try:
        act()
        return tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()


@dataclass
class Target:
    """An application that is asked in this process, and its server errors."""

    client: FlaskClient
    forget: Callable[[], None] = lambda: None
    """Deletes stored answers, so that each question is computed."""
    errors: list[str] = field(default_factory=list)
    sent: int = 0

    def act(self, one: Input) -> Callable[[], object]:
        """How this input is sent; a unit token of its own makes each result a new one."""
        if one.kind == "chip text":
            return lambda: identify_chip(one.tree)
        self.forget()
        self.sent += 1
        body = one.body.replace(_UNIT, b"k3v9-demo-unit-%06d" % self.sent)
        method, address, headers = one.method.upper(), one.address, one.headers

        def ask() -> None:
            with self.client.open(address, method=method, data=body, headers=headers) as answer:
                answer.get_data()
                if answer.status_code >= 500:
                    self.errors.append(f"{answer.status_code} {method} {address[:200]}")

        return ask


@contextmanager
def a_target(units: int) -> Iterator[tuple[Target, Known]]:
    """An instance with a large pool."""
    with tempfile.TemporaryDirectory() as name:
        known = fill(Path(name), 60)
        with opened(Path(name), "open") as instance:
            fill_with_measured(instance, units)

            def forget() -> None:
                with instance.writing() as connection:
                    connection.exec_driver_sql("DELETE FROM stored_answer")

            target = Target(create_app(instance).test_client(), forget)
            for one in inputs_of("query", known, Random(SEED)):
                target.act(one)()  # the first request of a kind loads and builds more
            yield target, known


def hunt(
    begin: Sequence[Input],
    cost: Cost,
    bounds: Bound,
    change: Callable[[Input], Input],
    rng: Random,
    effort: Effort,
) -> list[Found]:
    """The dearest inputs, the dearest first; half of the tries grow one of the dearest."""
    dearest: list[Found] = []
    until = time.process_time() + effort.seconds
    for number in range(effort.tries):
        if number < len(begin):
            one = begin[number]
        else:
            few = dearest[:FEW] if rng.random() < 0.5 else dearest
            one = change(rng.choice(few).input if rng.random() < 0.8 else rng.choice(begin))
        spent = cost(one)
        if len(dearest) < FEW or spent / bounds.of(one.size) > dearest[FEW - 1].share:
            # Something else may have happened meanwhile: the least of three counts.
            spent = min(spent, cost(one), cost(one))
        dearest.append(Found(one, spent, spent / bounds.of(one.size)))
        dearest = sorted(dearest, key=lambda found: -found.share)[:24]
        if time.process_time() > until:
            break
    return dearest


def hunt_kind(
    target: Target,
    known: Known,
    kind: str,
    meter: Meter,
    bounds: Bound,
    effort: Effort,
) -> list[Found]:
    """The dearest inputs of a kind, by this meter."""
    rng = Random(f"{SEED} {kind}")

    def cost(one: Input) -> float:
        return meter(target.act(one), bounds.of(one.size))

    begin = [one for one in inputs_of(kind, known, rng) if one.size <= effort.largest]

    def change(one: Input) -> Input:
        return mutated(one, rng, known, effort.largest)

    return hunt(begin, cost, bounds, change, rng, effort)


def measure(*, short: bool) -> list[Row]:
    """The dearest inputs of each kind; in the short form by counts alone."""
    with a_target(60 if short else 1_000) as (target, known):
        dear = (by_calls, CALLS, "calls", SHORT) if short else (by_cpu, CPU_MS, "ms CPU", LONG)
        rows = [_row(target, known, kind, *dear) for kind in KINDS]
        large, kinds = Effort(400, 300 * KB, 60), () if short else KINDS[:-1]
        rows += [_row(target, known, kind, by_memory, MEMORY, "bytes", large) for kind in kinds]
        rows += [_large_row(target, what, one) for what, one in large_inputs(known).items()]
    for error in target.errors:
        print(error)
    return [*rows, measured("server errors", len(target.errors), "", "== 0")]


def large_inputs(known: Known) -> dict[str, Input]:
    """Bodies of some MB that hold as many objects as they can."""
    document, batch = (inputs_of(kind, known, Random(SEED))[0] for kind in ("document", "batch"))
    names = ",".join(f'"{number:x}":0' for number in range(90_000))
    return {
        "a document of 0.9 MB of unknown fields": replace(document, tree=f"{{{names}}}".encode()),
        "a batch of 4 MB of empty lists": replace(batch, tree=b"[" + b"[]," * 1_333_333 + b"[]]"),
        "lines of 4 MB of empty lists": replace(batch, tree=b"[]\n" * 1_333_333, is_ndjson=True),
    }


def _large_row(target: Target, what: str, one: Input) -> Row:
    share = by_memory(target.act(one), 0) / MEMORY[one.kind].of(one.size)
    return measured(f"{what}: bytes, of what is allowed", share, "ratio", "<= 1")


def _row(
    target: Target,
    known: Known,
    kind: str,
    meter: Meter,
    bounds: dict[str, Bound],
    unit: str,
    effort: Effort,
) -> Row:
    found = hunt_kind(target, known, kind, meter, bounds[kind], effort)
    dearest = found[0]
    if meter is by_cpu:
        _save(kind, found)
    note = f"{dearest.cost:.3g} {unit}; {dearest.shown}"
    return measured(f"{kind}: {unit}, of what is allowed", dearest.share, "ratio", "<= 1", note)


def _save(kind: str, found: Sequence[Found]) -> None:
    SAVED.mkdir(exist_ok=True)
    kept = [
        {
            "cost_ms": one.cost,
            "method": one.input.method.upper(),
            "address": one.input.address,
            "headers": one.input.headers,
            "body": one.input.body.decode("latin-1"),
            "text": one.input.tree if kind == "chip text" else "",
        }
        for one in found
    ]
    (SAVED / f"{kind.replace(' ', '-')}.json").write_text(json.dumps(kept))
