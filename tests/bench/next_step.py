"""What one answer about the next step costs in CPU time, with a thousand units in the pool."""

import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import orjson
from flask.testing import FlaskClient

from kbapi.app import create_app
from kbapi.instance.instance import Instance
from kbapi.intake.batch import accept_batch
from kbapi.stats.search.chances import LimitChances
from kbapi.stats.search.next_step import SearchTerms, plan_search
from tests.makers import CHIP, a_setting, a_submission, an_instance
from tests.report import Row, measured

SEED = 20260908
UNITS, STEPS = 1_000, 256


def measure(*, short: bool) -> list[Row]:
    """CPU milliseconds, medians over repetitions."""
    repeats = 7 if short else 51
    rows = [
        measured(
            f"exact optimum, {STEPS} steps, {name}", _optimum_ms(terms, repeats), "ms CPU", wanted
        )
        for name, terms, wanted in (
            ("no cap", SearchTerms(20, 10, 5, 1.0), "<= 20"),
            ("usual caps", SearchTerms(20, 10, 5, 0.1, 20, 77, 2), "<= 20"),
        )
    ]
    with tempfile.TemporaryDirectory() as folder:
        instance = an_instance(Path(folder))
        _fill(instance)
        client = create_app(instance).test_client()
        for name, trials in (("no runs yet", []), ("two runs", [_a_run(-70), _a_run(-85)])):
            rows.append(
                measured(
                    f"whole answer over HTTP, {UNITS} units, {name}",
                    _answer_ms(client, trials, repeats),
                    "ms CPU",
                    "<= 50",
                )
            )
        instance.close()
    return rows


def _optimum_ms(terms: SearchTerms, repeats: int) -> float:
    chances = LimitChances(0, np.full(STEPS, 1 / STEPS), is_open=True)
    return _median_ms(lambda: plan_search(chances, terms), repeats)


def _answer_ms(client: FlaskClient, trials: list[Any], repeats: int) -> float:
    def ask() -> None:
        answer = client.post("/v1/next-step", json={"chip": CHIP, "trials": trials})
        assert answer.status_code == 200
        assert answer.get_json()["evidence"]["units"] > 0.9 * UNITS

    return _median_ms(ask, repeats)


def _fill(instance: Instance) -> None:
    rng = np.random.default_rng(SEED)
    documents = []
    for number, limit in enumerate(rng.normal(110, 25, UNITS).clip(20, 150)):
        setting = a_setting(stable_at=-int(limit), unstable_at=-int(limit) - 5)
        documents.append(a_submission(setting, number=number))
    accept_batch(instance, orjson.dumps(documents))


def _a_run(value: int) -> dict[str, Any]:
    in_force = {"domain": "core", "control": "voltage_offset", "value": value}
    return {"settings": [in_force], "outcome": "stable"}


def _median_ms(work: Callable[[], object], repeats: int) -> float:
    work()
    spent = []
    for _ in range(repeats):
        began = time.process_time()
        work()
        spent.append(time.process_time() - began)
    return 1e3 * float(np.median(spent))
