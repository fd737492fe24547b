"""The package stays as small and as close together as the table of counts says."""

import pytest

from tests.house.count_code import Count, counts

COUNTS = list(counts())


@pytest.mark.parametrize("count", COUNTS, ids=lambda count: count.what)
def test_no_count_exceeds_its_bound(count: Count) -> None:
    assert 0 <= count.value <= count.most, count.where


def test_the_traces_follow_requests_to_the_database() -> None:
    entered = {count.what: count.where for count in COUNTS}
    for request in ("POST /v1/submissions", "a computed GET /v1/start"):
        assert "storage/sqlite/engine.py" in entered[f"files entered by {request}"]
