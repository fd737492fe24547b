"""A withdrawal with the receipt: rows, answers and bytes are gone, and what others sent stays."""

import time

import pytest

from kbapi.advice.start.answer import advise_start
from kbapi.errors import ReceiptWrong, SubmissionGone
from kbapi.instance.instance import Instance
from kbapi.intake.my_submissions import read_own_result, withdraw_own_result
from kbapi.storage.answers import Place, Stamp, save_answer
from kbapi.storage.pools import find_line
from kbapi.storage.sqlite.database import write_lock_held
from kbapi.versions import ANSWER_STAMP
from tests.evidence.makers import evidence_in
from tests.makers import (
    a_question,
    a_setting,
    a_submission,
    everything_stored,
    row_counts,
    rows_of,
    send,
)


def test_the_only_result_leaves_an_empty_database(instance: Instance) -> None:
    accepted = send(instance, a_submission(a_setting(), a_setting(domain="graphics")), "some-key")
    advise_start(instance, a_question(instance))
    withdraw_own_result(instance, accepted.id, accepted.receipt)
    assert row_counts(instance) == {}


def test_results_of_others_stay_unchanged(instance: Instance) -> None:
    send(instance, a_submission(number=1))
    send(instance, a_submission(a_setting(stable_at=None, unstable_at=-30), number=2))
    before = rows_of(instance)
    mine = send(instance, a_submission(a_setting(loads=[], moved_with=["ring"]), number=3), "key")
    withdraw_own_result(instance, mine.id, mine.receipt)
    after = rows_of(instance)
    assert {name: rows for name, rows in after.items() if name != "line"} == {
        name: rows for name, rows in before.items() if name != "line"
    }


def test_one_of_two_results_of_a_unit_leaves_the_other_and_the_unit(instance: Instance) -> None:
    send(instance, a_submission(a_setting(stable_at=-80, unstable_at=-90)))
    before = evidence_in(instance)
    again = send(instance, a_submission(a_setting(stable_at=None, unstable_at=-30)))
    assert evidence_in(instance) != before
    withdraw_own_result(instance, again.id, again.receipt)
    assert evidence_in(instance) == before
    assert row_counts(instance)["unit"] == 1


def test_withdrawn_and_sent_again_the_answer_is_the_same(instance: Instance) -> None:
    for number in range(3):
        send(instance, a_submission(number=number))
    before = advise_start(instance, a_question(instance)).body
    mine = send(instance, a_submission(a_setting(stable_at=-60, unstable_at=-70), number=9))
    with_mine = advise_start(instance, a_question(instance)).body
    withdraw_own_result(instance, mine.id, mine.receipt)
    without_mine = advise_start(instance, a_question(instance)).body
    send(instance, a_submission(a_setting(stable_at=-60, unstable_at=-70), number=9))
    again = advise_start(instance, a_question(instance)).body
    assert before == without_mine
    assert with_mine == again
    assert before != with_mine


def test_every_stored_answer_of_the_line_is_gone(instance: Instance) -> None:
    # Answers about fewer units may follow other lines, so they are not stored.
    for number in range(10, 20):
        send(instance, a_submission(number=number))
        mine = send(instance, a_submission(number=number, chip="Norvane Sable 7 4800K"))
    for chip in ("norvane-sable-7-4820mx", "norvane-sable-7-4800k"):
        advise_start(instance, a_question(instance, chip=chip))
    assert row_counts(instance)["stored_answer"] == 2
    withdraw_own_result(instance, mine.id, mine.receipt)
    assert not {"stored_answer", "pool_peers"} & set(row_counts(instance))


def test_a_key_is_forgotten_with_its_result(instance: Instance) -> None:
    first = send(instance, a_submission(), "some-key")
    withdraw_own_result(instance, first.id, first.receipt)
    assert send(instance, a_submission(), "some-key").id != first.id


def test_a_withdrawn_result_is_gone_for_its_receipt(instance: Instance) -> None:
    mine = send(instance, a_submission())
    withdraw_own_result(instance, mine.id, mine.receipt)
    for way in (read_own_result, withdraw_own_result):
        with pytest.raises(SubmissionGone):
            way(instance, mine.id, mine.receipt)


def test_a_wrong_receipt_reads_and_removes_nothing(instance: Instance) -> None:
    mine, other = (send(instance, a_submission(number=number)) for number in (1, 2))
    before = rows_of(instance)
    for way in (read_own_result, withdraw_own_result):
        for shown in (other.receipt, "", "kbr_", mine.receipt.lower()):
            with pytest.raises(ReceiptWrong):
                way(instance, mine.id, shown)
        with pytest.raises(ReceiptWrong):
            way(instance, "01a21000-8800-736b-8fa7-7e16bf7f60fd", mine.receipt)
    assert rows_of(instance) == before


def test_no_byte_of_a_withdrawn_result_is_left_in_the_file(instance: Instance) -> None:
    send(instance, a_submission(number=1))
    mine = send(instance, a_submission(number=2, client="withdrawn-marker/7.31"), "some-key")
    withdraw_own_result(instance, mine.id, mine.receipt)
    content = everything_stored(instance)
    assert b"tidewater-script/0.3" in content
    assert b"withdrawn-marker" not in content


MARKER = b"withdrawn-marker"


def is_in_the_folder(instance: Instance) -> bool:
    files = instance.settings.home.glob("kbapi.sqlite3*")
    return any(MARKER in file.read_bytes() for file in files)


ABOUT_THE_LOG = "its log is emptied; PostgreSQL sees to its own log"


@pytest.mark.sqlite(ABOUT_THE_LOG)
def test_a_withdrawal_does_not_wait_for_readers_and_the_log_is_emptied_after_them(
    instance: Instance,
) -> None:
    mine = send(instance, a_submission(number=50, client="withdrawn-marker/7.31"))
    with instance.reading() as connection:
        count = "SELECT COUNT(*) FROM submission"
        assert connection.exec_driver_sql(count).scalar() == 1
        withdraw_own_result(instance, mine.id, mine.receipt)
        assert connection.exec_driver_sql(count).scalar() == 1  # it still reads the earlier state
        assert is_in_the_folder(instance)
        send(instance, a_submission(number=1))
    deadline = time.monotonic() + 60
    while is_in_the_folder(instance):
        assert time.monotonic() < deadline, "the log was not emptied"
        time.sleep(0.05)


@pytest.mark.sqlite(ABOUT_THE_LOG)
def test_closing_with_a_log_to_empty_empties_it(instance: Instance) -> None:
    mine = send(instance, a_submission(number=50, client="withdrawn-marker/7.31"))
    with instance.reading() as connection:
        connection.exec_driver_sql("SELECT COUNT(*) FROM submission").scalar()
        withdraw_own_result(instance, mine.id, mine.receipt)
        assert is_in_the_folder(instance)
    instance.close()
    assert not is_in_the_folder(instance)


@pytest.mark.sqlite(ABOUT_THE_LOG)
def test_a_withdrawal_succeeds_if_the_log_cannot_be_emptied_now(
    instance: Instance,
) -> None:
    mine = send(instance, a_submission(number=50, client="withdrawn-marker/7.31"))
    with write_lock_held(instance.settings.write_lock_path):
        instance.overwrite_withdrawn()  # raises nothing, though another thread writes for long
    withdraw_own_result(instance, mine.id, mine.receipt)
    assert not is_in_the_folder(instance)


@pytest.mark.parametrize("others", [0, 1])
def test_an_answer_computed_before_a_withdrawal_is_not_kept_after_it(
    instance: Instance, others: int
) -> None:
    for number in range(others):
        send(instance, a_submission(number=number))
    mine = send(instance, a_submission(number=8))
    question = a_question(instance)
    computed = advise_start(instance, question)
    with instance.reading() as connection:
        line = find_line(connection, question.chip.line)
    assert line is not None
    place = Place(question.key, question.chip.key, line.id)
    stamp = Stamp(line.revision, ANSWER_STAMP, instance.today())
    withdraw_own_result(instance, mine.id, mine.receipt)
    if not others:
        # The line is new again, with as many results as before.
        send(instance, a_submission(a_setting(stable_at=-50, unstable_at=-55), number=9))
    with instance.writing() as connection:
        assert not save_answer(connection, place, stamp, computed)
