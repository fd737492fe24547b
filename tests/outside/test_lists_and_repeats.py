"""A real server with two workers: lists are walked while results arrive, repeats come at once."""

from tests.outside import repeats, walk


def test_every_get_is_right_while_hundreds_of_results_arrive() -> None:
    assert [row for row in walk.measure(short=True) if not row.met] == []


def test_a_hundred_equal_requests_at_once_are_one_and_of_a_hundred_unequal_one_holds() -> None:
    assert [row for row in repeats.measure(short=True) if not row.met] == []
