"""Several threads ask for what an application builds once, all at its first moment."""

from tests.outside import starts


def test_api_documents_of_one_moment_are_whole_and_equal() -> None:
    assert [row for row in starts.measure(short=True) if not row.met] == []
