"""The package stays as small and as close together as the table of counts says."""

import pytest

from tests.house.count_code import Count, counts


@pytest.fixture(scope="module")
def counted() -> list[Count]:
    return list(counts())


def test_no_count_exceeds_its_bound(counted: list[Count]) -> None:
    assert len(counted) == 9
    assert [count for count in counted if not 0 <= count.value <= count.most] == []


def test_the_traces_follow_requests_to_the_database(counted: list[Count]) -> None:
    entered = {count.what: count.where for count in counted}
    for request in ("POST /v1/submissions", "a computed GET /v1/start"):
        assert "storage/sqlite/engine.py" in entered[f"files entered by {request}"]
