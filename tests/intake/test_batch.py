"""Batches and dry runs: one outcome for each item, all in one transaction, nothing half-stored."""

import json
from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from flask.testing import FlaskClient
from sqlmodel import SQLModel, select

from kbapi.bounds import MOST_ITEMS
from kbapi.errors import DocumentRefused, IdempotencyKeyReused, JsonUnreadable
from kbapi.instance.instance import Instance
from kbapi.intake.batch import BatchResponse, accept_batch
from kbapi.intake.my_submissions import (
    read_own_result,
    withdraw_own_result,
    withdraw_own_results,
)
from kbapi.intake.submit import dry_run_submission
from kbapi.storage.sql import checksum_of
from tests.bench.intake import a_document
from tests.intake.evidence_text import evidence_text, instances_of_one_secret
from tests.intake.whole_document import a_whole_document
from tests.makers import (
    HandMovedClock,
    a_body,
    a_setting,
    a_submission,
    row_counts,
    rows_of,
    send,
)

GOOD = a_submission(number=1)
CLAIM = a_submission(a_setting(unstable_at=None), number=2)
ASIDE = a_submission(a_setting(stable_at=-170, unstable_at=-180), number=3)
BAD = a_submission(a_setting(stable_at=80), number=4)
MIXED = [GOOD, BAD, CLAIM, ASIDE, GOOD]


def batch(instance: Instance, *documents: Any, **options: Any) -> BatchResponse:
    return accept_batch(instance, a_body(list(documents)), **options)


def test_an_item_without_tokens_has_the_warning_of_a_single_result(instance: Instance) -> None:
    lone = [
        a_submission(number=number, **dict.fromkeys(missing, ...))
        for number, missing in enumerate(
            ([], ["unit_token"], ["contributor_token"], ["unit_token", "contributor_token"])
        )
    ]
    expected = [[], ["unit_token_missing"], *[["contributor_token_missing"]] * 2]
    for options in ({"dry_run": True}, {}):
        response = batch(instance, *lone, **options)
        assert [[one.code for one in item.warnings] for item in response.items] == expected
    for item, codes in zip(response.items, expected, strict=True):
        assert item.id is not None
        assert item.receipt is not None
        own = read_own_result(instance, item.id, item.receipt)
        assert [one.code for one in own.warnings] == codes
    assert [item.warnings for item in batch(instance, BAD, GOOD).items] == [(), ()]


def test_each_item_has_an_outcome_in_order(instance: Instance) -> None:
    response = batch(instance, *MIXED)
    assert [item.status for item in response.items] == [
        "counted",
        "refused",
        "unverified",
        "excluded",
        "repeated",
    ]
    assert response.items[4].id == response.items[0].id
    counts = response.counts
    assert (counts.items, counts.stored, counts.refused, counts.repeated) == (5, 4, 1, 1)
    for item in response.items:
        if item.status != "refused":
            assert read_own_result(instance, str(item.id), str(item.receipt)).id == item.id


def test_an_item_that_does_not_count_has_reasons(instance: Instance) -> None:
    response = {one.index: one for one in batch(instance, *MIXED).not_counted}
    assert set(response) == {1, 2, 3, 4}
    assert [(e.pointer, e.code) for e in response[1].errors] == [
        ("/settings/0/stable_at", "above_stock")
    ]
    assert [reason.code for reason in response[2].reasons] == ["effect_unproven"]
    assert [reason.code for reason in response[3].reasons] == ["beyond_soft_bound"]


OF_CHANCE = {"line": ("id", "revision"), "chip": ("line_id",), "submission": ("public_id",)}
"""Columns that two instances fill differently; a batch raises a revision once for each group."""
WITH_EVERYTHING = [
    *MIXED,
    *(a_submission(number=number, unit_token=...) for number in (5, 5, 6)),
    *(a_document(number, number // 2) for number in range(7)),
    a_document(3, 1),
    a_whole_document(readings=[{"state": "stock", "load": "all_core", "temp_max_c": 511}]),
    {"chip": "no chip at all", "settings": []},
]


def rows_but_chance(instance: Instance) -> dict[str, list[Any]]:
    with instance.reading() as connection:
        return {
            table.name: sorted(
                (
                    {
                        name: value
                        for name, value in row._mapping.items()
                        if name not in OF_CHANCE.get(table.name, ())
                    }
                    for row in connection.execute(select(table))
                ),
                key=repr,
            )
            for table in SQLModel.metadata.sorted_tables
        }


def outcome_of(instance: Instance, document: Any) -> Any:
    """What a batch says about a document, from the answer to it alone."""
    try:
        accepted = send(instance, document)
    except DocumentRefused as refused:
        return "refused", [(one.pointer, one.code, one.detail) for one in refused.problems]
    own = read_own_result(instance, accepted.id, accepted.receipt)
    status = "repeated" if accepted.duplicate_of else accepted.screening.status
    return status, accepted.screening.reasons, accepted.warnings, replace(own, id="")


def outcomes_of(instance: Instance, response: BatchResponse) -> Iterator[Any]:
    not_counted = {one.index: one for one in response.not_counted}
    for item in response.items:
        if item.status == "refused":
            errors = not_counted[item.index].errors
            yield "refused", [(one.pointer, one.code, one.detail) for one in errors]
        else:
            own = read_own_result(instance, str(item.id), str(item.receipt))
            reasons = () if item.status == "counted" else not_counted[item.index].reasons
            yield item.status, reasons, item.warnings, replace(own, id="")


def test_a_batch_equals_its_items_one_by_one(tmp_path: Path) -> None:
    alone, together, lines = instances_of_one_secret(tmp_path, "a", "b", "c")
    singly = [outcome_of(alone, document) for document in WITH_EVERYTHING]
    in_one = batch(together, *WITH_EVERYTHING)
    ndjson = b"\n".join(json.dumps(document).encode() for document in WITH_EVERYTHING) + b"\n\n"
    in_lines = accept_batch(lines, ndjson, is_ndjson=True)
    assert list(outcomes_of(together, in_one)) == singly
    assert list(outcomes_of(lines, in_lines)) == singly
    statuses = {"counted", "unverified", "excluded", "repeated", "refused"}
    assert {status for status, *_ in singly} == statuses
    assert rows_but_chance(alone) == rows_but_chance(together) == rows_but_chance(lines)
    assert evidence_text(alone) == evidence_text(together) == evidence_text(lines)
    for made in (alone, together, lines):
        made.close()


def test_a_line_that_is_not_json_is_refused_alone(instance: Instance) -> None:
    body = json.dumps(GOOD).encode() + b"\n{broken\n"
    response = accept_batch(instance, body, is_ndjson=True)
    assert [item.status for item in response.items] == ["counted", "refused"]
    assert response.not_counted[0].errors[0].code == "json_unreadable"


def test_a_batch_of_refused_items_lists_every_problem_with_its_item(instance: Instance) -> None:
    with pytest.raises(DocumentRefused) as caught:
        batch(instance, BAD, {"chip": 7})
    pointers = {problem.pointer for problem in caught.value.problems}
    assert pointers == {"/0/settings/0/stable_at", "/1/chip", "/1/settings"}
    assert not any(rows_of(instance).values())


def test_a_batch_has_at_most_a_thousand_items(instance: Instance) -> None:
    for number in (0, MOST_ITEMS + 1):
        with pytest.raises(DocumentRefused) as caught:
            batch(instance, *[7] * number)
        assert caught.value.problems[0].code == "wrong_number_of_items"
    with pytest.raises(DocumentRefused) as caught:
        batch(instance, *[7] * MOST_ITEMS)
    assert len(caught.value.problems) == 101


@pytest.mark.parametrize("body", [b"{}", b"7", b"[", b"", b'"[]"'])
def test_a_batch_is_a_list(instance: Instance, body: bytes) -> None:
    with pytest.raises(JsonUnreadable):
        accept_batch(instance, body)


def test_a_key_makes_a_repeated_batch_get_the_same_answer(instance: Instance) -> None:
    lone = {key: value for key, value in GOOD.items() if key != "unit_token"}
    first = batch(instance, lone, lone, CLAIM, BAD, idempotency_key="a")
    before = rows_of(instance)
    assert batch(instance, lone, lone, CLAIM, BAD, idempotency_key="a") == first
    assert rows_of(instance) == before
    with pytest.raises(IdempotencyKeyReused):
        batch(instance, lone, CLAIM, idempotency_key="a")
    assert rows_of(instance) == before


@pytest.mark.parametrize("way", ["receipt", "contributor token"])
def test_a_batch_that_is_sent_again_does_not_store_a_withdrawn_item(
    instance: Instance, clock: HandMovedClock, way: str
) -> None:
    response = batch(instance, GOOD, CLAIM, idempotency_key="a")
    if way == "receipt":
        withdraw_own_result(instance, str(response.items[0].id), str(response.items[0].receipt))
    else:
        withdraw_own_results(instance, GOOD["contributor_token"])
    again = batch(instance, GOOD, CLAIM, idempotency_key="a")
    assert again.items[0] == replace(response.items[0], status="withdrawn", id=None, receipt=None)
    assert again.items[1] == response.items[1]
    assert (again.counts.stored, again.counts.withdrawn) == (1, 1)
    assert again.not_counted[0].reasons[0].code == "withdrawn"
    assert row_counts(instance)["submission"] == 1
    # The mark has no content, and goes when it expires.
    marks = [row for row in rows_of(instance)["idempotency_record"] if None in row]
    assert [row[-2:] for row in marks] == [("null", checksum_of("null"))]
    other = batch(instance, GOOD, CLAIM, idempotency_key="b")
    assert (other.items[0].status, other.counts.withdrawn) == ("counted", 0)
    clock.moment += timedelta(days=2)
    batch(instance, GOOD, idempotency_key="c")
    assert not [row for row in rows_of(instance)["idempotency_record"] if None in row]


def test_a_dry_run_answers_the_same_and_stores_nothing(instance: Instance) -> None:
    send(instance, GOOD)
    before = rows_of(instance)
    response = batch(instance, *MIXED, dry_run=True)
    dry_run = dry_run_submission(instance, a_body(CLAIM))
    assert rows_of(instance) == before
    assert dry_run.screening.status == "unverified"
    assert dry_run_submission(instance, a_body(GOOD)).duplicate_of is not None
    assert [item.status for item in response.items] == [
        "repeated",
        "refused",
        "unverified",
        "excluded",
        "repeated",
    ]
    assert response.items[2].receipt is None
    assert send(instance, CLAIM).screening == dry_run.screening


def test_over_http_the_status_distinguishes_all_some_and_none(client: FlaskClient) -> None:
    place = "/v1/submissions/batch"
    assert client.post(place, json=[GOOD, CLAIM]).status_code == 201
    assert client.post(place, json=[GOOD, BAD]).status_code == 207
    none = client.post(place, json=[BAD])
    assert (none.status_code, none.mimetype) == (422, "application/problem+json")
    ndjson = client.post(place, data=json.dumps(GOOD), content_type="application/x-ndjson")
    assert ndjson.status_code == 201
    assert client.post(place, data="[]", content_type="text/plain").status_code == 415
    assert client.post(f"{place}?dry_run=true", json=[GOOD, BAD]).status_code == 200
    assert client.post(f"{place}?dry_run=yes", json=[GOOD]).status_code == 422
    dry = client.post("/v1/submissions?dry_run=true", json=ASIDE)
    assert (dry.status_code, dry.get_json()["dry_run"]) == (200, True)
    assert "receipt" not in dry.get_json()


def test_a_batch_may_be_larger_than_one_result(client: FlaskClient) -> None:
    padding = b" " * 2_000_000
    body = padding + json.dumps([GOOD]).encode()
    sent = client.post("/v1/submissions/batch", data=body, content_type="application/json")
    assert sent.status_code == 201
    assert (
        client.post("/v1/submissions", data=body, content_type="application/json").status_code
        == 413
    )
    huge = b" " * 17_000_000
    too_large = client.post("/v1/submissions/batch", data=huge, content_type="application/json")
    assert too_large.status_code == 413
