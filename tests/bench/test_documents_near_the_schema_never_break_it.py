"""Five hundred documents of the bench in every run of the tests."""

from tests.bench.documents import measure


def test_documents_near_the_schema_are_stored_or_refused_with_a_pointer() -> None:
    rows = {row.what: row for row in measure(short=True)}
    assert all(row.met for row in rows.values()), rows
    assert rows["documents sent"].value == 500
    assert rows["stored (201)"].value > 100
    assert rows["refused (400, 422)"].value > 100
