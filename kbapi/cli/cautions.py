"""Cautions in the terminal: all of them once per person and day, the first one always."""

from collections.abc import Callable
from datetime import date
from typing import Any

import click
import orjson

from kbapi.cli.common import bullet, paragraph
from kbapi.cli.sender import sender_file


@click.command("cautions")
def cautions_command() -> None:
    """Print every caution that belongs to answers."""
    from kbapi.advice.cautions import every_caution

    click.echo("\n".join(bullet(caution.text) for caution in every_caution()))


def tell_with_cautions(answer: Any, as_json: bool, in_lines: Callable[[Any], str]) -> None:
    """Print an answer with its cautions, as JSON or in lines for people."""
    if as_json:
        click.echo(orjson.dumps(answer))
        return
    click.echo(in_lines(answer))
    click.echo("\n".join(cautions_in_lines(answer, has_seen_all=_has_seen_all_today())))


def cautions_in_lines(answer: dict[str, Any], *, has_seen_all: bool) -> list[str]:
    """The cautions of an answer below an empty line: all, or the first one and where they are."""
    first, *others = answer["cautions"]
    if not has_seen_all:
        return ["", "Cautions:", *(bullet(caution["text"]) for caution in (first, *others))]
    more = f"{len(others)} more cautions: kbapi cautions"
    return ["", paragraph(f"Caution: {first['text']}"), more]


def _has_seen_all_today() -> bool:
    """Whether all cautions were printed today already; from now on they were.

    Where that can't be kept, they are printed again.
    """
    path = sender_file().with_name("cautions-printed")
    today = date.today().isoformat()
    try:
        if path.exists() and path.read_text("utf-8").strip() == today:
            return True
        path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        path.write_text(f"{today}\n", "utf-8")
    except (OSError, UnicodeDecodeError):
        pass
    return False
