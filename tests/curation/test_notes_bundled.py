"""The bundled notes are valid, and their subjects are in the catalogue."""

from pathlib import Path

import pytest

from kbapi.chips.catalogue_file import load_catalogue
from kbapi.curation.notes import parse_note
from kbapi.demo.members import bundled_club, note_texts

FOLDER = Path(__file__).parents[2] / "seed_data" / "club" / "notes"
NOTES = sorted(path for path in FOLDER.glob("*.md") if path.name != "README.md")


def test_there_are_about_fifteen_notes() -> None:
    assert 12 <= len(NOTES) <= 20
    assert note_texts() == [path.read_text() for path in NOTES]


@pytest.mark.parametrize("path", NOTES, ids=lambda path: path.stem)
def test_a_note_is_valid_and_has_the_name_of_its_file_and_a_source(path: Path) -> None:
    note = parse_note(path.read_text())
    assert note.key == path.stem
    assert note.source.startswith("Tidewater Bench Club")
    assert len(note.markdown) > 80


@pytest.mark.parametrize("path", NOTES, ids=lambda path: path.stem)
def test_the_subject_of_a_note_is_in_the_catalogue(path: Path) -> None:
    note = parse_note(path.read_text())
    described = load_catalogue(FOLDER.parent / "catalogue").chips.values()
    chips = [one.chip for one in described]
    known = {
        "chip": {chip.key for chip in chips},
        "series": {chip.series for chip in chips},
        "machine": {one.key for one in bundled_club().classes},
    }
    assert note.subject in known[note.subject_kind]
