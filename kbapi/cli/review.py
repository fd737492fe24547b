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
        show_envvar=True,
        required=True,
        help="Your access key. The variable is safer: process lists show options.",
    )
    return key(asks(command))


def _bearer(key: str) -> dict[str, str]:
    return {"Authorization": f"Bearer {key}"}


@click.group("review")
def review_commands() -> None:
    """Review excluded settings and decide whether they count."""


@review_commands.command("list")
@click.option("--chip", help="Show only this chip, by any of its names.")
@click.option("--code", help="Show only settings with this reason, such as beyond_soft_bound.")
@click.option("--contributor", type=int, help="Show only this contributor, by number.")
@click.option("--limit", type=int, help="Settings on one page.")
@click.option("--cursor", help="Continue from the cursor that the previous page printed.")
@_with_key
def list_command(key: str, home: Path, url: str | None, as_json: bool, **asked: Any) -> None:
    """List the settings that wait for a decision, oldest first."""
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
@click.option("--reason", required=True, help="Code of the reason; the sender sees its sentence.")
@click.option(
    "--contributor", type=int, help="Decide about all settings of this contributor, by number."
)
@click.option("--client", help="Decide about all settings that this script sent.")
@click.option("--firmware", help="Decide about all settings with this firmware.")
@click.option("--machine", help="Decide about all settings of this machine class.")
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
    """Decide about settings: include, exclude, invalidate or undo.

    Name settings as ID/ORDINAL, or choose all of a contributor, script,
    firmware or machine class. All decisions are stored, or none.
    """
    told = {name: value for name, value in origin.items() if value is not None}
    which = [_named(setting) for setting in settings]
    which += [{"contributor": contributor}] if contributor is not None else []
    which += [{"origin": told}] if told else []
    _decide(decision, reason, which, key, home, url, as_json)


@review_commands.command("undo")
@click.argument("settings", metavar="ID/ORDINAL...", nargs=-1, required=True)
@click.option("--reason", default="decided_in_error", show_default=True, help="Code of the reason.")
@_with_key
def undo_command(
    settings: tuple[str, ...], reason: str, key: str, home: Path, url: str | None, as_json: bool
) -> None:
    """Undo decisions: the screening rules apply again."""
    _decide("undo", reason, [_named(setting) for setting in settings], key, home, url, as_json)


def _named(setting: str) -> dict[str, Any]:
    submission, _, ordinal = setting.partition("/")
    if not ordinal.isdigit():
        raise click.UsageError(
            f"{setting} is not a setting. Write ID/ORDINAL, as 'kbapi review list' shows it."
        )
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
        raise click.UsageError(
            "Name settings as ID/ORDINAL, or give --contributor, --client, --firmware or --machine."
        )
    decisions = [{**one, "decision": decision, "reason": reason} for one in which]
    body = orjson.dumps({"decisions": decisions})
    with asking(home, url) as door:
        reply = door.ask("POST", f"{_PATH}/decisions", body=body, headers=_bearer(key))
    tell(answer_of(reply), as_json, review_lines.decisions_in_lines)
