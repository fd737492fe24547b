from hypothesis import given, settings
from hypothesis import strategies as st
from sqlalchemy import Connection, Engine, select

from kbapi.evidence.pool_updates import book_evidence
from kbapi.storage.evidence import OutcomeRow
from kbapi.storage.results import delete_submission
from kbapi.storage.tables_evidence import EvidenceRow
from tests.evidence.makers import CONDITIONS, a_chip, a_unit, add_outcome, an_outcome
from tests.evidence.strategies import outcomes

UNDER_CONDITIONS = st.tuples(st.sampled_from(CONDITIONS), outcomes())


def evidence_of(connection: Connection) -> list[tuple[object, ...]]:
    return [tuple(row) for row in connection.execute(select(EvidenceRow.__table__))]


@settings(max_examples=60, deadline=None)
@given(
    before=st.lists(UNDER_CONDITIONS, max_size=4),
    added=st.lists(UNDER_CONDITIONS, min_size=1, max_size=3),
)
def test_what_is_added_and_withdrawn_leaves_no_trace(
    engine: Engine, before: list[object], added: list[object]
) -> None:
    with engine.connect() as connection, connection.begin() as transaction:
        chip, unit = a_chip(connection), a_unit(connection)
        for conditions, outcome in before:
            add_outcome(connection, chip, unit, outcome, conditions)
        was = evidence_of(connection)
        numbers = [
            add_outcome(connection, chip, unit, outcome, conditions)[0]
            for conditions, outcome in added
        ]
        for number in numbers:
            book_evidence(connection, delete_submission(connection, number), unit.contributor_id)
        assert evidence_of(connection) == was
        transaction.rollback()


@settings(max_examples=40, deadline=None)
@given(st.data())
def test_results_in_any_order_leave_the_same_evidence(engine: Engine, data: st.DataObject) -> None:
    seen = data.draw(st.lists(UNDER_CONDITIONS, min_size=2, max_size=5))
    dumps = []
    for order in (seen, data.draw(st.permutations(seen))):
        with engine.connect() as connection, connection.begin() as transaction:
            chip, unit = a_chip(connection), a_unit(connection)
            # Conditions are numbered as they come: first all of them, then the results.
            for conditions in CONDITIONS:
                claim = an_outcome(1)
                add_outcome(connection, chip, unit, claim, conditions, status="unverified")
            for conditions, outcome in order:
                add_outcome(connection, chip, unit, outcome, conditions)
            dumps.append(evidence_of(connection))
            transaction.rollback()
    assert dumps[0] == dumps[1]


def test_only_what_counts_becomes_evidence(engine: Engine) -> None:
    with engine.connect() as connection, connection.begin() as transaction:
        chip, unit = a_chip(connection), a_unit(connection)
        for status in ("unverified", "excluded"):
            add_outcome(connection, chip, unit, OutcomeRow(80, 90, 0, "2026-08"), status=status)
        assert evidence_of(connection) == []
        add_outcome(connection, chip, unit, OutcomeRow(70, 75, 0, "2026-08"))
        assert [row[3:5] for row in evidence_of(connection)] == [(70, 75)]
        transaction.rollback()


def test_a_result_changes_the_evidence_of_its_own_unit_only(engine: Engine) -> None:
    with engine.connect() as connection, connection.begin() as transaction:
        chip, unit, other = a_chip(connection), a_unit(connection), a_unit(connection)
        add_outcome(connection, chip, other, an_outcome(80, 90))
        was = evidence_of(connection)
        number, _ = add_outcome(connection, chip, unit, an_outcome(None, 10))
        assert [row for row in evidence_of(connection) if row[1] == other.id] == was
        book_evidence(connection, delete_submission(connection, number), unit.contributor_id)
        assert evidence_of(connection) == was
        transaction.rollback()
