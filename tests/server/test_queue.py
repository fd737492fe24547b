"""Places that networks share, and the queue of requests that wait for one."""

import threading

import pytest

from kbapi.errors import Overloaded
from kbapi.server import queue
from kbapi.server.queue import LONGEST_WAIT_S, LOOK_S, Places, RequestQueue, Turn


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
        waiting.learn(f"network {number}", 0.1, 0.0)
    assert len(waiting._mean_of) <= 1_024
