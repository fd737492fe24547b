"""`kbapi identify` and `kbapi chips`: names in, chips out, without a server."""

from pathlib import Path

import click
import orjson

from kbapi.advice.identify import IdentifyAnswer, identify_with
from kbapi.advice.known_chips import list_chips
from kbapi.cli.common import home_option, json_option, paragraph, settings_of, told_errors
from kbapi.cli.this_machine import PrintedName, printed_names
from kbapi.storage.instance import bundled_catalogue, open_instance

_UNSURE = 1


@click.command("identify")
@click.argument("text", required=False)
@json_option
def identify_command(text: str | None, as_json: bool) -> None:
    """Say which chip TEXT names; without it, this machine's own chips.

    Leaves with 1 unless every text names exactly one chip.
    """
    names = [PrintedName("cpu", text)] if text else printed_names()
    if not names:
        click.echo("This system tells no chip names: give one as TEXT.", err=True)
        raise SystemExit(_UNSURE)
    catalogue = bundled_catalogue()
    answers = [
        identify_with(name.text, catalogue, kind=None if text else name.kind, ids=name.ids)
        for name in names
    ]
    if as_json:
        click.echo(orjson.dumps(answers))
    else:
        for name, answer in zip(names, answers, strict=True):
            click.echo(_in_lines(name, answer))
    if any(answer.match != "exact" for answer in answers):
        raise SystemExit(_UNSURE)


def _in_lines(name: PrintedName, answer: IdentifyAnswer) -> str:
    lines = [f"{name.text.strip()}"]
    if answer.chip is not None:
        lines += [f"  {answer.chip.name}", f"  key {answer.chip.key}"]
        lines += [f"  series {answer.chip.series}, line {answer.chip.line}"]
    else:
        lines.append(paragraph(answer.reason, "  "))
        lines += [f"  maybe {candidate.key}" for candidate in answer.candidates]
    if answer.conflict:
        lines.append(paragraph(answer.conflict, "  "))
    return "\n".join(lines)


@click.group("chips")
def chips_commands() -> None:
    """Look through the chips that the instance knows."""


@chips_commands.command("list")
@click.argument("search", required=False)
@click.option("--limit", default="50", show_default=True, help="How many at most, up to 200.")
@json_option
@home_option
def list_command(search: str | None, limit: str, as_json: bool, home: Path) -> None:
    """List known chips, or those whose name is like SEARCH."""
    with told_errors():
        sent = {"limit": [limit], **({"search": [search]} if search else {})}
        page = list_chips(open_instance(settings_of(home)), sent)
    if as_json:
        click.echo(orjson.dumps(page))
        return
    for chip in page.chips:
        click.echo(f"{chip.key:<40} {chip.name}{'  (provisional)' if chip.provisional else ''}")
