"""The audit finds nothing after every way of changing evidence, and everything that was spoilt."""

from typing import Any

import pytest

from kbapi.evidence.pool_updates import Audit, audit_evidence
from kbapi.instance.instance import Instance
from kbapi.intake.follow_up import accept_follow_up
from kbapi.intake.my_submissions import withdraw_own_result
from tests.curation.makers import a_curator, a_decision, decide, send_deep
from tests.makers import a_body, a_count_submission, a_setting, a_submission, send


def audited(instance: Instance) -> Audit:
    with instance.reading() as connection:
        return audit_evidence(connection)


def change(instance: Instance, statement: str) -> None:
    with instance.writing() as connection:
        assert connection.exec_driver_sql(statement).rowcount == 1


def follow(instance: Instance, number: int, **fields: Any) -> None:
    document = a_count_submission(20, 22, number)
    document["settings"][0]["in_use"] = -18
    sent = send(instance, document)
    told = {"domain": "core", "control": "count_offset", "days": 40, **fields}
    accept_follow_up(instance, sent.id, sent.receipt, a_body(told), None)


@pytest.fixture
def lively(instance: Instance) -> Instance:
    """An instance that has seen results, follow-ups, decisions and a withdrawal."""
    send(instance, a_submission(number=1))
    send(instance, a_submission(a_setting(stable_at=-70, unstable_at=-78), number=1))
    send(instance, a_submission(a_setting(minutes=2), number=2))
    follow(instance, 3, outcome="failed_later", setting=-19, failure="system_hang")
    follow(instance, 4, outcome="still_stable", effect={"shown_by": "less_power"})
    gone = send(instance, a_submission(number=5))
    withdraw_own_result(instance, gone.id, gone.receipt)
    curator = a_curator(instance)
    decide(instance, curator, a_decision(send_deep(instance, 6), "include", "depth_confirmed"))
    sound = send(instance, a_submission(number=7))
    decide(instance, curator, a_decision(sound, "exclude", "effect_doubted"))
    return instance


def test_evidence_agrees_with_results_however_it_came_about(lively: Instance) -> None:
    found = audited(lively)
    assert found.agrees
    assert found.places == 6


def test_an_empty_instance_agrees(instance: Instance) -> None:
    assert audited(instance) == Audit(places=0, unlike=0, strange=0)


@pytest.mark.parametrize(
    "spoil",
    [
        "DELETE FROM evidence_row WHERE unit_id = 1",
        "UPDATE evidence_row SET unstable_steps = unstable_steps + 1 WHERE unit_id = 1",
        "UPDATE evidence_row SET confirmed_by_curator = 1 WHERE unit_id = 1",
        "UPDATE evidence_row SET latest_month = '2019-01' WHERE unit_id = 1",
        "UPDATE setting_result SET status = 'excluded' WHERE id = 3 AND status = 'counted'",
    ],
)
def test_evidence_that_was_spoilt_is_found(instance: Instance, spoil: str) -> None:
    for number in range(1, 4):
        send(instance, a_submission(number=number))
    assert audited(instance).agrees
    change(instance, spoil)
    found = audited(instance)
    assert (found.places, found.unlike, found.strange) == (3, 1, 0)


def test_evidence_of_a_stranger_is_found(instance: Instance) -> None:
    for number in (1, 2):
        send(instance, a_submission(number=number))
    change(instance, "UPDATE evidence_row SET contributor_id = 2 WHERE unit_id = 1")
    assert audited(instance) == Audit(places=2, unlike=0, strange=1)
