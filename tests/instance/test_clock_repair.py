"""Days that a wrong clock wrote are found by their order, and replaced by the next right day."""

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import select

from kbapi.access.keys import give_key, revoke_key
from kbapi.advice.start.answer import advise_start
from kbapi.clock import full_hour_s
from kbapi.errors import UnsafeSetup
from kbapi.instance.check import check_instance
from kbapi.instance.clock_repair import count_wrong_days, repair_clock, right_days
from kbapi.instance.instance import Instance, open_instance
from kbapi.instance.move import move_instance
from kbapi.intake.follow_up import accept_follow_up
from kbapi.storage.sql import find_rows
from kbapi.storage.tables import IdempotencyRecord
from tests.makers import HandMovedClock, a_body, a_question, a_submission, rows_of, send
from tests.postgres import an_empty_database

START = date(2026, 9, 1)
TODAY = date(2026, 10, 31)


def days(*numbers: int) -> list[date]:
    return [START + timedelta(days=number) for number in numbers]


@pytest.mark.parametrize(
    ("was", "becomes"),
    [
        ((1, 2, 2, 5), (1, 2, 2, 5)),
        ((1, 900, 901, 5), (1, 5, 5, 5)),
        ((1, 2, 900), (1, 2, 60)),
        ((5, 6, -9_000, -8_999, 9, 10), (5, 6, 9, 9, 9, 10)),
        ((1, 50, 2, 3), (1, 2, 2, 3)),
        # Two writers may change places at midnight.
        ((1, 3, 2, 4), (1, 3, 2, 4)),
        ((), ()),
    ],
)
def test_the_longest_run_of_days_is_right_and_others_take_the_next_right_day(
    was: tuple[int, ...], becomes: tuple[int, ...]
) -> None:
    assert right_days(days(*was), TODAY) == days(*becomes)


@given(st.lists(st.integers(0, 60)), st.lists(st.tuples(st.integers(0, 60), st.integers(61, 999))))
def test_right_days_never_change_and_later_ones_end_between_their_neighbours(
    right: list[int], wrong: list[tuple[int, int]]
) -> None:
    mixed = days(*sorted(right))
    for place, later in wrong:
        mixed.insert(place, START + timedelta(days=later))
    found = right_days(mixed, TODAY)
    assert found == sorted(found)
    assert [day for day in mixed if day <= TODAY] == [
        now for was, now in zip(mixed, found, strict=True) if was <= TODAY
    ]


@contextmanager
def a_clock_off_by(clock: HandMovedClock, days_off: int) -> Iterator[None]:
    clock.moment += timedelta(days=days_off)
    yield
    clock.moment -= timedelta(days=days_off)


def with_wrong_days(instance: Instance, clock: HandMovedClock) -> None:
    """A right result, three by a clock a year ahead, a right one; and all else that has a day."""
    first = send(instance, a_submission(number=1))
    with a_clock_off_by(clock, 365):
        for number in (2, 3):
            send(instance, a_submission(number=number), f"key-{number}")
        send(instance, a_submission(number=4, measured_in=...))
        follow_up = {
            "domain": "core",
            "control": "voltage_offset",
            "outcome": "failed_later",
            "setting": -80,
        }
        accept_follow_up(instance, first.id, first.receipt, a_body(follow_up))
        key = give_key(instance, "first", ("submit",)).id
        revoke_key(instance, key)
    clock.moment += timedelta(days=2)
    send(instance, a_submission(number=5))


def column(instance: Instance, table: str, name: str) -> list[object]:
    with instance.reading() as connection:
        statement = f"SELECT {name} FROM {table} ORDER BY id"
        return [value for (value,) in find_rows(connection, statement, ())]


def clock_finding(instance: Instance, clock: HandMovedClock) -> str:
    (found,) = [
        one for one in check_instance(instance.settings, now=clock) if one.subject == "clock"
    ]
    return "" if found.is_ok else found.detail


def test_check_finds_rows_from_the_future_and_rows_out_of_order(
    instance: Instance, clock: HandMovedClock
) -> None:
    send(instance, a_submission(number=1))
    assert clock_finding(instance, clock) == ""
    with_wrong_days(instance, clock)
    assert count_wrong_days(instance.settings, instance.today()) == {
        "submission": (3, 0),
        "follow_up": (1, 0),
        "contributor": (3, 0),
        "access_key": (1, 0),
    }
    assert "submission: 3 rows dated later than 2026-09-17" in clock_finding(instance, clock)
    clock.moment += timedelta(days=800)  # their days have come, but not their order
    assert count_wrong_days(instance.settings, instance.today()) == {
        "submission": (0, 1),
        "contributor": (0, 1),
    }
    assert "--repair-clock" in clock_finding(instance, clock)


def test_a_repair_is_shown_first_and_then_done_whole(
    instance: Instance, clock: HandMovedClock
) -> None:
    with_wrong_days(instance, clock)
    advise_start(instance, a_question(instance))
    before = rows_of(instance)
    shown = repair_clock(instance, applies=False)
    assert rows_of(instance) == before
    done = repair_clock(instance, applies=True)
    assert done == shown
    assert column(instance, "submission", "received_day") == [
        "2026-09-15",
        *["2026-09-17"] * 3,
        "2026-09-17",
    ]
    assert column(instance, "contributor", "first_seen_day")[1:] == ["2026-09-17"] * 4
    assert column(instance, "follow_up", "received_day") == ["2026-09-17"]
    assert column(instance, "follow_up", "measured_month") == ["2026-09"]
    assert column(instance, "access_key", "created_day") == ["2026-09-17"]
    assert column(instance, "access_key", "revoked_day") == ["2026-09-17"]
    # Only the month that the clock gave changes, and not one that was sent.
    months = ["2026-08", "2026-08", "2026-08", "2026-09", "2026-08"]
    assert column(instance, "submission", "measured_month") == months
    assert column(instance, "setting_result", "measured_month") == months
    assert rows_of(instance)["stored_answer"] == []
    with instance.reading() as connection:
        latest = max(connection.execute(select(IdempotencyRecord.expires_at)).scalars())
    assert latest == full_hour_s(clock.moment + timedelta(days=1))
    assert clock_finding(instance, clock) == ""
    assert repair_clock(instance, applies=True).tables == ()
    assert b'"units":5' in advise_start(instance, a_question(instance)).body


def test_a_repair_that_fails_changes_nothing(
    instance: Instance, clock: HandMovedClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    with_wrong_days(instance, clock)
    before = rows_of(instance)

    def fail(*_: object) -> None:
        raise RuntimeError

    monkeypatch.setattr("kbapi.storage.health.correct_derived", fail)
    with pytest.raises(RuntimeError):
        repair_clock(instance, applies=True)
    assert rows_of(instance) == before


def test_a_repair_is_refused_while_the_clock_itself_looks_wrong(
    instance: Instance, clock: HandMovedClock
) -> None:
    for number in range(6):
        clock.moment += timedelta(days=1)
        send(instance, a_submission(number=number))
    before = rows_of(instance)
    for days_off, words in (
        (-60, "before this program was made"),
        (-4, "the newest 4 results are dated later"),
        (-12, "the newest 6 results are dated later"),
    ):
        with a_clock_off_by(clock, days_off), pytest.raises(UnsafeSetup, match=words):
            repair_clock(instance, applies=True)
    assert rows_of(instance) == before


def test_months_that_people_sent_are_counted_and_kept(
    instance: Instance, clock: HandMovedClock
) -> None:
    send(instance, a_submission(number=1))
    with a_clock_off_by(clock, 365):
        send(instance, a_submission(number=2, measured_in="2027-09"))
    assert repair_clock(instance, applies=True).later_months.results == 1
    assert column(instance, "submission", "measured_month") == ["2026-08", "2027-09"]


def test_the_days_of_a_database_on_a_server_are_repaired(
    instance: Instance, clock: HandMovedClock
) -> None:
    for number in range(2):
        send(instance, a_submission(number=number, measured_in=...), key=f"key-{number}")
    with an_empty_database() as url:
        move_instance(instance.settings, url)
        settings = instance.settings.model_copy(update={"database": url})
        served = open_instance(settings, clock)
        clock.moment += timedelta(days=900)
        send(served, a_submission(number=2, measured_in=...), key="key-2")
        clock.moment -= timedelta(days=899)
        send(served, a_submission(number=3), key="key-3")
        today = served.today()
        assert count_wrong_days(settings, today)["submission"] == (1, 0)
        planned = repair_clock(served, applies=False)
        assert count_wrong_days(settings, today)["submission"] == (1, 0)
        assert repair_clock(served, applies=True) == planned
        assert count_wrong_days(settings, today) == {}
        assert repair_clock(served, applies=True).tables == ()
        served.close()
