"""A flood of results without tokens is one machine if they are equal, else one contributor.

Every answer is compared: no way of sending counts more than another.
"""

from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from kbapi.app import create_app
from tests.api.measured import a_reading
from tests.makers import CHIP, HandMovedClock, a_setting, a_submission, an_instance

MEMBERS = 12
FOLLOW_UP = {"domain": "core", "control": "voltage_offset", "setting": -134, "days": 40}
QUESTIONS = (
    *("start", "start?detail=percentiles", "start?supply=mains", "stability"),
    *("locks", "locks?domain=graphics", "gains", "power", "longevity"),
)


def a_result(number: int, depth: int, lock: str, watts: float, **changes: Any) -> dict[str, Any]:
    """A result with a limit, a lock of the graphics part, and readings."""
    open_core = {"domain": "core", "control": "voltage_offset", "status": "open"}
    return a_submission(
        a_setting(stable_at=-depth, unstable_at=-depth - 6, in_use=6 - depth),
        number=number,
        locks=[
            {**open_core, "found_by": "written_and_read_back"},
            {
                **open_core,
                "domain": "graphics",
                "status": lock,
                "found_by": "written_and_read_back",
            },
        ],
        readings=[
            # The more power is saved, the less alike are repeated runs.
            *(
                a_reading("stock", performance=40.0 + sign * (60.0 - watts) / 20)
                for sign in (-1, 1)
            ),
            a_reading("tuned", power_w=watts),
        ],
        platform={"machine": "harbour-15", "firmware": "1.14", "supply": "mains"},
        **changes,
    )


def answers_after(folder: Path, flood: list[dict[str, Any]]) -> dict[str, Any]:
    """The answer to each question after members' results, and a month later this flood."""
    clock = HandMovedClock()
    instance = an_instance(folder, clock)
    client = create_app(instance).test_client()
    for number in range(MEMBERS):
        document = a_result(number, 80 + number % 9, "open", 50.0 - number % 5)
        assert client.post("/v1/submissions", json=document).status_code == 201
    clock.moment += timedelta(days=31)
    for document in flood:
        sent = client.post("/v1/submissions", json=document).get_json()
        followed = client.post(
            f"/v1/submissions/{sent['id']}/follow-ups",
            json={**FOLLOW_UP, "outcome": "failed_later", "changed": ["firmware"]},
            headers={"Authorization": f"Bearer {sent['receipt']}"},
        )
        assert followed.status_code == 201, followed.get_json()
    clock.moment += timedelta(days=1)
    found = {}
    for question in QUESTIONS:
        path, _, more = question.partition("?")
        asked = f"chip={CHIP}&{more}"
        if path in ("start", "stability", "longevity"):
            asked += "&domain=core&control=voltage_offset"
        elif more:
            asked += "&control=voltage_offset"
        answer = client.get(f"/v1/{path}?{asked}")
        assert answer.status_code == 200, answer.get_json()
        found[question] = without_revision(answer.get_json())
    instance.close()
    return found


def without_revision(value: Any) -> Any:
    if isinstance(value, dict):
        return {name: without_revision(one) for name, one in value.items() if name != "revision"}
    return [without_revision(one) for one in value] if isinstance(value, list) else value


def the_flood(times: int, **changes: Any) -> list[dict[str, Any]]:
    """Results far deeper than those of members, with another lock and less power."""
    return [
        a_result(
            900,
            140,
            "firmware_locked",
            30.0,
            **{
                name: value.format(time) if value is not ... else ...
                for name, value in changes.items()
            },
        )
        for time in range(times)
    ]


WITHOUT = {"contributor_token": ..., "unit_token": ...}
OF_ONE = {"contributor_token": "tidewater-flood-01", "unit_token": "tidewater-unit-{:06}"}


@pytest.fixture(scope="module")
def scene(tmp_path_factory: pytest.TempPathFactory) -> dict[str, dict[str, Any]]:
    floods = {
        "none": [],
        "once": the_flood(1, **WITHOUT),
        "equal": the_flood(7, **WITHOUT),
        "different": the_flood(7, **WITHOUT, client="tidewater-script/0.{}"),
        "of one contributor": the_flood(7, **OF_ONE, client="tidewater-script/0.{}"),
    }
    return {
        name: answers_after(tmp_path_factory.mktemp("flood"), flood)
        for name, flood in floods.items()
    }


@pytest.mark.parametrize("question", QUESTIONS)
def test_a_result_without_tokens_changes_no_answer_by_a_repeat(
    scene: dict[str, dict[str, Any]], question: str
) -> None:
    assert scene["equal"][question] == scene["once"][question]


@pytest.mark.parametrize("question", QUESTIONS)
def test_different_results_without_tokens_count_like_the_units_of_one_new_contributor(
    scene: dict[str, dict[str, Any]], question: str
) -> None:
    assert scene["different"][question] == scene["of one contributor"][question]


def test_the_flood_shows_in_the_answers_that_are_compared(
    scene: dict[str, dict[str, Any]],
) -> None:
    same = {
        question for question in QUESTIONS if scene["none"][question] == scene["once"][question]
    }
    assert not same
