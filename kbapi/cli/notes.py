"""`kbapi notes`: what people who look after the instance have written about platforms."""

from pathlib import Path

import click
import orjson

from kbapi.cli.common import (
    bullet,
    errors_as_messages,
    home_option,
    json_option,
    paragraph,
    settings_of,
)
from kbapi.curation.notes import (
    history_of_note,
    keep_notes,
    list_notes,
    note_reviewed,
    publish_note,
)
from kbapi.instance.instance import open_instance


@click.group("notes")
def notes_commands() -> None:
    """Manage curated notes on chips, series and machine classes."""


@notes_commands.command("list")
@json_option
@home_option
def list_command(as_json: bool, home: Path) -> None:
    """List all notes with source and month of last review."""
    with errors_as_messages():
        notes = list_notes(open_instance(settings_of(home)))
    if as_json:
        click.echo(orjson.dumps(notes))
        return
    for note in notes:
        draft = " (draft, not in answers)" if note.state == "draft" else ""
        looked = f"reviewed in {note.reviewed_month}. {note.source}"
        click.echo(bullet(f"{note.key}{draft}: {note.subject}, {looked}"))


@notes_commands.command("load")
@click.argument(
    "files", nargs=-1, required=True, type=click.Path(exists=True, dir_okay=False, path_type=Path)
)
@click.option("--draft", is_flag=True, help="Store them as drafts, which answers do not show.")
@home_option
def load_command(files: tuple[Path, ...], draft: bool, home: Path) -> None:
    """Store the notes in FILES, all or none.

    A note replaces the earlier note with the same key.
    """
    with errors_as_messages():
        texts = [file.read_text(encoding="utf-8", errors="replace") for file in files]
        notes = keep_notes(open_instance(settings_of(home)), texts, as_drafts=draft)
    click.echo(f"{len(notes)} notes stored{' as drafts' if draft else ''}.")


@notes_commands.command("publish")
@click.argument("key")
@home_option
def publish_command(key: str, home: Path) -> None:
    """Publish the draft KEY, so that answers show it.

    The earlier text stays in the history.
    """
    with errors_as_messages():
        publish_note(open_instance(settings_of(home)), key)
    click.echo(f"{key} is published.")


@notes_commands.command("reviewed")
@click.argument("key")
@home_option
def reviewed_command(key: str, home: Path) -> None:
    """Confirm that the note KEY is still right this month."""
    with errors_as_messages():
        month = note_reviewed(open_instance(settings_of(home)), key)
    click.echo(f"{key} was reviewed in {month}.")


@notes_commands.command("history")
@click.argument("key")
@json_option
@home_option
def history_command(key: str, as_json: bool, home: Path) -> None:
    """Show the earlier texts of the note KEY, oldest first."""
    with errors_as_messages():
        earlier = history_of_note(open_instance(settings_of(home)), key)
    if as_json:
        click.echo(orjson.dumps(earlier))
        return
    for one in earlier:
        told = f"Until {one.replaced_day}, reviewed in {one.reviewed_month}. {one.source}"
        click.echo(bullet(told))
        for part in one.markdown.split("\n\n"):
            click.echo(paragraph(part, "    "))
    if not earlier:
        click.echo("This note has no earlier text.")
