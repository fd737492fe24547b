"""Curated notes: Markdown files of curators, which answers show."""

import re
import tomllib
from dataclasses import replace
from typing import Any, Final

from kbapi.advice.documented import note_of_fact
from kbapi.chips.catalogue import Catalogue
from kbapi.errors import NoteRefused, Problem
from kbapi.instance.instance import Instance
from kbapi.storage import notes as note_rows
from kbapi.storage.notes import Note, as_written
from kbapi.vocabulary import CONTROLS, DOMAINS

_FRAME: Final = re.compile(r"\A\+\+\+\n(?P<head>.*?)\n\+\+\+\n(?P<text>.+)\Z", re.DOTALL)
_SUBJECTS: Final = ("chip", "series", "machine")
_FIELDS: Final = ("key", *_SUBJECTS, "control", "domain", "source", "reviewed")
_KEY: Final = re.compile(r"[a-z0-9][a-z0-9-]{2,79}")
_MONTH: Final = re.compile(r"20[0-9]{2}-(?:0[1-9]|1[0-2])")
_LONGEST_TEXT: Final = 4_000
# Answers show notes to everyone: no markup that runs, and no links.
_UNSAFE: Final = (
    (re.compile(r"<[A-Za-z!/?]"), "Remove the HTML: a note is plain Markdown."),
    (re.compile(r"\]\(|https?://|\bwww\.", re.IGNORECASE), "Remove the link: a note has no links."),
)


def parse_note(text: str) -> Note:
    """The note in the text of a file.

    Raises
    ------
    NoteRefused
        With every problem of the note.
    """
    frame = _FRAME.match(text.replace("\r\n", "\n"))
    if frame is None:
        raise NoteRefused(
            problems=[Problem("", "note_frame", "A note begins with TOML between two +++ lines.")]
        )
    try:
        head = tomllib.loads(frame["head"])
    except tomllib.TOMLDecodeError as error:
        raise NoteRefused(problems=[Problem("", "note_frame", f"{error}.")]) from None
    markdown = frame["text"].strip()
    problems = [*_problems_of_head(head), *_problems_of_text(markdown)]
    if problems:
        raise NoteRefused(problems=problems)
    kind = next(name for name in _SUBJECTS if name in head)
    return Note(
        key=head["key"],
        subject_kind=kind,
        subject=head[kind],
        control=head.get("control", ""),
        domain=head.get("domain", ""),
        source=head["source"],
        reviewed_month=head["reviewed"],
        markdown=markdown,
    )


def _problems_of_head(head: dict[str, Any]) -> list[Problem]:
    problems = [
        Problem(name, "note_field", f"Unknown field. Known fields: {', '.join(_FIELDS)}.")
        for name in head
        if name not in _FIELDS
    ]
    problems += [
        Problem(name, "note_field", "Send a text.")
        for name in _FIELDS
        if name in head and (not isinstance(head[name], str) or not head[name].strip())
    ]
    if problems:
        return problems
    if sum(name in head for name in _SUBJECTS) != 1:
        problems.append(Problem("", "note_field", "Name exactly one of chip, series, machine."))
    if not _KEY.fullmatch(head.get("key", "")):
        problems.append(
            Problem("key", "note_field", "Use 3 to 80 lowercase letters, digits and hyphens.")
        )
    if not _MONTH.fullmatch(head.get("reviewed", "")):
        problems.append(Problem("reviewed", "note_field", "Write a month as 2026-06."))
    if not 1 <= len(head.get("source", "")) <= 200:
        problems.append(
            Problem("source", "note_field", "Name the source, in at most 200 characters.")
        )
    for name, known in (("control", CONTROLS), ("domain", DOMAINS)):
        if name in head and head[name] not in known:
            problems.append(Problem(name, "note_field", f"Send one of: {', '.join(known)}."))
    return problems


def _problems_of_text(markdown: str) -> list[Problem]:
    problems = [
        Problem("", "note_text", detail) for unsafe, detail in _UNSAFE if unsafe.search(markdown)
    ]
    if not 1 <= len(markdown) <= _LONGEST_TEXT:
        problems.append(Problem("", "note_text", f"Write 1 to {_LONGEST_TEXT} characters of text."))
    return problems


def store_notes(instance: Instance, texts: list[str], *, as_drafts: bool = False) -> list[Note]:
    """The notes in these texts, stored together or not at all; a note replaces an equal key.

    The notes are published, or stored as drafts, which answers do not show.

    Raises
    ------
    NoteRefused
        With the problems of the first invalid note.
    """
    notes = [parse_note(text) for text in texts]
    if len({note.key for note in notes}) < len(notes):
        raise NoteRefused(
            problems=[
                Problem("key", "note_field", "Two notes have the same key. Change one of them.")
            ]
        )
    if notes:
        with instance.writing() as connection:
            if as_drafts:
                note_rows.save_drafts(connection, notes)
            else:
                note_rows.save_published(connection, notes, instance.today())
    return notes


def publish_note(instance: Instance, key: str) -> None:
    """Publish a draft; the published note with its key becomes history.

    Raises
    ------
    NoteRefused
        When there is no draft with this key.
    """
    with instance.writing() as connection:
        if not note_rows.publish_draft(connection, key, instance.today()):
            raise _unknown("No draft has this key. 'kbapi notes list' shows the keys.")


def mark_reviewed(instance: Instance, key: str) -> str:
    """The present month, stored as the month of the last review of a published note.

    A note of the catalogue becomes one of the curators.

    Raises
    ------
    NoteRefused
        When no published note has this key.
    """
    month = f"{instance.today():%Y-%m}"
    with instance.writing() as connection:
        if note_rows.note_review(connection, key, month):
            return month
        states = {note.state for note in note_rows.load_notes(connection) if note.key == key}
        bundled = None if states - {"draft"} else note_of_catalogue(instance.catalogue, key)
        if bundled is None:
            raise _unknown("No published note has this key. 'kbapi notes list' shows the keys.")
        reviewed = replace(bundled, reviewed_month=month)
        note_rows.save_published(connection, [reviewed], instance.today())
    return month


def retire_note(instance: Instance, key: str) -> None:
    """Leave a published note, or one of the catalogue, out of every answer.

    A later note with the same key is shown again.

    Raises
    ------
    NoteRefused
        When no published note and none of the catalogue has this key.
    """
    with instance.writing() as connection:
        rows = note_rows.load_notes(connection)
        kept: dict[str, Note] = {note.state: note for note in rows if note.key == key}
        shown = kept.get("published")
        if shown is None and "retired" not in kept:
            shown = note_of_catalogue(instance.catalogue, key)
        if shown is None:
            raise _unknown("No note in answers has this key. 'kbapi notes list' shows the keys.")
        note_rows.retire(connection, as_written(shown), instance.today())


def note_of_catalogue(catalogue: Catalogue, key: str) -> Note | None:
    """The note or fact of the catalogue with this key, about the first series that it names."""
    fact, tables = catalogue.facts.get(key), catalogue.tables_with(key)
    return note_of_fact(fact, tables[0]) if fact is not None and tables else None


def notes_of_catalogue(catalogue: Catalogue) -> list[Note]:
    """All notes and facts of the catalogue, in the order of their keys."""
    found = (note_of_catalogue(catalogue, key) for key in sorted(catalogue.facts))
    return [note for note in found if note is not None]


def _unknown(detail: str) -> NoteRefused:
    return NoteRefused(detail, problems=[Problem("key", "note_unknown", detail)])
