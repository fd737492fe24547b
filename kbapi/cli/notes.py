"""`kbapi notes`: what people who look after the instance have written about platforms."""

from pathlib import Path

import click
import orjson

from kbapi.cli.common import bullet, home_option, json_option, settings_of, told_errors
from kbapi.curation.notes import keep_notes, list_notes
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
        click.echo(
            bullet(f"{note.key}: {note.subject}, looked at in {note.reviewed_month}. {note.source}")
        )


@notes_commands.command("load")
@click.argument(
    "files", nargs=-1, required=True, type=click.Path(exists=True, dir_okay=False, path_type=Path)
)
@home_option
def load_command(files: tuple[Path, ...], home: Path) -> None:
    """Keep the notes in FILES, all or none; a note with the same key is replaced."""
    with told_errors():
        texts = [file.read_text(encoding="utf-8", errors="replace") for file in files]
        notes = keep_notes(open_instance(settings_of(home)), texts)
    click.echo(f"{len(notes)} notes kept.")
