"""Curated notes: answers show published notes only, and earlier texts are kept."""

import pytest
from flask.testing import FlaskClient

from kbapi.curation.notes import (
    mark_reviewed,
    publish_note,
    retire_note,
    store_notes,
)
from kbapi.errors import NoteRefused
from kbapi.instance.instance import Instance
from tests.curation.makers import history_in, notes_in
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


def test_answers_show_a_draft_after_it_is_published(
    instance: Instance, client: FlaskClient
) -> None:
    send(instance, a_result())
    store_notes(instance, [NOTE], as_drafts=True)
    assert answered(client) == []
    publish_note(instance, KEY)
    assert answered(client) == ["The entry shows only after a cold start."]
    assert [note.state for note in notes_in(instance)] == ["published"]


def test_a_published_note_stays_until_its_draft_replaces_it(
    instance: Instance, client: FlaskClient
) -> None:
    send(instance, a_result())
    store_notes(instance, [NOTE])
    store_notes(instance, [OTHER], as_drafts=True)
    assert [note.state for note in notes_in(instance)] == ["draft", "published"]
    assert answered(client) == ["The entry shows only after a cold start."]
    publish_note(instance, KEY)
    assert answered(client) == ["The entry shows only after a warm start."]
    (earlier,) = history_in(instance, KEY)
    assert "cold start" in earlier.markdown
    assert (earlier.reviewed_month, earlier.replaced_day) == ("2026-06", instance.today())


REAL = "12th Gen Intel(R) Core(TM) i7-12700H"
OF_CATALOGUE = "intel-blocked-requests"


def about_real(client: FlaskClient) -> dict[str, str]:
    notes = client.get("/v1/start", query_string={"chip": REAL}).get_json()["notes"]
    return {note["key"]: note["text"] for note in notes}


def test_a_note_of_the_catalogue_is_shown_and_a_curator_overrules_retires_and_reviews_it(
    instance: Instance, client: FlaskClient
) -> None:
    assert "proof of effect" in about_real(client)[OF_CATALOGUE]
    assert mark_reviewed(instance, OF_CATALOGUE) == "2026-09"
    store_notes(instance, [NOTE.replace(KEY, OF_CATALOGUE)])
    assert about_real(client)[OF_CATALOGUE] == "The entry shows only after a cold start."
    retire_note(instance, OF_CATALOGUE)
    assert OF_CATALOGUE not in about_real(client)
    assert len(about_real(client)) >= 4
    assert [note.state for note in notes_in(instance)] == ["retired"]
    with pytest.raises(NoteRefused):
        retire_note(instance, OF_CATALOGUE)
    store_notes(instance, [NOTE.replace(KEY, OF_CATALOGUE)])
    assert about_real(client)[OF_CATALOGUE] == "The entry shows only after a cold start."
    assert len(history_in(instance, OF_CATALOGUE)) == 2


def test_a_fact_of_the_catalogue_is_retired_from_the_description_of_its_chips(
    instance: Instance, client: FlaskClient
) -> None:
    def facts() -> set[str]:
        described = client.get(f"/v1/chips/{REAL}").get_json()
        return {note["key"] for note in described["notes"]}

    assert "i-suffix" in facts()
    retire_note(instance, "i-suffix")
    assert "i-suffix" not in facts()


def test_a_curator_adds_a_note_on_a_real_series(instance: Instance, client: FlaskClient) -> None:
    added = NOTE.replace(f'chip = "{CHIP}"', 'series = "intel-core-12-h"')
    store_notes(instance, [added])
    assert about_real(client)[KEY] == "The entry shows only after a cold start."
    retire_note(instance, KEY)
    assert KEY not in about_real(client)
    with pytest.raises(NoteRefused):
        retire_note(instance, "no-such-note")


def test_a_replaced_draft_has_no_history(instance: Instance) -> None:
    store_notes(instance, [NOTE], as_drafts=True)
    store_notes(instance, [OTHER], as_drafts=True)
    (draft,) = notes_in(instance)
    assert "warm start" in draft.markdown
    assert history_in(instance, KEY) == []


def test_an_unchanged_note_has_no_history(instance: Instance) -> None:
    store_notes(instance, [NOTE])
    before = rows_of(instance)
    store_notes(instance, [NOTE])
    assert rows_of(instance) == before
    for text in (OTHER, NOTE):
        store_notes(instance, [text])
    assert ["cold" in one.markdown for one in history_in(instance, KEY)] == [True, False]


def test_the_next_answer_shows_the_month_of_a_review(
    instance: Instance, client: FlaskClient
) -> None:
    send(instance, a_result())
    store_notes(instance, [NOTE])
    answered(client)
    assert mark_reviewed(instance, KEY) == "2026-09"
    (note,) = client.get(f"/v1/locks?chip={CHIP}").get_json()["notes"]
    assert note["reviewed_month"] == "2026-09"


def test_an_unknown_note_is_neither_published_nor_reviewed(instance: Instance) -> None:
    with pytest.raises(NoteRefused):
        mark_reviewed(instance, KEY)
    store_notes(instance, [NOTE])
    with pytest.raises(NoteRefused):
        publish_note(instance, KEY)
    store_notes(instance, [OTHER.replace(KEY, "another-key")], as_drafts=True)
    with pytest.raises(NoteRefused):
        mark_reviewed(instance, "another-key")
