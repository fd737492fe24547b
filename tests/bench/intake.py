"""What a result costs on its way in, against the shape check alone, and where the time goes."""

import tempfile
from collections.abc import Callable
from functools import partial
from pathlib import Path
from statistics import median
from time import perf_counter
from typing import Any

import orjson

from kbapi.documents.personal_data import find_personal_data
from kbapi.documents.reader import JsonReading, find_items, read_document, read_json
from kbapi.documents.results import SubmissionSchema
from kbapi.instance.instance import Instance
from kbapi.intake.batch import accept_batch
from kbapi.intake.submit import accept_submission, prepare
from tests.intake.whole_document import a_whole_document
from tests.makers import an_instance
from tests.report import Row, measured

BATCH = 1_000
ONE_CONTRIBUTOR = 10_000


def measure(*, short: bool) -> list[Row]:
    """The rows of the report."""
    with tempfile.TemporaryDirectory() as folder:
        instance = an_instance(Path(folder) / "a")
        rows = [*_shares(instance, 50 if short else BATCH)]
        instance.close()
        instance = an_instance(Path(folder) / "b")
        rows += _one_contributor(instance, 200 if short else ONE_CONTRIBUTOR)
        instance.close()
    return rows


def a_document(number: int, contributor: int) -> dict[str, Any]:
    """One of many members' whole documents; each unit passes and fails somewhere else."""
    document = a_whole_document(
        unit_token=f"tidewater-unit-{number:06}",
        contributor_token=f"tidewater-member-{contributor:06}",
    )
    stable = -60 - number * 7 % 60
    document["settings"][0] |= {"stable_at": stable, "read_back": stable, "in_use": stable + 8}
    document["settings"][0]["unstable_at"] = stable - 6
    for in_force in document["trials"][0]["settings"]:
        in_force["value"] = stable
    return document


def _shares(instance: Instance, items: int) -> list[Row]:
    documents = [a_document(number, number // 2) for number in range(items)]
    body = orjson.dumps(documents)
    schema = SubmissionSchema()
    readings = _readings(body)
    month, catalogue = "2026-09", instance.catalogue
    steps: dict[str, Callable[[], Any]] = {
        "reading JSON": lambda: _readings(body),
        "looking for identities": lambda: [find_personal_data(one) for one in documents],
        "shape (marshmallow load alone)": lambda: [schema.load(one) for one in documents],
        "reading whole documents": lambda: [
            read_document(one, month, catalogue) for one in readings
        ],
        "reading and screening": lambda: [prepare(instance, one) for one in readings],
    }
    cost = {name: _ms(step, items) for name, step in steps.items()}
    alone = cost["shape (marshmallow load alone)"]
    batch = _ms(partial(accept_batch, instance, body), items, times=1)
    single = _single_ms(instance, items)
    return [
        *[measured(name, ms, "ms an item", "") for name, ms in cost.items()],
        measured("a batch, all of it", batch, "ms an item", ""),
        measured("one result, all of it", single, "ms", ""),
        measured("one result, rate over that of the load alone", alone / single, "ratio", ""),
        measured("a batch, rate over that of the load alone", alone / batch, "ratio", ">= 0.5"),
    ]


def _readings(body: bytes) -> list[JsonReading]:
    return [read_json(body[place]) for place in find_items(body)]


def _ms(step: Callable[[], Any], items: int, times: int = 3) -> float:
    costs = []
    for _ in range(times):
        begin = perf_counter()
        step()
        costs.append(1000 * (perf_counter() - begin) / items)
    return median(costs)


def _single_ms(instance: Instance, items: int) -> float:
    costs = []
    for number in range(min(items, 300)):
        body = orjson.dumps(a_document(1_000_000 + number, 1_000_000 + number))
        assert read_json(body).problems == ()
        begin = perf_counter()
        accept_submission(instance, body)
        costs.append(1000 * (perf_counter() - begin))
    return median(costs)


def _one_contributor(instance: Instance, results: int) -> list[Row]:
    costs = []
    for number in range(results):
        body = orjson.dumps(a_document(number, 1))
        begin = perf_counter()
        accept_submission(instance, body)
        costs.append(perf_counter() - begin)
    part = results // 10
    ratio = sum(costs[-part:]) / sum(costs[:part])
    return [
        measured(
            f"{results} results of one contributor, last tenth over first", ratio, "ratio", "<= 1.2"
        )
    ]
