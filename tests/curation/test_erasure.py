"""Erasing removes what a withdrawal removes, without receipt or token, and keeps only why."""

from datetime import timedelta
from pathlib import Path

import pytest

from kbapi.advice.start.answer import advise_start
from kbapi.curation.erasure import ErasureResponse, erase_contributor, erase_submission
from kbapi.errors import QueryInvalid, ResultUnknown, SubmissionGone
from kbapi.instance.check import check_instance
from kbapi.instance.instance import Instance
from kbapi.intake.correct import correct_submission
from kbapi.intake.my_submissions import (
    read_own_result,
    withdraw_own_result,
    withdraw_own_results,
)
from kbapi.storage.schema import METADATA
from tests.curation.makers import a_curator, a_decision, decide
from tests.makers import (
    HandMovedClock,
    a_body,
    a_question,
    a_setting,
    a_submission,
    an_instance,
    everything_stored,
    row_counts,
    rows_of,
    send,
)

MEMBER = "tidewater-member-000077"
REASON = {"reason": ["asked_by_sender"]}
MARKER = b"erased-marker"
DRY = {"dry_run": ["true"]}


def some_results(instance: Instance) -> list[str]:
    """Three results of one member among those of others, with an answer and a decision."""
    for number in range(5):
        send(instance, a_submission(number=number))
    mine = [
        send(
            instance,
            a_submission(
                a_setting(stable_at=-50 - number, unstable_at=-60),
                number=70 + number,
                contributor_token=MEMBER,
                client="erased-marker/7.31",
            ),
            f"key-{number}",
        )
        for number in range(3)
    ]
    decide(instance, None, a_decision(mine[0], "exclude", "testing_doubted"))
    advise_start(instance, a_question(instance))
    return [one.id for one in mine]


def erase_all(instance: Instance, number: int) -> ErasureResponse:
    shown = erase_contributor(instance, None, number, {**REASON, **DRY})
    return erase_contributor(instance, None, number, {**REASON, "confirm": [shown.confirm]})


def is_in_the_folder(instance: Instance) -> bool:
    if instance.settings.database:
        return MARKER in everything_stored(instance)
    files = instance.settings.home.glob("kbapi.sqlite3*")
    return any(MARKER in file.read_bytes() for file in files)


@pytest.mark.parametrize("all_of_them", [False, True])
def test_it_leaves_what_a_withdrawal_leaves(tmp_path: Path, all_of_them: bool) -> None:
    left = []
    for way in ("withdrawn", "erased"):
        made = an_instance(tmp_path / way)
        ids = some_results(made)
        if way == "withdrawn" and all_of_them:
            withdraw_own_results(made, MEMBER)
        elif way == "withdrawn":
            from kbapi.instance.secret import receipt_of

            withdraw_own_result(made, ids[0], receipt_of(made.secret, ids[0]))
        elif all_of_them:
            erase_all(made, 6)
        else:
            erase_submission(made, None, ids[0], REASON)
        left.append(row_counts(made) | {"erasure": 0})
        made.close()
    assert left[0] == left[1]


def test_the_answer_says_what_was_erased_and_how_starts_moved(instance: Instance) -> None:
    ids = some_results(instance)
    done = erase_all(instance, 6)
    assert (done.results, done.contributor, done.is_shared, done.dry_run) == (3, 6, False, False)
    assert list(done.ids) == sorted(ids)
    (change,) = done.starts
    # One of the three was excluded before.
    assert (change.before.units, change.after.units) == (7, 5)
    assert change.before.start is not None
    assert change.after.start is not None
    assert change.after.start.grid_steps > change.before.start.grid_steps


def test_the_reason_is_kept_without_content(tmp_path: Path) -> None:
    clock = HandMovedClock()
    made = an_instance(tmp_path, clock)
    ids = some_results(made)
    holder = a_curator(made)
    erase_submission(made, holder, ids[0], {"reason": ["personal_data"]})
    clock.moment += timedelta(days=1)
    erase_all(made, 6)
    assert [(str(row[1]), *row[2:]) for row in rows_of(made)["erasure"]] == [
        ("2026-09-15", "personal_data", 1, holder.id),
        ("2026-09-16", "asked_by_sender", 2, None),
    ]
    names = [column.name for column in METADATA.tables["erasure"].columns]
    assert names == ["id", "erased_day", "reason_code", "results", "decided_by"]
    made.close()


def test_no_byte_of_an_erased_result_is_left_in_the_folder(instance: Instance) -> None:
    some_results(instance)
    assert is_in_the_folder(instance)
    erase_all(instance, 6)
    assert not is_in_the_folder(instance)


def test_an_erased_result_is_gone_for_its_receipt(instance: Instance) -> None:
    sent = send(instance, a_submission())
    erase_submission(instance, None, sent.id, REASON)
    with pytest.raises(SubmissionGone):
        read_own_result(instance, sent.id, sent.receipt)


def test_a_dry_run_erases_nothing_and_says_the_same(instance: Instance) -> None:
    ids = some_results(instance)
    before = rows_of(instance)
    shown = erase_contributor(instance, None, 6, {**REASON, **DRY})
    one = erase_submission(instance, None, ids[0], {**REASON, **DRY})
    assert rows_of(instance) == before
    assert (one.dry_run, one.ids, one.results) == (True, (ids[0],), 1)
    done = erase_contributor(instance, None, 6, {**REASON, "confirm": [shown.confirm]})
    assert (done.ids, done.starts) == (shown.ids, shown.starts)


@pytest.mark.parametrize("sent", [{}, {"confirm": ["0123456789abcdef"]}])
def test_a_guessed_number_erases_nothing_without_the_confirmation_of_a_dry_run(
    instance: Instance, sent: dict[str, list[str]]
) -> None:
    some_results(instance)
    before = rows_of(instance)
    with pytest.raises(QueryInvalid) as refused:
        erase_contributor(instance, None, 6, {**REASON, **sent})
    (problem,) = refused.value.problems
    assert (problem.pointer, problem.code) == ("confirm", "confirmation_needed")
    assert "Matching results: 3." in problem.detail
    assert rows_of(instance) == before


def test_a_confirmation_holds_for_the_results_that_were_shown(instance: Instance) -> None:
    some_results(instance)
    shown = erase_contributor(instance, None, 6, {**REASON, **DRY})
    other = erase_contributor(instance, None, 5, {**REASON, **DRY})
    assert shown.confirm != other.confirm
    send(instance, a_submission(number=79, contributor_token=MEMBER))
    with pytest.raises(QueryInvalid):
        erase_contributor(instance, None, 6, {**REASON, "confirm": [shown.confirm]})
    assert row_counts(instance)["submission"] == 9


def test_a_number_that_all_share_says_so_before_it_is_erased(instance: Instance) -> None:
    for number in range(2):
        send(instance, a_submission(number=number, contributor_token=...))
    shown = erase_contributor(instance, None, 1, {**REASON, **DRY})
    assert (shown.is_shared, shown.results) == (True, 2)


@pytest.mark.parametrize(
    ("sent", "problem"),
    [
        ({}, ("reason", "required")),
        ({"reason": ["because"]}, ("reason", "invalid")),
        ({**REASON, "confirm": ["yes"]}, ("confirm", "invalid")),
        ({**REASON, "contributor": ["1"]}, ("contributor", "unknown_field")),
    ],
)
def test_a_wrong_query_erases_nothing(
    instance: Instance, sent: dict[str, list[str]], problem: tuple[str, str]
) -> None:
    mine = send(instance, a_submission())
    with pytest.raises(QueryInvalid) as refused:
        erase_submission(instance, None, mine.id, sent)
    assert [(one.pointer, one.code) for one in refused.value.problems] == [problem]
    assert row_counts(instance)["submission"] == 1


def test_what_is_not_stored_is_an_error(instance: Instance) -> None:
    with pytest.raises(ResultUnknown):
        erase_submission(instance, None, "01a21000-8800-736b-8fa7-7e16bf7f60fd", REASON)
    with pytest.raises(ResultUnknown):
        erase_contributor(instance, None, 1, {**REASON, **DRY})
    assert row_counts(instance) == {}


def test_a_check_finds_nothing_wrong_after_correcting_and_erasing(tmp_path: Path) -> None:
    instance = an_instance(tmp_path, HandMovedClock())
    some_results(instance)
    kept = send(instance, a_submission(number=90), "key-90")
    corrected = a_submission(a_setting(stable_at=-41, unstable_at=-47), number=90)
    correct_submission(instance, kept.id, kept.receipt, a_body(corrected), None)
    assert erase_all(instance, 6).results == 3
    instance.close()
    findings = check_instance(instance.settings, now=HandMovedClock())
    assert {"values", "references", "integrity"} <= {one.subject for one in findings}
    assert [one for one in findings if not one.is_ok] == []
