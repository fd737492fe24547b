"""Curated notes: a draft is answered by nobody, a published one keeps what it said before."""

import pytest
from flask.testing import FlaskClient

from kbapi.curation.notes import (
    history_of_note,
    keep_notes,
    list_notes,
    note_reviewed,
    publish_note,
)
from kbapi.errors import NoteRefused
from kbapi.storage.instance import Instance
from tests.makers import CHIP, rows_of, send
from tests.makers import a_submission as a_result

KEY = "sable-cold-start"
NOTE = f"""+++
key = "{KEY}"
chip = "{CHIP}"
source = "Tidewater Bench Club, bench note 3"
reviewed = "2026-06"
+++
The entry shows only after a cold start.
"""
OTHER = NOTE.replace("cold start.", "warm start.")


def answered(client: FlaskClient) -> list[str]:
    notes = client.get(f"/v1/locks?chip={CHIP}").get_json()["notes"]
    return [note["text"] for note in notes]


def test_a_draft_is_answered_once_it_is_published(instance: Instance, client: FlaskClient) -> None:
    send(instance, a_result())
    keep_notes(instance, [NOTE], as_drafts=True)
    assert answered(client) == []
    publish_note(instance, KEY)
    assert answered(client) == ["The entry shows only after a cold start."]
    assert [note.state for note in list_notes(instance)] == ["published"]


def test_what_is_published_stands_beside_a_new_draft_until_that_takes_its_place(
    instance: Instance, client: FlaskClient
) -> None:
    send(instance, a_result())
    keep_notes(instance, [NOTE])
    keep_notes(instance, [OTHER], as_drafts=True)
    assert [note.state for note in list_notes(instance)] == ["draft", "published"]
    assert answered(client) == ["The entry shows only after a cold start."]
    publish_note(instance, KEY)
    assert answered(client) == ["The entry shows only after a warm start."]
    (earlier,) = history_of_note(instance, KEY)
    assert "cold start" in earlier.markdown
    assert (earlier.reviewed_month, earlier.replaced_day) == ("2026-06", instance.today())


def test_a_draft_that_is_written_again_leaves_no_history(instance: Instance) -> None:
    keep_notes(instance, [NOTE], as_drafts=True)
    keep_notes(instance, [OTHER], as_drafts=True)
    (draft,) = list_notes(instance)
    assert "warm start" in draft.markdown
    assert history_of_note(instance, KEY) == []


def test_a_file_that_is_loaded_again_as_it_was_leaves_no_history(instance: Instance) -> None:
    keep_notes(instance, [NOTE])
    before = rows_of(instance)
    keep_notes(instance, [NOTE])
    assert rows_of(instance) == before
    for text in (OTHER, NOTE):
        keep_notes(instance, [text])
    assert ["cold" in one.markdown for one in history_of_note(instance, KEY)] == [True, False]


def test_a_note_that_was_looked_at_says_so_in_the_next_answer(
    instance: Instance, client: FlaskClient
) -> None:
    send(instance, a_result())
    keep_notes(instance, [NOTE])
    answered(client)
    assert note_reviewed(instance, KEY) == "2026-09"
    (note,) = client.get(f"/v1/locks?chip={CHIP}").get_json()["notes"]
    assert note["reviewed"] == "2026-09"


def test_what_is_not_there_is_neither_published_nor_looked_at(instance: Instance) -> None:
    with pytest.raises(NoteRefused):
        note_reviewed(instance, KEY)
    keep_notes(instance, [NOTE])
    with pytest.raises(NoteRefused):
        publish_note(instance, KEY)
    keep_notes(instance, [OTHER.replace(KEY, "another-key")], as_drafts=True)
    with pytest.raises(NoteRefused):
        note_reviewed(instance, "another-key")


def test_notes_that_were_there_before_drafts_are_published(
    tmp_path_factory: pytest.TempPathFactory,
) -> None:
    from kbapi.storage.migrations import upgrade_to_head
    from kbapi.storage.sqlite import make_writing_engine
    from tests.storage.test_upgrades_keep_promises_and_data import database_at

    path = tmp_path_factory.mktemp("notes") / "kbapi.sqlite3"
    database_at("0004", path)
    engine = make_writing_engine(path)
    with engine.begin() as connection:
        connection.exec_driver_sql(
            "INSERT INTO note (key, subject_kind, subject, control, domain, source, "
            f"reviewed_month, markdown) VALUES ('{KEY}', 'chip', '{CHIP}', '', '', 'Tidewater', "
            "'2026-06', 'The entry shows only after a cold start.')"
        )
    engine.dispose()
    upgrade_to_head(path)
    engine = make_writing_engine(path)
    with engine.begin() as connection:
        told = connection.exec_driver_sql(
            "SELECT state, reviewed_month FROM note WHERE key = ?", (KEY,)
        ).one()
        screened = connection.exec_driver_sql(
            "SELECT COUNT(*), SUM(screened <> status), SUM(decided <> '') FROM setting_result"
        ).one()
    engine.dispose()
    assert tuple(told) == ("published", "2026-06")
    assert screened[0] > 10
    assert tuple(screened[1:]) == (0, 0)
