"""`kbapi review`: what waits for somebody to look at it, and what they decide."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import click
import orjson

from kbapi.cli import review_lines
from kbapi.cli.common import answer_of, asking, asks, tell

_PATH = "/v1/review"


def _with_key(command: Callable[..., Any]) -> Callable[..., Any]:
    """A command for people with a key: --key, --home, --to and --json."""
    key = click.option(
        "--key",
        envvar="KBAPI_KEY",
        required=True,
        help="Your access key; better in KBAPI_KEY, where no list of processes shows it.",
    )
    return key(asks(command))


def _bearer(key: str) -> dict[str, str]:
    return {"Authorization": f"Bearer {key}"}


@click.group("review")
def review_commands() -> None:
    """Look after results: what was set aside, and whether it counts."""


@review_commands.command("list")
@click.option("--chip", help="Only this chip, by any of its names.")
@click.option("--code", help="Only what this reason set aside.")
@click.option("--contributor", type=int, help="Only this contributor, by number.")
@click.option("--limit", type=int, help="Settings on a page.")
@click.option("--cursor", help="Go on where the page before ended.")
@_with_key
def list_command(key: str, home: Path, url: str | None, as_json: bool, **asked: Any) -> None:
    """List what nobody has decided about, oldest first, page by page."""
    query = {name: str(value) for name, value in asked.items() if value is not None}
    with asking(home, url) as door:
        reply = door.ask("GET", _PATH, query=query, headers=_bearer(key))
    tell(answer_of(reply), as_json, review_lines.page_in_lines)


@review_commands.command("show")
@click.argument("setting", metavar="ID/ORDINAL")
@_with_key
def show_command(setting: str, key: str, home: Path, url: str | None, as_json: bool) -> None:
    """Show one setting, its history, and the start with and without it."""
    with asking(home, url) as door:
        reply = door.ask("GET", f"{_PATH}/{setting}", headers=_bearer(key))
    tell(answer_of(reply), as_json, review_lines.item_in_lines)


@review_commands.command("decide")
@click.argument("decision")
@click.argument("settings", metavar="[ID/ORDINAL]...", nargs=-1)
@click.option("--reason", required=True, help="Why, as a code; the sender is told.")
@click.option("--contributor", type=int, help="All settings of this contributor, by number.")
@click.option("--client", help="All settings that this script sent.")
@click.option("--firmware", help="All settings under this firmware.")
@click.option("--machine", help="All settings of this machine class.")
@_with_key
def decide_command(
    decision: str,
    settings: tuple[str, ...],
    reason: str,
    contributor: int | None,
    key: str,
    home: Path,
    url: str | None,
    as_json: bool,
    **origin: str | None,
) -> None:
    """Decide WORD about settings: count, exclude, reject or undo.

    Name settings as ID/ORDINAL, or all of a contributor or an origin. All
    hold, or none; what is computed from then on stands on them.
    """
    told = {name: value for name, value in origin.items() if value is not None}
    which = [_named(setting) for setting in settings]
    which += [{"contributor": contributor}] if contributor is not None else []
    which += [{"origin": told}] if told else []
    _decide(decision, reason, which, key, home, url, as_json)


@review_commands.command("undo")
@click.argument("settings", metavar="ID/ORDINAL...", nargs=-1, required=True)
@click.option("--reason", default="decided_in_error", show_default=True, help="Why, as a code.")
@_with_key
def undo_command(
    settings: tuple[str, ...], reason: str, key: str, home: Path, url: str | None, as_json: bool
) -> None:
    """Let the rules stand again for these settings."""
    _decide("undo", reason, [_named(setting) for setting in settings], key, home, url, as_json)


def _named(setting: str) -> dict[str, Any]:
    submission, _, ordinal = setting.partition("/")
    if not ordinal.isdigit():
        raise click.UsageError(f"{setting}: a setting is named ID/ORDINAL, as the list shows it.")
    return {"submission": submission, "ordinal": int(ordinal)}


def _decide(
    decision: str,
    reason: str,
    which: list[dict[str, Any]],
    key: str,
    home: Path,
    url: str | None,
    as_json: bool,
) -> None:
    if not which:
        raise click.UsageError("Name settings, a contributor or an origin.")
    decisions = [{**one, "decision": decision, "reason": reason} for one in which]
    body = orjson.dumps({"decisions": decisions})
    with asking(home, url) as door:
        reply = door.ask("POST", f"{_PATH}/decisions", body=body, headers=_bearer(key))
    tell(answer_of(reply), as_json, review_lines.decisions_in_lines)
