"""Results from the terminal: `kbapi submit`, `withdraw`."""

import sys
from pathlib import Path
from typing import Any, BinaryIO

import click
import orjson

from kbapi.cli import lines
from kbapi.cli.common import REFUSED, answer_of, asking, asks, tell
from kbapi.cli.door import Door
from kbapi.cli.interview import interview
from kbapi.cli.sender import Sender, load_sender, save_sender, sender_file


@click.command("submit")
@click.argument("file", type=click.File("rb"), required=False)
@asks
def submit_command(file: BinaryIO | None, home: Path, url: str | None, as_json: bool) -> None:
    """Send the result in FILE, or enter it step by step.

    FILE is a JSON document; - is standard input. Without FILE the command
    asks for each value and checks each answer. It saves your tokens and
    receipts in a file of your own.
    """
    with asking(home, url) as door:
        if file is not None:
            accepted = _send(door, load_sender(sender_file()), file.read())
        else:
            require_terminal("Give a FILE, or - for standard input.")
            accepted = offer_to_send(door, interview(door))
    if accepted is None:
        raise SystemExit(REFUSED)
    tell(accepted, as_json, lines.accepted_in_lines)


def require_terminal(instead: str) -> None:
    """Nothing on a terminal; else the command ends with 2 and says what to do instead."""
    if not sys.stdin.isatty():
        click.echo(f"Questions need a terminal. {instead}", err=True)
        raise SystemExit(2)


def offer_to_send(door: Door, document: dict[str, Any]) -> Any:
    """What came back for the document, with this machine's tokens; None if it is not to be sent."""
    sender = load_sender(sender_file())
    body = orjson.dumps(_with_tokens(document, sender, door))
    click.echo(orjson.dumps(document, option=orjson.OPT_INDENT_2))
    if not click.confirm("Send this?", default=True):
        return None
    # Kept before they are sent: a result must never outlive the only way to it.
    save_sender(sender_file(), sender)
    return _send(door, sender, body)


def _send(door: Door, sender: Sender, body: bytes) -> Any:
    accepted = answer_of(door.ask("POST", "/v1/submissions", body=body))
    sender.receipts[accepted["id"]] = accepted["receipt"]
    save_sender(sender_file(), sender)
    return accepted


def _with_tokens(document: dict[str, Any], sender: Sender, door: Door) -> dict[str, Any]:
    found = answer_of(door.ask("GET", "/v1/identify", query={"text": document["chip"]}))
    return {
        **document,
        "contributor_token": sender.contributor_token,
        "unit_token": sender.unit_token(found["chip"]["key"]),
    }


receipt_option = click.option(
    "--receipt", help="The receipt.  [default: the one that this machine saved]"
)


def bearer(submission_id: str, receipt: str | None) -> dict[str, str]:
    """The header that shows the receipt, given or kept."""
    shown = receipt or load_sender(sender_file()).receipts.get(submission_id)
    if shown is None:
        click.echo("No receipt of this result is saved here. Give it with --receipt.", err=True)
        raise SystemExit(REFUSED)
    return {"Authorization": f"Bearer {shown}"}


@click.command("withdraw")
@click.argument("submission_id", metavar="ID")
@receipt_option
@asks
def withdraw_command(
    submission_id: str, receipt: str | None, home: Path, url: str | None, as_json: bool
) -> None:
    """Withdraw the result ID; older backups still contain it."""
    with asking(home, url) as door:
        headers = bearer(submission_id, receipt)
        answer_of(door.ask("DELETE", f"/v1/submissions/{submission_id}", headers=headers))
        path = sender_file()
        sender = load_sender(path)
        if sender.receipts.pop(submission_id, None) is not None:
            save_sender(path, sender)
    tell({"withdrawn": submission_id}, as_json, lambda _: f"Withdrawn: {submission_id}")
