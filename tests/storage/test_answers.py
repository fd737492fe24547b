"""Many who ask the same at once: one computation, and nobody is given anything too old."""

import time
from concurrent.futures import Future, ThreadPoolExecutor
from threading import Event

import pytest

from kbapi.errors import TooCostly
from kbapi.metrics.folder import exposition_of_counts
from kbapi.storage.answers import LONGEST_AGE_S, AnswerBytes, SingleFlight

OLD, NEW = AnswerBytes(b"old", "1"), AnswerBytes(b"new", "2")


class HandWoundWatch:
    def __init__(self) -> None:
        self.seconds = 100.0

    def __call__(self) -> float:
        return self.seconds


class SlowComputation:
    """Waits until it is told to go on, and counts how often it was begun."""

    def __init__(self) -> None:
        self.begun, self.may_end, self.times = Event(), Event(), 0

    def __call__(self) -> AnswerBytes:
        self.times += 1
        self.begun.set()
        assert self.may_end.wait(20)
        return NEW


@pytest.fixture
def watch() -> HandWoundWatch:
    return HandWoundWatch()


@pytest.fixture
def single_flight(watch: HandWoundWatch) -> SingleFlight:
    return SingleFlight(watch)


def counted(served: str) -> float:
    lines = exposition_of_counts().decode().splitlines()
    (line,) = [one for one in lines if one.startswith(f'kbapi_answers_total{{served="{served}"}}')]
    return float(line.rsplit(" ", 1)[1])


def begin(
    pool: ThreadPoolExecutor, single_flight: SingleFlight, work: SlowComputation
) -> Future[AnswerBytes]:
    flying = pool.submit(single_flight.fly, "q", work)
    assert work.begun.wait(20)
    return flying


def test_one_computes_and_all_get_its_answer(single_flight: SingleFlight) -> None:
    work = SlowComputation()
    with ThreadPoolExecutor(8) as pool:
        first = begin(pool, single_flight, work)
        before = counted("computed"), counted("waited")
        others = [pool.submit(single_flight.fly, "q", work) for _ in range(7)]
        work.may_end.set()
        # Whoever comes after the landing computes anew; these came before or right after it.
        assert {one.result(20).body for one in (first, *others)} == {b"new"}
    assert work.times < 8
    assert counted("computed") - before[0] == work.times
    assert counted("waited") - before[1] == 8 - work.times


def test_meanwhile_others_are_given_what_was_right_a_moment_ago(
    single_flight: SingleFlight, watch: HandWoundWatch
) -> None:
    single_flight.was_right("q", OLD)
    watch.seconds += LONGEST_AGE_S
    work, before = SlowComputation(), counted("previous")
    with ThreadPoolExecutor(1) as pool:
        first = begin(pool, single_flight, work)
        given = single_flight.fly("q", work)
        assert (given.body, given.age_s) == (b"old", 2)
        work.may_end.set()
        assert first.result(20) == NEW
    assert work.times == 1
    assert counted("previous") - before == 1


def test_nobody_is_given_what_is_older(single_flight: SingleFlight, watch: HandWoundWatch) -> None:
    single_flight.was_right("q", OLD)
    watch.seconds += LONGEST_AGE_S + 0.1
    work = SlowComputation()
    with ThreadPoolExecutor(2) as pool:
        first = begin(pool, single_flight, work)
        second = pool.submit(single_flight.fly, "q", work)
        work.may_end.set()
        assert {first.result(20).body, second.result(20).body} == {b"new"}


def test_an_answer_is_as_old_as_the_reading_that_it_stands_on(
    single_flight: SingleFlight, watch: HandWoundWatch
) -> None:
    def takes_three_seconds() -> AnswerBytes:
        watch.seconds += 3
        return OLD

    assert single_flight.fly("q", takes_three_seconds) == OLD
    work = SlowComputation()
    with ThreadPoolExecutor(2) as pool:
        first = begin(pool, single_flight, work)
        second = pool.submit(single_flight.fly, "q", work)
        work.may_end.set()
        assert {first.result(20).body, second.result(20).body} == {b"new"}


def test_who_asks_late_in_a_long_computation_is_not_given_what_it_read_at_its_begin(
    single_flight: SingleFlight, watch: HandWoundWatch
) -> None:
    work = SlowComputation()
    with ThreadPoolExecutor(2) as pool:
        first = begin(pool, single_flight, work)
        watch.seconds += LONGEST_AGE_S + 1
        # What was sent meanwhile must be in this answer.
        second = pool.submit(single_flight.fly, "q", lambda: AnswerBytes(b"newer", "3"))
        with pytest.raises(TimeoutError):
            second.result(0.2)
        work.may_end.set()
        assert first.result(20) == NEW
        assert second.result(20).body == b"newer"


def test_where_the_first_fails_the_next_one_computes(single_flight: SingleFlight) -> None:
    begun, may_fail = Event(), Event()

    def fails() -> AnswerBytes:
        begun.set()
        assert may_fail.wait(20)
        raise RuntimeError("no luck")

    with ThreadPoolExecutor(2) as pool:
        first = pool.submit(single_flight.fly, "q", fails)
        assert begun.wait(20)
        second = pool.submit(single_flight.fly, "q", lambda: NEW)
        may_fail.set()
        with pytest.raises(RuntimeError, match="no luck"):
            first.result(20)
        assert second.result(20) == NEW


def test_questions_do_not_wait_for_each_other(single_flight: SingleFlight) -> None:
    work = SlowComputation()
    with ThreadPoolExecutor(1) as pool:
        first = begin(pool, single_flight, work)
        assert single_flight.fly("another", lambda: OLD) == OLD
        work.may_end.set()
        assert first.result(20) == NEW


def test_where_the_first_takes_too_long_all_that_wait_get_its_problem(
    single_flight: SingleFlight,
) -> None:
    begun, may_end = Event(), Event()

    def takes_too_long() -> AnswerBytes:
        begun.set()
        assert may_end.wait(20)
        raise TooCostly("The question took more than 5 s at: fit. Ask for less.")

    with ThreadPoolExecutor(4) as pool:
        first = pool.submit(single_flight.fly, "q", takes_too_long)
        assert begun.wait(20)
        others = [pool.submit(single_flight.fly, "q", lambda: NEW) for _ in range(3)]
        waiting = single_flight._under_way["q"].ended._cond._waiters
        while len(waiting) < 3:
            time.sleep(0.01)
        may_end.set()
        for one in (first, *others):
            with pytest.raises(TooCostly, match="more than 5 s at: fit"):
                one.result(20)
    assert single_flight.fly("q", lambda: NEW) == NEW  # the next one tries again
