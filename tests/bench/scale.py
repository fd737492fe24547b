"""What a stored answer costs among a million results, and how soon it includes a new one."""

import tempfile
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from itertools import repeat
from pathlib import Path
from statistics import median

import orjson

from tests.bench._load import Connection, Served, get, post, serving_instance, under_load
from tests.bench._many_units import CHIPS, fill_pool
from tests.makers import a_setting, a_submission, an_instance
from tests.processes import free_port
from tests.report import Row, measured

ROUNDS, SHORT_ROUNDS = 24, 4
START = f"/v1/start?chip={CHIPS[0]}"
PER_SECOND, SENDERS = 100, 4


def measure(*, short: bool) -> list[Row]:
    """Rates with many results over with few, in turns; seconds until an answer has a result."""
    pools, units = (2, 2_000) if short else (10, 100_000)
    rounds, answers = (SHORT_ROUNDS, 48) if short else (ROUNDS, 3_000)
    seconds = 2 if short else 15
    with tempfile.TemporaryDirectory() as folder:
        few, many = Path(folder) / "few", Path(folder) / "many"
        _make(few, 1, 1_000)
        _make(many, pools, units)
        with (
            serving_instance(few / "home", free_port()) as small,
            serving_instance(many / "home", free_port()) as large,
        ):
            costs = _in_turns(small, large, rounds, answers)
            seen = {
                f"{1_000:,}": _longest_unseen_s(small, 1_000, seconds),
                f"{pools * units:,}": _longest_unseen_s(large, units, seconds),
            }
    ratio = median(one for one, _ in costs) / median(other for _, other in costs)
    return [
        measured(f"start, {1_000:,} results", median(one for one, _ in costs), "us CPU", ""),
        measured(f"start, {pools * units:,} results", median(c for _, c in costs), "us CPU", ""),
        measured("rate with many results over with few", ratio, "ratio", ">= 0.95"),
        *[
            measured(f"longest until a start told of a result, {of} results", longest, "s", "<= 2")
            for of, longest in seen.items()
        ],
    ]


def _make(folder: Path, pools: int, units: int) -> None:
    folder.mkdir()
    instance = an_instance(folder)
    for place in range(pools):
        with instance.writing() as connection:
            fill_pool(connection, place, units)
    instance.close()


def _in_turns(small: Served, large: Served, rounds: int, answers: int) -> list[tuple[float, float]]:
    def cost(served: Served) -> float:
        return under_load(served, _always(get(START)), answers, 200).cpu_us

    for served in (small, large):
        # Eight at once would wait for the answer that the first one computes.
        first = Connection(served.port)
        _units(first)
        first.close()
        cost(served)  # warms up
    # The machine is warmer or busier for the second one: each is first equally often.
    turns = [(small, large), (large, small)] * (rounds // 2)
    found = [{served.port: cost(served) for served in turn} for turn in turns]
    return [(one[small.port], one[large.port]) for one in found]


def _always(request: bytes) -> Callable[[int], Iterator[bytes]]:
    return lambda _place: repeat(request)


def _longest_unseen_s(served: Served, units: int, seconds: int) -> float:
    """The longest time from a result's 201 to a start that counts it, at a hundred a second."""
    sent_at: list[float] = []
    counted: list[tuple[float, int]] = []
    reader = Connection(served.port)
    before = _units(reader)
    ends = time.monotonic() + seconds

    def send(sender: int) -> None:
        connection, number, due = Connection(served.port), 0, time.monotonic()
        while (due := due + SENDERS / PER_SECOND) < ends:
            time.sleep(max(0.0, due - time.monotonic()))
            number += 1
            document = a_submission(
                a_setting(stable_at=-80 - number % 20, unstable_at=-110),
                number=10_000_000 + sender * 1_000_000 + number + units,
                chip=CHIPS[0],
            )
            status, body = connection.ask(post("/v1/submissions", orjson.dumps(document)))
            assert status == 201, body
            sent_at.append(time.monotonic())
        connection.close()

    with ThreadPoolExecutor(SENDERS) as pool:
        sending = [pool.submit(send, sender) for sender in range(SENDERS)]
        while not all(one.done() for one in sending) or counted[-1][1] < before + len(sent_at):
            asked = time.monotonic()
            assert asked < ends + 60, "the last results were never included"
            counted.append((asked, _units(reader)))
            time.sleep(0.02)
        for one in sending:
            one.result()
    reader.close()
    return _longest(sent_at, counted, before)


def _longest(sent_at: list[float], counted: list[tuple[float, int]], before: int) -> float:
    longest, place = 0.0, 0
    for number, sent in enumerate(sorted(sent_at), 1):
        while counted[place][1] < before + number:
            place += 1
        longest = max(longest, counted[place][0] - sent)
    return longest


def _units(reader: Connection) -> int:
    status, body = reader.ask(get(START))
    assert status == 200
    evidence = orjson.loads(body)["evidence"]
    return int(evidence["units"] + evidence["units_unverified"] + evidence["units_excluded"])
