"""Places that networks share, and the queue of requests that wait for one."""

import threading

import pytest

from kbapi.api.problems import RETRY_AFTER_S
from kbapi.errors import Overloaded
from kbapi.server import queue
from kbapi.server.queue import (
    ASK_AGAIN_S,
    LONGEST_WAIT_S,
    LOOK_S,
    Places,
    Refusals,
    RequestQueue,
    Turn,
)
from kbapi.time_budget import check_time


def taken_in_turns(waiting: RequestQueue[str], count: int) -> list[str]:
    found = []
    for _ in range(count):
        taken = waiting.take(lambda _: True, 0.0)
        assert taken is not None
        found.append(taken[2])
    return found


def test_one_network_never_holds_all_places() -> None:
    places = Places(3, 2)
    assert [places.take("one") for _ in range(3)] == [True, True, False]
    assert not places.is_full
    assert places.take("other")
    assert places.is_full
    assert not places.take("third")
    places.give_back("one")
    assert places.take("third")


def test_a_place_goes_to_the_first_that_waits_and_may_have_it() -> None:
    places = Places(3, 2)
    for network in ("one", "one", "other"):
        assert places.take(network)
    order: list[str] = []
    begun = threading.Semaphore(0)

    def wait(network: str) -> None:
        begun.release()
        assert places.wait(network, 60)
        order.append(network)
        begun.release()

    threads = []
    for network in ("one", "other"):
        threads.append(threading.Thread(target=wait, args=(network,)))
        threads[-1].start()
        begun.acquire()
        while len(places._waiting) < len(threads):
            pass
    places.give_back("other")  # network one holds all that it may
    begun.acquire()
    assert order == ["other"]
    places.give_back("one")
    for thread in threads:
        thread.join()
    assert order == ["other", "one"]


def test_a_place_that_does_not_become_free_in_time_is_not_taken() -> None:
    places = Places(1, 1)
    assert places.take("one")
    assert not places.wait("other", 0.01)
    places.give_back("one")
    assert places.take("other")


def test_a_request_that_waits_for_its_client_holds_no_place() -> None:
    places, freed = Places(1, 1), []
    assert places.take("slow")
    turn = Turn(places, "slow", lambda: freed.append(turn.state))
    with turn.paused("reading"):
        assert freed == ["reading"]
        assert places.take("other")
        places.give_back("other")
    assert turn.state == "computing"
    assert places.is_full
    turn.end()
    turn.end()
    assert places.take("other")
    assert not places.take("other")


def test_a_read_request_without_a_place_in_time_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(queue, "LONGEST_WAIT_S", 0.01)
    places = Places(1, 1)
    assert places.take("slow")
    turn = Turn(places, "slow", lambda: None)
    with pytest.raises(Overloaded), turn.paused("reading"):
        assert places.take("other")
    turn.end()
    assert places.is_full, "only the other one holds a place"
    places.give_back("other")
    assert places.take("slow")


def test_a_dear_network_holds_fewer_places() -> None:
    places = Places(6, 4, most_of_dear=2)
    waiting: RequestQueue[str] = RequestQueue(places)

    def held_at_once(network: str) -> int:
        held = 0
        while places.take(network):
            held += 1
        for _ in range(held):
            places.give_back(network)
        return held

    assert held_at_once("new") == 4
    assert not waiting.is_dear("new")
    waiting.learn("cheap", 0.01, 0.002)
    waiting.learn("dear", 2.0, 1.9)
    assert [held_at_once(network) for network in ("cheap", "dear")] == [4, 2]
    assert [waiting.is_dear(network) for network in ("cheap", "dear")] == [False, True]
    for _ in range(60):
        waiting.learn("dear", 0.01, 0.002)
    assert held_at_once("dear") == 4


@pytest.mark.parametrize("is_dear", [True, False])
def test_a_dear_request_waits_between_steps_while_others_compute(
    monkeypatch: pytest.MonkeyPatch, is_dear: bool
) -> None:
    places, looks = Places(6, 4), []
    assert places.take("this")
    assert places.take("other")

    def look(_: float) -> None:
        looks.append(len(looks))
        if len(looks) == 3:
            places.give_back("other")

    monkeypatch.setattr(queue.time, "sleep", look)
    with Turn(places, "this", lambda: None, is_dear=is_dear).running():
        check_time("a step")
        assert len(looks) == (3 if is_dear else 0)
        check_time("the next step")
    check_time("after the request")
    assert len(looks) == (3 if is_dear else 0)


def test_any_request_that_has_computed_for_long_gives_way_but_not_for_ever(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    places, waited, cpu_s = Places(6, 4), [0.0], [0.0]
    assert places.take("this")
    assert places.take("other")
    monkeypatch.setattr(queue.time, "sleep", lambda seconds: waited.append(waited[-1] + seconds))
    monkeypatch.setattr(queue.time, "monotonic", lambda: waited[-1])
    monkeypatch.setattr(queue.time, "thread_time", lambda: cpu_s[0])
    with Turn(places, "this", lambda: None).running():
        cpu_s[0] = 0.4
        check_time("a step")
        assert waited == [0.0]
        cpu_s[0] = 0.6
        check_time("a long step")
        assert 0.05 < waited[-1] < 0.5
        waited_once = waited[-1]
        check_time("a step without work")
        assert waited[-1] == waited_once


def test_who_asks_again_too_early_gets_the_refusal_later() -> None:
    assert RETRY_AFTER_S[Overloaded] == ASK_AGAIN_S
    refusals: Refusals[str] = Refusals()
    assert not refusals.hold("a", "a1", 0.0)
    assert refusals.hold("a", "a2", 0.1)
    assert not refusals.hold("b", "b1", 0.1)
    assert refusals.hold("a", "a3", 0.2)
    assert list(refusals.take_due(ASK_AGAIN_S)) == []
    assert list(refusals.take_due(ASK_AGAIN_S + 0.1)) == ["a2"]
    assert list(refusals.take_due(ASK_AGAIN_S + 0.2)) == ["a3"]
    assert not refusals.hold("a", "a4", 2 * ASK_AGAIN_S)


def test_the_number_of_refusals_that_are_held_back_is_bounded() -> None:
    refusals: Refusals[int] = Refusals()
    held = [refusals.hold("a", number, 0.0) for number in range(100)]
    assert held == [False] + 64 * [True] + 35 * [False]
    for number in range(5_000):
        refusals.hold(f"network {number}", number, 0.0)
    assert len(refusals._last) <= 1_024


def test_networks_take_turns() -> None:
    waiting: RequestQueue[str] = RequestQueue(Places(8, 6))
    for item in ("a1", "a2", "a3", "b1", "b2", "c1"):
        waiting.add(item[0], item, 0.0)
    assert taken_in_turns(waiting, 6) == ["a1", "b1", "c1", "a2", "b2", "a3"]
    assert len(waiting) == 0
    assert waiting.take(lambda _: True, 0.0) is None


def test_a_network_without_a_free_place_is_passed_over() -> None:
    waiting: RequestQueue[str] = RequestQueue(Places(8, 6))
    for item in ("a1", "a2", "b1"):
        waiting.add(item[0], item, 0.0)
    taken = waiting.take(lambda network: network == "b", 1.5)
    assert taken == ("b", 1.5, "b1")
    assert waiting.has("a")
    assert not waiting.has("b")


def test_only_requests_that_have_waited_too_long_expire() -> None:
    waiting: RequestQueue[str] = RequestQueue(Places(8, 6))
    for since, item in enumerate(("a1", "b1", "a2")):
        waiting.add(item[0], item, float(since))
    assert waiting.take_expired(LONGEST_WAIT_S - 0.01) == []
    assert waiting.take_expired(LONGEST_WAIT_S - 0.01 + LOOK_S) == [("a", "a1")]
    assert sorted(waiting.take_expired(9.0)) == [("a", "a2"), ("b", "b1")]
    assert len(waiting) == 0


def test_the_wait_grows_with_the_queue_and_the_time_that_requests_take() -> None:
    waiting: RequestQueue[str] = RequestQueue(Places(4, 4))
    for _ in range(500):
        waiting.learn("any", 0.1, 0.0)
    for number in range(39):
        waiting.add(f"network {number}", "request", 0.0)
    # Forty requests of 100 ms at four places.
    assert waiting.seconds_to_wait("new", 0.0) == pytest.approx(1.0, rel=0.01)


def test_costly_requests_of_one_network_do_not_lengthen_the_wait_of_another() -> None:
    waiting: RequestQueue[str] = RequestQueue(Places(8, 4))
    for _ in range(40):
        waiting.learn("costly", 2.0, 0.0)
        for _ in range(10):
            waiting.learn("usual", 0.01, 0.0)
    for number in range(20):
        waiting.add("costly", f"request {number}", 0.0)
    assert waiting.seconds_to_wait("costly", 0.0) > LONGEST_WAIT_S
    assert waiting.seconds_to_wait("usual", 0.0) < 0.2


def test_one_long_request_does_not_refuse_the_next_ones_of_its_network() -> None:
    waiting: RequestQueue[str] = RequestQueue(Places(6, 4, most_of_dear=2))
    for _ in range(3):
        waiting.learn("club", 3.0, 3.0)
    for number in range(6):
        waiting.add("club", f"page {number}", 0.0)
    assert waiting.seconds_to_wait("club", 0.0) < LONGEST_WAIT_S
    waiting.learn("club", 3.0, 3.0)
    assert waiting.seconds_to_wait("club", 0.0) > LONGEST_WAIT_S
    waiting.learn("club", 0.005, 0.005)
    assert waiting.seconds_to_wait("club", 0.0) < LONGEST_WAIT_S


def test_while_no_request_begins_the_wait_is_at_least_that_time() -> None:
    waiting: RequestQueue[str] = RequestQueue(Places(4, 4))
    waiting.add("a", "a1", 0.0)
    waiting.take_expired(LONGEST_WAIT_S)
    assert waiting.seconds_to_wait("b", 5.0) == 5.0
    waiting.note_taken(5.0)
    assert waiting.seconds_to_wait("b", 5.0) < LONGEST_WAIT_S


def test_the_memory_of_networks_is_bounded() -> None:
    waiting: RequestQueue[str] = RequestQueue(Places(4, 4))
    for number in range(5_000):
        waiting.learn(f"network {number}", 0.1, 1.0)
    assert len(waiting._known) <= 1_024
    assert len(waiting._places.dear) <= 1_024
