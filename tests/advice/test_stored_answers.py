"""Stored answers: equal bytes from one statement until their evidence changes."""

import re
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path
from typing import Any
from unittest.mock import patch

import pytest
from sqlalchemy import Engine, event

from kbapi.advice.locks.answer import advise_locks
from kbapi.advice.locks.query import parse_lock_question
from kbapi.advice.start.answer import advise_start
from kbapi.advice.stored_answers import stored_key
from kbapi.evidence import pools
from kbapi.instance.instance import Instance
from kbapi.intake.my_submissions import withdraw_own_result
from kbapi.storage.answers import ANSWERS_PER_CHIP
from kbapi.storage.sqlite import engine
from kbapi.storage.sqlite.engine import open_reading_connection
from tests.makers import (
    CHIP,
    HandMovedClock,
    a_count_submission,
    a_question,
    a_setting,
    a_submission,
    an_instance,
    row_counts,
    rows_of,
    send,
)


@contextmanager
def statements() -> Iterator[list[str]]:
    """Every statement that goes to a database meanwhile."""
    seen: list[str] = []

    def note(_c: object, _cursor: object, statement: str, *_: object) -> None:
        seen.append(" ".join(statement.split()))

    event.listen(Engine, "before_cursor_execute", note)
    try:
        yield seen
    finally:
        event.remove(Engine, "before_cursor_execute", note)


def is_computed(instance: Instance, **parameters: str) -> bool:
    """Whether this question makes the instance read evidence."""
    with patch.object(pools, "load_pools_of_line", wraps=pools.load_pools_of_line) as read:
        advise_start(instance, a_question(instance, **parameters))
    return bool(read.called)


def send_ten(instance: Instance, **changes: Any) -> None:
    """Results of ten members: other lines do not change answers about so many units."""
    for number in range(100, 110):
        send(instance, a_submission(number=number, **changes))


def test_a_stored_answer_costs_exactly_one_select_and_no_write(
    instance: Instance, monkeypatch: pytest.MonkeyPatch
) -> None:
    hot: list[str] = []

    def open_traced(database: Path, *, is_read_only_medium: bool) -> Any:
        connection = open_reading_connection(database, is_read_only_medium=is_read_only_medium)
        connection.set_trace_callback(lambda statement: hot.append(statement.split()[0]))
        return connection

    monkeypatch.setattr(engine, "open_reading_connection", open_traced)
    send_ten(instance)
    question = a_question(instance)
    advise_start(instance, question)
    hot.clear()
    with statements() as seen:
        advise_start(instance, question)
    assert (hot, seen) == (["SELECT"], [])


@pytest.mark.sqlite("its log is emptied")
def test_a_hot_read_leaves_no_snapshot_behind(instance: Instance) -> None:
    send_ten(instance)
    first = advise_start(instance, a_question(instance))
    assert advise_start(instance, a_question(instance)) == first
    send(instance, a_submission(number=2))
    assert is_computed(instance)
    instance.overwrite_withdrawn()
    log = instance.settings.database_path.with_name("kbapi.sqlite3-wal")
    assert log.stat().st_size == 0  # no reader held the log of changes back


def test_the_same_bytes_are_served_again(instance: Instance) -> None:
    send_ten(instance)
    question = a_question(instance)
    first = advise_start(instance, question)
    before = rows_of(instance)
    assert advise_start(instance, question) == first
    assert rows_of(instance) == before


def test_an_answer_without_results_of_its_kind_is_stored_for_a_chip_with_others(
    tmp_path: Path,
) -> None:
    # Nothing but a result names this chip: the catalogue does not.
    instance = an_instance(tmp_path, has_club_catalogue=False)
    send_ten(instance)
    parsed = parse_lock_question({"chip": [CHIP]}, instance.catalogue)
    advise_locks(instance, parsed)
    with statements() as seen:
        advise_locks(instance, parsed)
    assert seen == []
    instance.close()


def test_all_ways_of_asking_the_same_are_served_one_answer(instance: Instance) -> None:
    send_ten(instance)
    assert is_computed(instance)
    assert not is_computed(instance, chip="Norvane(R) Sable(TM) 7 4820MX @ 2.60GHz")
    assert not is_computed(instance, domain="core", stable_share="0.90")
    assert is_computed(instance, stable_share="0.91")


def test_a_result_of_the_same_line_makes_it_stale(instance: Instance) -> None:
    send_ten(instance)
    first = advise_start(instance, a_question(instance))
    send(instance, a_submission(number=2))
    assert is_computed(instance)
    assert advise_start(instance, a_question(instance)) != first
    send(instance, a_submission(number=3, chip="norvane-sable-7-4800k"))
    assert is_computed(instance)


def test_a_result_of_another_line_does_not(instance: Instance) -> None:
    send_ten(instance)
    advise_start(instance, a_question(instance))
    send(instance, a_count_submission(14, 15, 2))
    assert not is_computed(instance)


def test_a_repeat_or_a_refused_result_does_not(instance: Instance) -> None:
    send_ten(instance)
    send(instance, a_submission(), "some-key")
    advise_start(instance, a_question(instance))
    send(instance, a_submission(), "some-key")
    send(instance, a_submission())
    assert not is_computed(instance)


def test_a_result_that_does_not_count_makes_it_stale(instance: Instance) -> None:
    send_ten(instance)
    advise_start(instance, a_question(instance))
    send(instance, a_submission(a_setting(unstable_at=None), number=2))
    assert b'"units_unverified":1' in advise_start(instance, a_question(instance)).body


def test_a_withdrawal_makes_it_stale(instance: Instance) -> None:
    send_ten(instance)
    mine = send(instance, a_submission(number=2))
    advise_start(instance, a_question(instance))
    withdraw_own_result(instance, mine.id, mine.receipt)
    assert is_computed(instance)


def test_the_next_day_in_utc_it_is_computed_again(
    instance: Instance, clock: HandMovedClock
) -> None:
    send_ten(instance)
    advise_start(instance, a_question(instance))
    clock.moment += timedelta(hours=11, minutes=59)
    assert not is_computed(instance)
    clock.moment += timedelta(minutes=1)
    assert is_computed(instance)
    assert not is_computed(instance)
    assert row_counts(instance)["stored_answer"] == 1


def test_another_version_of_the_rules_makes_it_stale(
    instance: Instance, monkeypatch: pytest.MonkeyPatch
) -> None:
    send_ten(instance)
    advise_start(instance, a_question(instance))
    monkeypatch.setattr("kbapi.advice.stored_answers.ANSWER_STAMP", "999.1")
    assert is_computed(instance)
    assert not is_computed(instance)


def test_an_answer_that_is_not_stored_is_still_given(instance: Instance) -> None:
    question = a_question(instance)
    assert advise_start(instance, question) == advise_start(instance, question)
    assert "stored_answer" not in row_counts(instance)


def many_questions(number: int) -> list[dict[str, str]]:
    return [{"clock_mhz": str(1_000 + place)} for place in range(number)]


def test_no_chip_has_more_stored_answers_than_the_limit(instance: Instance) -> None:
    send_ten(instance)
    kept = []
    for parameters in many_questions(ANSWERS_PER_CHIP + 3):
        advise_start(instance, a_question(instance, **parameters))
        kept.append(row_counts(instance)["stored_answer"])
    assert kept == [*range(1, 65), 64, 64, 64]
    assert not is_computed(instance, **parameters)


def test_other_chips_keep_their_answers(instance: Instance) -> None:
    send_ten(instance)
    send_ten(instance, chip="norvane-sable-7-4800k")
    advise_start(instance, a_question(instance, chip="norvane-sable-7-4800k"))
    for parameters in many_questions(ANSWERS_PER_CHIP + 1):
        advise_start(instance, a_question(instance, **parameters))
    assert not is_computed(instance, chip="norvane-sable-7-4800k")


def test_the_oldest_answers_go_first(instance: Instance) -> None:
    send_ten(instance)
    for parameters in many_questions(ANSWERS_PER_CHIP):
        advise_start(instance, a_question(instance, **parameters))
    for place in range(6):
        advise_start(instance, a_question(instance, clock_mhz=str(3_000 + place)))
    for number in (1_006, 999 + ANSWERS_PER_CHIP, 3_000, 3_005):
        assert not is_computed(instance, clock_mhz=str(number))
    for number in (1_000, 1_005):
        assert is_computed(instance, clock_mhz=str(number))


def test_questions_about_chips_without_results_cannot_fill_the_disk(instance: Instance) -> None:
    send_ten(instance)
    for number in range(ANSWERS_PER_CHIP + 6):
        advise_start(instance, a_question(instance, chip=f"Norvane Sable 7 {4700 + number}MX"))
    assert "stored_answer" not in row_counts(instance)


def test_the_sender_sees_the_peers_of_the_last_answer(instance: Instance) -> None:
    for number in range(4):
        send(instance, a_submission(a_setting(stable_at=-80, unstable_at=-90), number=number))
    send(instance, a_submission(a_setting(stable_at=-40, unstable_at=-50), number=8))
    advise_start(instance, a_question(instance))
    accepted = send(instance, a_submission(a_setting(stable_at=-60, unstable_at=-65), number=9))
    spread = accepted.settings[0].peers
    assert spread is not None
    assert (spread.known, spread.stable) == (5, 4)


@pytest.mark.parametrize("name", ["machine", "firmware", "microcode"])
def test_a_text_of_a_query_is_in_no_row_unless_results_have_it(
    instance: Instance, name: str
) -> None:
    send_ten(instance, platform={name: "Quay-14"})
    advise_start(instance, a_question(instance, **{name: "Quay-77"}))
    assert "stored_answer" not in row_counts(instance)
    advise_start(instance, a_question(instance, **{name: "Quay-14"}))
    assert row_counts(instance)["stored_answer"] == 1
    (row,) = rows_of(instance)["stored_answer"]
    keys = [one for one in row if isinstance(one, str) and re.fullmatch("[0-9a-f]{64}", one)]
    assert keys == [stored_key(instance, "start", a_question(instance, **{name: "Quay-14"}))]
    assert not any("start|" in one for one in row if isinstance(one, str))
