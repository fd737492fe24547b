"""Each request has a time budget, and every step of its work is followed by a look at the clock."""

import math
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from itertools import pairwise
from pathlib import Path
from types import FrameType
from typing import Any

import pytest
from flask.testing import FlaskClient

from kbapi.app import create_app
from kbapi.instance.instance import Instance
from kbapi.time_budget import TimeLimit, limited_time, time_left_s
from tests.makers import CHIP, a_setting, a_submission, an_instance, rows_of, send

START = f"/v1/start?chip={CHIP}&domain=core&control=voltage_offset"
READINGS = [
    {"state": state, "load": "vector_heavy", "runs": 3, "minutes": 25, "power_w": power}
    | {"power_scope": "package", "clock_mhz": clock, "clock_kind": "effective"}
    for state, power, clock in (("stock", 60.0, 2710), ("tuned", 50.0, 2710))
]
RUNS = [
    {
        "settings": [{"domain": "core", "control": "voltage_offset", "value": -40}],
        "load": "vector_heavy",
        "seconds": 1_800,
        "outcome": "stable",
    }
]


FEW_CALLS = 1_000
"""As many take a millisecond: too little to be divided further."""


class Looks:
    """A clock at which each look takes a second, and the step that was ended at each look."""

    def __init__(self) -> None:
        self.now_s = 0.0

    def __call__(self) -> float:
        self.now_s += 1
        return self.now_s


def look_limit(looks: float, clock: Callable[[], float] | None = None) -> TimeLimit:
    return TimeLimit("question", looks, "Ask for less.", clock or Looks())


@pytest.fixture(scope="module")
def full(tmp_path_factory: pytest.TempPathFactory) -> Iterator[FlaskClient]:
    """An instance in which every kind of answer has something to compute from."""
    instance = an_instance(Path(tmp_path_factory.mktemp("full")))
    for number in range(40):
        setting = a_setting(
            stable_at=-80 - number % 7, unstable_at=-90 - number % 5, in_use=-70, read_back=-80
        )
        firmware = {"firmware": "1.14" if number % 2 else "1.15", "memory_integrity": "on"}
        lock = {"domain": "core", "control": "voltage_offset", "found_by": "documented"}
        document = a_submission(
            setting,
            number=number,
            platform=firmware,
            locks=[{**lock, "status": "open", "changes": []}],
            readings=READINGS,
        )
        send(instance, document)
    send(instance, a_submission(number=99, chip="norvane-sable-7-4800k"))
    yield create_app(instance).test_client()
    instance.close()


ASKED: dict[str, tuple[str, Any]] = {
    "start": (START, None),
    "stability": (START.replace("start", "stability"), None),
    "locks": (f"/v1/locks?chip={CHIP}", None),
    "gains": (f"/v1/gains?chip={CHIP}", None),
    "power": (f"/v1/power?chip={CHIP}", None),
    "longevity": (f"/v1/longevity?chip={CHIP}&domain=core", None),
    "next step": ("/v1/next-step", {"chip": CHIP, "domain": "core", "trials": RUNS}),
    "diagnosis": (
        "/v1/diagnose",
        {"chip": CHIP, "domain": "core", "control": "voltage_offset", "setting": -70, "days": 40},
    ),
    "result": ("/v1/submissions", a_submission(number=500, readings=READINGS)),
}
STEPS: dict[str, set[str]] = {
    "start": {
        *("pools of the line", "results of the pool", "units of the pool", "outlier check"),
        *("drift", "lock reports", "reading of evidence", "fit"),
        *("units to compare by filter", "comparison of filters", "answer"),
    },
    "stability": {"outlier check", "curve", "fit", "answer"},
    "locks": {"lock reports", "reading of evidence", "shares of locks", "answer"},
    "gains": {"pairs of readings", "groups of gains", "noise of runs", "answer"},
    "power": {"power readings", "reading of evidence", "fit", "answer"},
    "longevity": {"follow-ups", "settings in use", "survival", "survival by margin", "answer"},
    "next step": {
        *("JSON text", "personal-data check", "shape", "rules", "outlier check"),
        *("own runs", "fit", "plan of the search", "answer"),
    },
    "diagnosis": {"JSON text", "personal-data check", "shape", "follow-ups", "changes", "answer"},
    "result": {
        *("JSON text", "personal-data check", "chip name", "shape", "rules", "readings"),
        "screening",
    },
}


def ask(client: FlaskClient, name: str) -> Any:
    path, document = ASKED[name]
    forget_answers(client)
    if document is None:
        return client.get(path)
    return client.post(path, json=document)


def forget_answers(client: FlaskClient) -> None:
    instance: Instance = client.application.extensions["kbapi"]
    with instance.writing() as connection:
        connection.exec_driver_sql("DELETE FROM stored_answer")


@contextmanager
def limits_of(monkeypatch: pytest.MonkeyPatch, clock: Callable[[], float]) -> Iterator[None]:
    """The time of documents and questions is read from this clock."""
    with monkeypatch.context() as patched:
        patched.setattr("kbapi.time_budget.thread_time", clock)
        yield


def steps_of(
    client: FlaskClient, name: str, monkeypatch: pytest.MonkeyPatch
) -> Iterator[tuple[str, dict[str, Any]]]:
    """Each step of this request, in order, with the problem if time runs out there."""
    for looks in range(1, 200):
        seen = 0

        def clock(until: int = looks) -> float:
            nonlocal seen
            seen += 1
            return 0.0 if seen <= until else 1_000.0

        with limits_of(monkeypatch, clock):
            answer = ask(client, name)
        if answer.status_code < 300:
            return
        yield answer.get_json()["detail"], answer.get_json()


@pytest.mark.parametrize("name", [*ASKED])
def test_time_may_run_out_after_any_step_and_nothing_is_half_done(
    full: FlaskClient, name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    instance: Instance = full.application.extensions["kbapi"]
    forget_answers(full)
    before = rows_of(instance)
    what, seconds = ("document", 2) if name == "result" else ("question", 5)
    found = []
    for detail, problem in steps_of(full, name, monkeypatch):
        assert rows_of(instance) == before
        assert (problem["status"], problem["type"]) == (422, "/problems/too_costly")
        lead, _, rest = detail.partition(" s at: ")
        assert lead == f"The {what} took more than {seconds}"
        found.append(rest.partition(". ")[0])
    assert STEPS[name] <= set(found)
    assert time_left_s() == math.inf
    ask(full, name)
    if name == "result":
        instance_rows = rows_of(instance)
        assert len(instance_rows["submission"]) == len(before["submission"]) + 1


def calls_between_looks(
    client: FlaskClient, name: str, monkeypatch: pytest.MonkeyPatch
) -> list[int]:
    """How many functions were called between two looks at the clock, and after the last one."""
    calls, looks = 0, []

    def note(_frame: FrameType, event: str, _argument: Any) -> None:
        nonlocal calls
        calls += event in ("call", "c_call")

    def clock() -> float:
        looks.append(calls)
        return 0.0

    with limits_of(monkeypatch, clock):
        sys.setprofile(note)
        try:
            answer = ask(client, name)
        finally:
            sys.setprofile(None)
    assert answer.status_code in (200, 201)
    return [later - former for former, later in pairwise(looks)]


@pytest.mark.sqlite("calls of Python are counted, and drivers make other ones")
@pytest.mark.parametrize("name", [*ASKED])
def test_no_step_is_most_of_the_work(
    full: FlaskClient, name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    ask(full, name)  # the first request loads what only some need
    gaps = calls_between_looks(full, name, monkeypatch)
    assert max(gaps) < max(0.6 * sum(gaps), FEW_CALLS)


def test_a_follow_up_has_the_time_of_a_document(
    client: FlaskClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    sent = client.post("/v1/submissions", json=a_submission(a_setting(in_use=-70))).get_json()
    place = f"/v1/submissions/{sent['id']}/follow-ups"
    receipt = {"Authorization": f"Bearer {sent['receipt']}"}
    followed = {
        "domain": "core",
        "control": "voltage_offset",
        "outcome": "given_up",
        "days": 31,
    }
    clock = iter(range(0, 1_000_000, 10))
    with limits_of(monkeypatch, lambda: next(clock)):
        refused = client.post(place, json=followed, headers=receipt)
    assert refused.get_json()["detail"].startswith("The document took more than 2 s at: JSON text.")
    assert client.post(place, json=followed, headers=receipt).status_code == 201


def test_without_a_budget_time_never_runs_out(instance: Instance) -> None:
    assert time_left_s() == math.inf
    send(instance, a_submission())
    with limited_time(look_limit(1_000)):
        assert time_left_s() < math.inf
        with limited_time(look_limit(3)):
            assert time_left_s() <= 3
        assert time_left_s() > 900
    assert time_left_s() == math.inf
