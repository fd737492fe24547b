"""A real server under load: too much, dear requests, and for a while; states and counts alone."""

from tests.outside import overload, soak, worst


def test_too_many_requests_are_refused_in_time_and_health_is_answered() -> None:
    assert [row for row in overload.measure(short=True) if not row.met] == []


def test_one_client_with_dear_requests_stops_no_other() -> None:
    assert [row for row in worst.measure(short=True) if not row.met] == []


def test_mixed_load_causes_no_error_and_leaves_no_file_open() -> None:
    assert [row for row in soak.measure(short=True) if not row.met] == []
