"""`kbapi notes`: what people who look after the instance have written about platforms."""

from pathlib import Path

import click
import orjson

from kbapi.cli.common import bullet, home_option, json_option, paragraph, settings_of, told_errors
from kbapi.curation.notes import (
    history_of_note,
    keep_notes,
    list_notes,
    note_reviewed,
    publish_note,
)
from kbapi.storage.instance import open_instance


@click.group("notes")
def notes_commands() -> None:
    """Keep curated notes on chips, series and machine classes."""


@notes_commands.command("list")
@json_option
@home_option
def list_command(as_json: bool, home: Path) -> None:
    """List every note with its source and when somebody last looked at it."""
    with told_errors():
        notes = list_notes(open_instance(settings_of(home)))
    if as_json:
        click.echo(orjson.dumps(notes))
        return
    for note in notes:
        draft = " (draft, not answered)" if note.state == "draft" else ""
        looked = f"looked at in {note.reviewed_month}. {note.source}"
        click.echo(bullet(f"{note.key}{draft}: {note.subject}, {looked}"))


@notes_commands.command("load")
@click.argument(
    "files", nargs=-1, required=True, type=click.Path(exists=True, dir_okay=False, path_type=Path)
)
@click.option("--draft", is_flag=True, help="Keep them as drafts, which no answer carries.")
@home_option
def load_command(files: tuple[Path, ...], draft: bool, home: Path) -> None:
    """Keep the notes in FILES, all or none; a note with the same key is replaced."""
    with told_errors():
        texts = [file.read_text(encoding="utf-8", errors="replace") for file in files]
        notes = keep_notes(open_instance(settings_of(home)), texts, as_drafts=draft)
    click.echo(f"{len(notes)} notes kept{' as drafts' if draft else ''}.")


@notes_commands.command("publish")
@click.argument("key")
@home_option
def publish_command(key: str, home: Path) -> None:
    """Let answers carry the draft KEY; what was published before becomes history."""
    with told_errors():
        publish_note(open_instance(settings_of(home)), key)
    click.echo(f"{key} is published.")


@notes_commands.command("reviewed")
@click.argument("key")
@home_option
def reviewed_command(key: str, home: Path) -> None:
    """Say that you have looked at the published note KEY this month, and it holds."""
    with told_errors():
        month = note_reviewed(open_instance(settings_of(home)), key)
    click.echo(f"{key} was looked at in {month}.")


@notes_commands.command("history")
@click.argument("key")
@json_option
@home_option
def history_command(key: str, as_json: bool, home: Path) -> None:
    """Show what the note KEY said before, oldest first."""
    with told_errors():
        earlier = history_of_note(open_instance(settings_of(home)), key)
    if as_json:
        click.echo(orjson.dumps(earlier))
        return
    for one in earlier:
        told = f"Until {one.replaced_day}, looked at in {one.reviewed_month}. {one.source}"
        click.echo(bullet(told))
        for part in one.markdown.split("\n\n"):
            click.echo(paragraph(part, "    "))
    if not earlier:
        click.echo("It said nothing else before.")
