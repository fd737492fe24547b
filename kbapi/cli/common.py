"""What commands share: the folder of the instance, and how an error is told."""

import textwrap
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

import click

from kbapi.errors import DocumentRefused, JsonUnreadable, KbapiError, QuestionRefused
from kbapi.settings import Settings

COLUMNS: Final = 80

_REFUSED: Final = 1
_CANNOT: Final = 3  # 2 is click's own, for a command that was typed wrong

home_option = click.option(
    "--home",
    type=click.Path(file_okay=False, path_type=Path),
    envvar="KBAPI_HOME",
    default=Path("kbapi-home"),
    show_default=True,
    help="Folder that holds the instance: database and secret.",
)

json_option = click.option("--json", "as_json", is_flag=True, help="Print the answer as JSON.")


def settings_of(home: Path) -> Settings:
    """The settings of the instance in this folder."""
    return Settings(home=home)


@contextmanager
def told_errors() -> Iterator[None]:
    """Print an error with all its problems, and leave with 1 (refused) or 3 (could not)."""
    try:
        yield
    except KbapiError as error:
        click.echo(f"{error.title}. {error.detail}", err=True)
        for problem in error.problems:
            place = f"{problem.pointer}: " if problem.pointer else ""
            click.echo(f"  {place}{problem.detail} [{problem.code}]", err=True)
            for candidate in problem.candidates:
                click.echo(f"    {candidate}", err=True)
        refused = isinstance(error, DocumentRefused | QuestionRefused | JsonUnreadable)
        raise SystemExit(_REFUSED if refused else _CANNOT) from None


def paragraph(text: str, indent: str = "") -> str:
    """The text in lines of at most 80 columns."""
    return textwrap.fill(text, COLUMNS, initial_indent=indent, subsequent_indent=indent)
