"""A correction replaces a result: the same id and receipt, nothing left of the earlier document."""

import json
from typing import Any

import pytest
from flask.testing import FlaskClient

from kbapi.advice.start.answer import advise_start
from kbapi.errors import DocumentRefused, IdempotencyKeyReused, ReceiptWrong, SubmissionGone
from kbapi.instance.instance import Instance
from kbapi.intake.correct import Correction, correct_submission
from kbapi.intake.follow_up import accept_follow_up
from kbapi.intake.my_submissions import list_own_results, read_own_result, withdraw_own_result
from kbapi.intake.responses import Accepted
from tests.curation.makers import a_curator, a_decision, decide
from tests.intake.whole_document import a_whole_document
from tests.makers import (
    CHIP,
    a_body,
    a_question,
    a_setting,
    a_submission,
    everything_stored,
    row_counts,
    rows_of,
    send,
)

OTHER_CHIP = "Norvane Sable 7 4800K"
FAR = a_setting(stable_at=-60, unstable_at=-70)


def correct(instance: Instance, of: Accepted, document: Any, key: str | None = None) -> Correction:
    return correct_submission(instance, of.id, of.receipt, a_body(document), key)


def follow(instance: Instance, of: Accepted, **fields: Any) -> None:
    body = {"domain": "core", "control": "voltage_offset", "setting": -70, **fields}
    accept_follow_up(instance, of.id, of.receipt, a_body(body))


def without_numbers(rows: dict[str, list[tuple[Any, ...]]]) -> dict[str, list[tuple[Any, ...]]]:
    """The rows without the id and revision of a line, which only rise."""
    return {name: rows for name, rows in rows.items() if name != "line"}


def test_id_and_receipt_stay_and_the_answer_is_that_of_a_new_result(instance: Instance) -> None:
    mine = send(instance, a_submission())
    corrected = correct(instance, mine, a_submission(FAR)).accepted
    assert (corrected.id, corrected.receipt) == (mine.id, mine.receipt)
    own = read_own_result(instance, mine.id, mine.receipt)
    assert own.document["settings"][0]["stable_at"] == -60
    assert own.screening.status == corrected.screening.status == "counted"
    deep = a_setting(stable_at=-200, unstable_at=-210)
    assert correct(instance, mine, a_submission(deep)).accepted.screening.status == "excluded"


def test_nothing_of_the_earlier_document_stays_in_the_rows(instance: Instance) -> None:
    """Also where chip, unit, pools, conditions, locks and readings were others."""
    send(instance, a_submission(number=2))
    before = without_numbers(rows_of(instance))
    mine = send(instance, a_whole_document(), "some-key")
    follow(instance, mine, outcome="failed_later", days=40)
    correct(instance, mine, a_submission(number=3, chip=OTHER_CHIP))
    assert {"lock_report", "reading"} & set(row_counts(instance)) == set()
    assert [row[1] for row in rows_of(instance)["chip"]] == [CHIP, "norvane-sable-7-4800k"]
    withdraw_own_result(instance, mine.id, mine.receipt)
    assert without_numbers(rows_of(instance)) == before


def test_answers_follow_the_correction_at_once(instance: Instance) -> None:
    for number in range(6):
        send(instance, a_submission(number=number))
    mine = send(instance, a_submission(FAR, number=9))
    first = advise_start(instance, a_question(instance)).body
    correct(instance, mine, a_submission(number=9))
    second = advise_start(instance, a_question(instance)).body
    assert json.loads(first)["evidence"] != json.loads(second)["evidence"]
    correct(instance, mine, a_submission(FAR, number=9))
    third = advise_start(instance, a_question(instance)).body
    assert json.loads(first)["start"] == json.loads(third)["start"]


def test_no_byte_of_the_earlier_document_is_left_in_the_file(instance: Instance) -> None:
    mine = send(instance, a_submission(client="earlier-marker/7.31"), "some-key")
    correct(instance, mine, a_submission(client="later-marker/7.32"))
    content = everything_stored(instance)
    assert b"later-marker" in content
    assert b"earlier-marker" not in content


def test_a_document_that_was_read_back_keeps_its_unit_and_contributor(instance: Instance) -> None:
    mine = send(instance, a_submission())
    document = read_own_result(instance, mine.id, mine.receipt).document
    assert "unit_token" not in document
    before = row_counts(instance)
    corrected = correct(instance, mine, document | {"settings": [FAR]}).accepted
    assert row_counts(instance) == before
    assert corrected.warnings == ()
    assert [
        one.id for one in list_own_results(instance, "tidewater-member-000001").submissions
    ] == [mine.id]
    # It is still recognised as a repeat.
    assert send(instance, a_submission(FAR)).duplicate_of == mine.id


def test_a_result_without_tokens_gets_them_by_a_correction(instance: Instance) -> None:
    lone = a_submission(unit_token=..., contributor_token=...)
    mine = send(instance, lone)
    assert [one.code for one in mine.warnings] == ["contributor_token_missing"]
    assert [one.code for one in correct(instance, mine, lone).accepted.warnings] == [
        "contributor_token_missing"
    ]
    assert correct(instance, mine, a_submission()).accepted.warnings == ()
    assert row_counts(instance)["unit"] == row_counts(instance)["contributor"] == 1
    (listed,) = list_own_results(instance, "tidewater-member-000001").submissions
    assert listed.id == mine.id


def test_follow_ups_stay_where_they_fit_and_the_others_are_named(instance: Instance) -> None:
    two = a_submission(a_setting(in_use=-70), a_setting(domain="graphics", in_use=-70))
    mine = send(instance, two)
    follow(instance, mine, outcome="failed_later", days=40)
    follow(instance, mine, outcome="given_up", domain="graphics")
    removed = correct(instance, mine, a_submission(a_setting(in_use=-60))).follow_ups_removed
    assert [(one.outcome, one.month) for one in removed] == [("given_up", "2026-09")]
    assert "no setting of this domain" in removed[0].text
    (kept,) = read_own_result(instance, mine.id, mine.receipt).follow_ups
    assert (kept.document["outcome"], kept.status) == ("failed_later", "counted")


def test_a_follow_up_is_screened_again_against_the_new_document(instance: Instance) -> None:
    mine = send(instance, a_submission(a_setting(in_use=-70)))
    follow(instance, mine, outcome="still_stable", days=40, effect={"shown_by": "read_back"})
    correct(instance, mine, a_submission(a_setting(stable_at=-50, unstable_at=-55, in_use=-40)))
    (kept,) = read_own_result(instance, mine.id, mine.receipt).follow_ups
    assert (kept.status, kept.reasons) == ("recorded", ("deeper_than_passed",))


def test_a_decision_was_about_the_earlier_document(instance: Instance) -> None:
    deep = a_setting(stable_at=-200, unstable_at=-210)
    mine = send(instance, a_submission(deep))
    decide(instance, a_curator(instance), a_decision(mine, "include", "depth_confirmed"))
    assert read_own_result(instance, mine.id, mine.receipt).screening.status == "counted"
    deeper = a_setting(stable_at=-220, unstable_at=-230)
    assert correct(instance, mine, a_submission(deeper)).accepted.screening.status == "excluded"
    assert "decision" not in row_counts(instance)


def test_a_refused_correction_changes_nothing(instance: Instance) -> None:
    mine, other = send(instance, a_submission()), send(instance, a_submission(FAR))
    before = rows_of(instance)
    with pytest.raises(DocumentRefused):
        correct(instance, mine, a_submission(a_setting(stable_at=80)))
    with pytest.raises(DocumentRefused) as refused:
        correct(instance, mine, a_submission(FAR))
    (problem,) = refused.value.problems
    assert problem.code == "stored_already"
    assert other.id in problem.detail
    for shown in (other.receipt, "kbr_"):
        with pytest.raises(ReceiptWrong):
            correct_submission(instance, mine.id, shown, a_body(a_submission()))
    assert rows_of(instance) == before


def test_a_withdrawn_result_cannot_be_corrected(instance: Instance) -> None:
    mine = send(instance, a_submission())
    withdraw_own_result(instance, mine.id, mine.receipt)
    with pytest.raises(SubmissionGone):
        correct(instance, mine, a_submission())
    assert row_counts(instance) == {}


def test_a_key_makes_a_repeated_correction_get_the_same_answer(instance: Instance) -> None:
    mine = send(instance, a_submission(a_setting(in_use=-70), a_setting(domain="graphics")))
    follow(instance, mine, outcome="given_up", domain="graphics")
    first = correct(instance, mine, a_submission(), "a")
    assert first.follow_ups_removed
    assert correct(instance, mine, a_submission(), "a") == first
    with pytest.raises(IdempotencyKeyReused):
        correct(instance, mine, a_submission(FAR), "a")
    # A late repeat does not undo a later correction.
    correct(instance, mine, a_submission(FAR), "b")
    again = correct(instance, mine, a_submission(), "a")
    assert again.accepted.settings == read_own_result(instance, mine.id, mine.receipt).settings
    assert read_own_result(instance, mine.id, mine.receipt).document["settings"] == [FAR]


def test_a_late_repeat_of_the_first_request_gets_the_corrected_result(instance: Instance) -> None:
    mine = send(instance, a_submission(), "some-key")
    corrected = correct(instance, mine, a_submission(FAR)).accepted
    again = send(instance, a_submission(), "some-key")
    assert (again.id, again.settings) == (mine.id, corrected.settings)
    assert row_counts(instance)["submission"] == 1


def test_a_correction_over_http(client: FlaskClient) -> None:
    mine = client.post("/v1/submissions", json=a_submission()).get_json()
    headers = {"Authorization": f"Bearer {mine['receipt']}"}
    reply = client.put(mine["links"]["self"], json=a_submission(FAR), headers=headers)
    assert reply.status_code == 200
    assert (reply.get_json()["id"], reply.get_json()["receipt"]) == (mine["id"], mine["receipt"])
    assert reply.get_json()["follow_ups_removed"] == []
    assert reply.get_json()["links"] == mine["links"]
    assert client.put(mine["links"]["self"], json=a_submission()).status_code == 401
    wrong = {"Authorization": "Bearer kbr_wrong"}
    assert client.put(mine["links"]["self"], json={}, headers=wrong).status_code == 403
    assert client.delete(mine["links"]["self"], headers=headers).status_code == 204
    gone = client.put(mine["links"]["self"], json=a_submission(), headers=headers)
    assert gone.status_code == 410
