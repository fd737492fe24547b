"""What a curator rejected is not asked about locks either, and is again once that is undone."""

from typing import Any

import pytest
from flask.testing import FlaskClient

from kbapi.access.keys import give_key
from kbapi.instance.instance import Instance
from tests.makers import CHIP, a_setting, a_submission

OPEN = {
    "domain": "core",
    "control": "voltage_offset",
    "status": "open",
    "found_by": "written_and_read_back",
}
LOCKED = OPEN | {"status": "chip_locked"}


@pytest.fixture
def headers(instance: Instance) -> dict[str, str]:
    return {"Authorization": f"Bearer {give_key(instance, '', ('curate',)).key}"}


def send(client: FlaskClient, document: dict[str, Any]) -> dict[str, Any]:
    sent = client.post("/v1/submissions", json=document)
    assert sent.status_code == 201, sent.get_json()
    found: dict[str, Any] = sent.get_json()
    return found


def with_locks(number: int, lock: dict[str, Any], **changes: Any) -> dict[str, Any]:
    """A result with a lock report."""
    return a_submission(number=number, locks=[lock], **changes)


def lock_only_results(number: int, lock: dict[str, Any], **changes: Any) -> dict[str, Any]:
    return with_locks(number, lock, **{"settings": ..., "stock_passed": ..., **changes})


def decide(
    client: FlaskClient, headers: dict[str, str], decision: str, **about: Any
) -> dict[str, Any]:
    reason = {
        "invalidate": "not_measured",
        "undo": "decided_in_error",
        "include": "rule_does_not_fit",
    }
    entry = {"decision": decision, "reason": reason[decision], **about}
    body: dict[str, Any] = {"decisions": [entry]}
    if "submission" not in about:
        shown = client.post("/v1/review/decisions?dry_run=true", json=body, headers=headers)
        body["confirm"] = shown.get_json()["confirm"]
    decided = client.post("/v1/review/decisions", json=body, headers=headers)
    assert decided.status_code == 200, decided.get_json()
    found: dict[str, Any] = decided.get_json()
    return found


def lock_status(client: FlaskClient) -> tuple[int, str]:
    """Units behind the lock status of the core, and the status; the start has the same."""
    (core,) = client.get("/v1/locks", query_string={"chip": CHIP}).get_json()["locks"] or [
        {"units": 0, "status": "unknown"}
    ]
    start = client.get("/v1/start", query_string={"chip": CHIP}).get_json()["locks"]
    assert (start["units"], start["status"]) == (core["units"], core["status"])
    return core["units"], core["status"]


def test_the_lock_report_of_an_invalidated_result_leaves_and_comes_back(
    client: FlaskClient, headers: dict[str, str]
) -> None:
    send(client, with_locks(1, OPEN))
    wrong = send(client, with_locks(2, OPEN))["id"]
    assert lock_status(client) == (2, "open")
    decide(client, headers, "invalidate", submission=wrong, ordinal=0)
    assert lock_status(client) == (1, "open")
    decide(client, headers, "undo", submission=wrong, ordinal=0)
    assert lock_status(client) == (2, "open")
    decide(client, headers, "invalidate", submission=wrong, ordinal=0)
    decide(client, headers, "include", submission=wrong, ordinal=0)
    assert lock_status(client) == (2, "open")


def test_one_invalidated_setting_of_several_is_enough(
    client: FlaskClient, headers: dict[str, str]
) -> None:
    settings = [a_setting(), a_setting(domain="graphics")]
    two = send(client, with_locks(1, OPEN, settings=settings))["id"]
    decide(client, headers, "invalidate", submission=two, ordinal=1)
    assert lock_status(client) == (0, "unknown")
    # What is said of the other one does not bring it back.
    decide(client, headers, "include", submission=two, ordinal=0)
    assert lock_status(client) == (0, "unknown")
    decide(client, headers, "undo", submission=two, ordinal=1)
    assert lock_status(client) == (1, "open")


def test_an_invalidated_report_uncovers_the_units_earlier_one(
    client: FlaskClient, headers: dict[str, str]
) -> None:
    send(client, with_locks(1, LOCKED, measured_in="2026-07"))
    later = send(client, with_locks(1, OPEN))["id"]
    assert lock_status(client) == (1, "open")
    decide(client, headers, "invalidate", submission=later, ordinal=0)
    assert lock_status(client) == (1, "chip_locked")


def test_a_chip_with_locks_alone_shows_them_in_a_start(
    client: FlaskClient,
) -> None:
    for number in range(3):
        send(client, lock_only_results(number, LOCKED))
    assert lock_status(client) == (3, "chip_locked")


def test_invalidating_a_contributor_includes_results_with_locks_alone(
    client: FlaskClient, headers: dict[str, str], instance: Instance
) -> None:
    for number in range(3):
        send(client, lock_only_results(number, LOCKED))
    own = {"contributor_token": "tidewater-member-000009"}
    send(client, with_locks(7, OPEN, **own))
    alone = send(client, lock_only_results(8, OPEN, **own))
    # Two machines of one contributor weigh one.
    assert lock_status(client)[0] == 4
    with instance.reading() as connection:
        who = connection.exec_driver_sql("SELECT MAX(contributor_id) FROM unit").scalar()
    found = decide(client, headers, "invalidate", contributor=who)
    assert (found["settings"], found["decided"], found["lock_only_results"]) == (1, 1, 1)
    assert lock_status(client) == (3, "chip_locked")
    again = decide(client, headers, "invalidate", contributor=who)
    assert (again["decided"], again["lock_only_results"]) == (0, 0)
    receipt = {"Authorization": f"Bearer {alone['receipt']}"}
    screening = client.get(alone["links"]["self"], headers=receipt).get_json()["screening"]
    codes = [reason["code"] for reason in screening["reasons"]]
    assert (screening["status"], codes) == ("excluded", ["invalidated_by_curator", "not_measured"])
    decide(client, headers, "undo", contributor=who)
    assert lock_status(client)[0] == 4
    screening = client.get(alone["links"]["self"], headers=receipt).get_json()["screening"]
    assert screening == {"status": "counted", "reasons": []}


def test_too_many_results_with_locks_alone_are_refused(
    client: FlaskClient, headers: dict[str, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    # Were the first two decided about alone, asking again would find the same two.
    monkeypatch.setattr("kbapi.curation.decisions.MOST_SETTINGS_AT_ONCE", 2)
    for number in range(3):
        send(client, lock_only_results(number, LOCKED, client="faulty-script/0.1"))
    origin = {"client": "faulty-script/0.1"}
    entry = {"origin": origin, "decision": "invalidate", "reason": "script_error"}
    answer = client.post("/v1/review/decisions", json={"decisions": [entry]}, headers=headers)
    assert answer.status_code == 422
    assert [one["code"] for one in answer.get_json()["errors"]] == ["too_many_settings"]
    assert lock_status(client) == (3, "chip_locked")


@pytest.mark.parametrize(
    "origin",
    [
        {"client": "faulty-script/0.1"},
        {"machine": "quay-13", "firmware": "1.14"},
    ],
)
def test_invalidating_an_origin_includes_results_with_locks_alone(
    client: FlaskClient, headers: dict[str, str], origin: dict[str, str]
) -> None:
    from_there = {
        "client": "faulty-script/0.1",
        "platform": {"machine": "quay-13", "firmware": "1.14"},
    }
    send(client, lock_only_results(1, LOCKED))
    send(client, with_locks(2, OPEN, **from_there))
    send(client, lock_only_results(3, OPEN, **from_there))
    assert lock_status(client)[0] == 3
    found = decide(client, headers, "invalidate", origin=origin)
    assert (found["decided"], found["lock_only_results"]) == (1, 1)
    assert lock_status(client) == (1, "chip_locked")
    decide(client, headers, "undo", origin=origin)
    assert lock_status(client)[0] == 3


def test_a_result_with_locks_alone_is_invalidated_by_its_id(
    client: FlaskClient, headers: dict[str, str]
) -> None:
    alone = send(client, lock_only_results(1, OPEN))["id"]
    found = decide(client, headers, "invalidate", submission=alone, ordinal=0)
    assert (found["settings"], found["lock_only_results"]) == (0, 1)
    assert lock_status(client) == (0, "unknown")
    body = {"decision": "invalidate", "reason": "not_measured", "submission": alone, "ordinal": 1}
    sent = client.post("/v1/review/decisions", json={"decisions": [body]}, headers=headers)
    assert [error["code"] for error in sent.get_json()["errors"]] == ["setting_unknown"]
