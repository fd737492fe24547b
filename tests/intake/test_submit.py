"""Accepting a result: stored once and whole, repeated equally, or refused whole."""

from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import Connection
from sqlalchemy.exc import DBAPIError

from kbapi.errors import DocumentRefused, IdempotencyKeyReused, JsonUnreadable
from kbapi.instance.instance import Instance
from kbapi.instance.secret import is_receipt_of
from kbapi.intake.my_submissions import read_own_result
from kbapi.intake.submit import accept_submission
from kbapi.storage.sql import is_sqlite
from tests.evidence.makers import evidence_in, load_intervals
from tests.makers import (
    GRAPHICS,
    HandMovedClock,
    a_body,
    a_fixed_clock_setting,
    a_setting,
    a_submission,
    everything_stored,
    row_counts,
    rows_of,
    send,
)

KEY = "8e03978e-40d5-43e8"


def test_one_result_is_one_row_of_each_kind(instance: Instance) -> None:
    accepted = send(instance, a_submission())
    assert row_counts(instance) == {
        "line": 1,
        "chip": 1,
        "contributor": 1,
        "unit": 1,
        "pool": 1,
        "conditions": 1,
        "submission": 1,
        "setting_result": 1,
    }
    assert len(evidence_in(instance)) == 1
    assert (accepted.screening.status, accepted.duplicate_of) == ("counted", None)
    assert is_receipt_of(instance.secret, accepted.id, accepted.receipt)


def test_the_answer_shows_how_each_setting_was_screened(instance: Instance) -> None:
    accepted = send(
        instance,
        a_submission(
            a_setting(moved_with=["ring"]), a_setting(domain="graphics", unstable_at=None)
        ),
    )
    first, second = accepted.settings
    assert (first.domain, first.moved_with, first.status) == ("core", ("ring",), "counted")
    assert (second.status, [reason.code for reason in second.reasons]) == (
        "unverified",
        ["effect_unproven"],
    )
    assert all(reason.text.endswith(".") for reason in second.reasons)
    assert (accepted.screening.status, accepted.screening.reasons) == ("counted", ())
    assert first.peers is None


def test_a_document_without_a_counted_setting_has_reasons(instance: Instance) -> None:
    accepted = send(instance, a_submission(a_setting(unstable_at=None)))
    assert accepted.screening.status == "unverified"
    assert [reason.code for reason in accepted.screening.reasons] == ["effect_unproven"]
    assert evidence_in(instance) == []


def test_a_failure_gets_its_own_thanks(instance: Instance) -> None:
    assert "failed" in send(instance, a_submission()).thanks
    passed = a_submission(a_setting(unstable_at=None, read_back=-80), number=2)
    assert "failed" not in send(instance, passed).thanks


def test_a_result_can_be_read_back_without_its_tokens(instance: Instance) -> None:
    sent = a_submission()
    accepted = send(instance, sent)
    own = read_own_result(instance, accepted.id, accepted.receipt)
    tokens = ("unit_token", "contributor_token")
    assert own.document == {name: value for name, value in sent.items() if name not in tokens}
    assert (own.chip, own.screening, own.settings) == (
        accepted.chip,
        accepted.screening,
        accepted.settings,
    )
    assert own.measured_in == "2026-08"


def test_a_result_without_a_month_gets_the_current_one(instance: Instance) -> None:
    accepted = send(instance, a_submission(measured_in=...))
    assert read_own_result(instance, accepted.id, accepted.receipt).measured_in == "2026-09"


def test_an_id_contains_the_day_of_arrival_and_nothing_finer(
    instance: Instance, clock: HandMovedClock
) -> None:
    ids = []
    for number in range(20):
        clock.moment += timedelta(minutes=1)
        ids.append(send(instance, a_submission(number=number)).id)
    assert len({one[:13] for one in ids}) == 1
    assert len(set(ids)) == 20
    assert ids != sorted(ids)
    assert int(ids[0].replace("-", "")[:12], 16) == 1_789_430_400_000


def test_a_repeat_under_its_key_gets_the_equal_answer_and_stores_nothing(
    instance: Instance,
) -> None:
    document = a_submission(unit_token=...)
    first = send(instance, document, KEY)
    send(instance, a_submission(number=2))
    before = rows_of(instance)
    assert send(instance, document, KEY) == first
    assert rows_of(instance) == before


def test_without_a_key_an_equal_result_without_a_unit_is_another_result_of_that_unit(
    instance: Instance,
) -> None:
    document = a_submission(unit_token=...)
    assert send(instance, document).id != send(instance, document).id
    assert row_counts(instance)["unit"] == 1
    send(instance, a_submission(a_setting(stable_at=-81), unit_token=...))
    assert row_counts(instance)["unit"] == 2


def test_another_body_under_the_same_key_is_refused_and_stores_nothing(
    instance: Instance,
) -> None:
    send(instance, a_submission(), KEY)
    before = rows_of(instance)
    with pytest.raises(IdempotencyKeyReused):
        send(instance, a_submission(a_setting(stable_at=-70)), KEY)
    assert rows_of(instance) == before


def test_a_key_belongs_to_its_contributor(instance: Instance) -> None:
    first = send(instance, a_submission(number=1), KEY)
    second = send(instance, a_submission(number=2), KEY)
    assert first.id != second.id


@pytest.mark.parametrize(("hours", "kept"), [(23.99, True), (24.0, False), (48.0, False)])
def test_a_key_is_kept_for_a_day(
    instance: Instance, clock: HandMovedClock, hours: float, kept: bool
) -> None:
    document = a_submission(unit_token=...)
    first = send(instance, document, KEY)
    clock.moment += timedelta(hours=hours)
    assert (send(instance, document, KEY).id == first.id) is kept
    assert row_counts(instance)["idempotency_record"] == 1


def test_expired_keys_are_deleted(instance: Instance, clock: HandMovedClock) -> None:
    for number in range(3):
        send(instance, a_submission(number=number), KEY)
    clock.moment += timedelta(days=2)
    send(instance, a_submission(number=4), "another")
    assert row_counts(instance)["idempotency_record"] == 1


@pytest.mark.parametrize(
    "body",
    [
        b"",
        b"{",
        a_body(a_submission(a_setting(stable_at=80))),
        a_body(a_submission(chip="bogus thing")),
        a_body(a_submission(bogus=1)),
        a_body(a_submission(measured_in="2026-10")),
    ],
)
def test_a_refused_document_stores_nothing_and_no_key(instance: Instance, body: bytes) -> None:
    with pytest.raises((DocumentRefused, JsonUnreadable)):
        accept_submission(instance, body, KEY)
    assert row_counts(instance) == {}
    send(instance, a_submission(), KEY)


def test_the_same_document_of_a_unit_is_answered_with_the_first_one(instance: Instance) -> None:
    first = send(instance, a_submission())
    before = rows_of(instance)
    reordered = dict(reversed(a_submission().items()))
    again = send(instance, reordered)
    assert (again.id, again.receipt, again.duplicate_of) == (first.id, first.receipt, first.id)
    assert rows_of(instance) == before


@pytest.mark.parametrize(
    "changes",
    [
        {"unit_token": "tidewater-unit-another"},
        {"contributor_token": "tidewater-member-another"},
        {"client": "tidewater-script/0.4"},
        {"measured_in": "2026-07"},
    ],
)
def test_another_document_or_sender_is_no_repeat(
    instance: Instance, changes: dict[str, Any]
) -> None:
    first = send(instance, a_submission())
    again = send(instance, a_submission(**changes))
    assert again.id != first.id
    assert again.duplicate_of is None


def test_a_repeat_under_a_new_key_gets_the_answer_of_a_repeat(instance: Instance) -> None:
    first = send(instance, a_submission(), KEY)
    repeat = send(instance, a_submission(), "another-key")
    assert repeat.duplicate_of == first.id
    assert send(instance, a_submission(), "another-key") == repeat


def test_two_results_of_one_unit_are_one_unit(instance: Instance) -> None:
    send(instance, a_submission(a_setting(stable_at=-80, unstable_at=-90)))
    send(instance, a_submission(a_setting(stable_at=-84, unstable_at=-88)))
    assert (row_counts(instance)["unit"], row_counts(instance)["submission"]) == (1, 2)
    (group,) = intervals_of(instance)
    assert group.units == 1


def intervals_of(instance: Instance) -> list[Any]:
    with instance.reading() as connection:
        return load_intervals(connection, 1)


@pytest.mark.parametrize("unit_token", [..., "tidewater-unit-000001"])
def test_different_results_without_tokens_are_one_unit_each_and_weigh_one_together(
    instance: Instance, unit_token: Any
) -> None:
    for minutes in range(60, 66):
        document = a_submission(
            a_setting(minutes=minutes), unit_token=unit_token, contributor_token=...
        )
        send(instance, document)
    assert (row_counts(instance)["unit"], row_counts(instance)["contributor"]) == (6, 1)
    (group,) = intervals_of(instance)
    assert (group.units, group.weight_ppm) == (6, 6 * 166_666)


def test_a_guessed_unit_token_changes_nothing_of_that_unit(
    instance: Instance,
) -> None:
    send(instance, a_submission(a_setting(stable_at=-80, unstable_at=-90)))
    before = evidence_in(instance)
    guess = a_submission(a_setting(stable_at=None, unstable_at=-10), contributor_token="s" * 16)
    send(instance, guess)
    assert set(before) < set(evidence_in(instance))


def test_results_at_a_clock_are_pooled_by_their_band(instance: Instance) -> None:
    for number, clock_mhz in enumerate((1_800, 1_899.9, 1_900)):
        setting = a_fixed_clock_setting(clock_mhz=clock_mhz)
        send(instance, a_submission(setting, number=number, chip=GRAPHICS))
    assert row_counts(instance)["pool"] == 2


def refuse_rows(connection: Connection, table: str) -> None:
    does = "BEGIN SELECT RAISE(ABORT, 'not this one'); END"
    if not is_sqlite(connection):
        raised = "$$ BEGIN RAISE 'not this one'; END $$ LANGUAGE plpgsql"
        connection.exec_driver_sql(f"CREATE FUNCTION refuse() RETURNS trigger AS {raised}")
        does = "FOR EACH ROW EXECUTE FUNCTION refuse()"
    connection.exec_driver_sql(f"CREATE TRIGGER refused BEFORE INSERT ON {table} {does}")


@pytest.mark.parametrize("table", ["unit", "setting_result", "submission", "line"])
def test_a_failure_in_the_transaction_leaves_nothing(instance: Instance, table: str) -> None:
    with instance.writing() as connection:
        refuse_rows(connection, table)
    with pytest.raises(DBAPIError, match="not this one"):
        send(instance, a_submission(), KEY)
    assert row_counts(instance) == {}


def test_the_files_contain_no_token_no_receipt_and_no_key(instance: Instance) -> None:
    document = a_submission()
    accepted = send(instance, document, KEY)
    send(instance, document, KEY)
    read_own_result(instance, accepted.id, accepted.receipt)
    # Before the write-ahead log is folded in, and after.
    assert not _traces(files_of(instance), document, accepted.receipt)
    stored = everything_stored(instance)
    assert b"tidewater-script/0.3" in stored
    assert not _traces(stored + files_of(instance), document, accepted.receipt)


def files_of(instance: Instance) -> bytes:
    files = instance.settings.home.rglob("*")
    return b"".join(path.read_bytes() for path in files if path.is_file())


def _traces(content: bytes, document: dict[str, Any], receipt: str) -> list[str]:
    wanted = (document["unit_token"], document["contributor_token"], receipt[4:], KEY)
    return [one for one in wanted if one.encode() in content]
