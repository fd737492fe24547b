"""Stored chip texts are read again: results move to their chip with all that stands on them."""

from sqlalchemy import text

from kbapi.instance.instance import Instance
from kbapi.intake.follow_up import accept_follow_up
from kbapi.intake.rescreen import reread_chips
from tests.makers import a_body, a_setting, a_submission, rows_of, send

WRONG, RIGHT = "norvane-sable-7-4800k", "norvane-sable-7-4820mx"
OTHER_GRID = "osmer-kestrel-640-laptop"
PRINTED = "Norvane(R) Sable(TM) 7 4820MX @ 2.60GHz"


def misread(instance: Instance, key: str = WRONG) -> None:
    """Make it look as if an earlier grammar had read every result as another chip."""
    with instance.writing() as connection:
        connection.execute(
            text("UPDATE chip SET key = :wrong WHERE key = :right"), {"wrong": key, "right": RIGHT}
        )
        connection.execute(text("UPDATE submission SET grammar_version = 1"))


def test_nothing_moves_without_a_misread_chip(instance: Instance) -> None:
    send(instance, a_submission(chip=PRINTED))
    before = rows_of(instance)
    found = reread_chips(instance, is_applied=True)
    assert (found.results, found.moves, found.placed, found.unclear) == (1, (), (), 0)
    assert rows_of(instance) == before


def test_a_dry_run_reports_and_changes_nothing(instance: Instance) -> None:
    send(instance, a_submission(chip=PRINTED))
    misread(instance)
    before = rows_of(instance)
    found = reread_chips(instance, is_applied=False)
    assert [(move.from_key, move.to_key, move.results) for move in found.moves] == [
        (WRONG, RIGHT, 1)
    ]
    assert rows_of(instance) == before


def test_results_move_with_evidence_and_follow_ups_and_leave_no_empty_chip(
    instance: Instance,
) -> None:
    for number in range(3):
        accepted = send(instance, a_submission(a_setting(in_use=-60), chip=PRINTED, number=number))
    follow_up = {
        "domain": "core",
        "control": "voltage_offset",
        "outcome": "failed_later",
        "days": 40,
    }
    accept_follow_up(instance, accepted.id, accepted.receipt, a_body(follow_up), None)
    right = rows_of(instance)
    misread(instance)
    reread_chips(instance, is_applied=True)
    moved = rows_of(instance)
    assert [row[1] for row in moved["chip"]] == [RIGHT]
    for table in ("evidence_row", "setting_result", "follow_up"):
        assert len(moved[table]) == len(right[table])
    assert evidence_of(moved) == evidence_of(right)
    again = reread_chips(instance, is_applied=True)
    assert again.moves == ()


def evidence_of(rows: dict[str, list[tuple[object, ...]]]) -> list[tuple[object, ...]]:
    """Evidence without the numbers of pool and conditions, which a move may change."""
    return sorted(row[1:2] + row[3:] for row in rows["evidence_row"])


def test_a_chip_in_the_wrong_series_is_moved(instance: Instance) -> None:
    send(instance, a_submission(chip=PRINTED))
    with instance.writing() as connection:
        connection.execute(text("UPDATE chip SET series = 'misplaced'"))
        connection.execute(text("UPDATE line SET key = 'misplaced'"))
    found = reread_chips(instance, is_applied=True)
    assert [(one.key, one.from_series) for one in found.placed] == [(RIGHT, "misplaced")]
    rows = rows_of(instance)
    assert [row[1] for row in rows["line"]] == ["norvane-sable"]
    assert "norvane-sable-48-mx" in rows["chip"][0]
