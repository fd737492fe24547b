"""Commands that send results, and list, follow up or withdraw the sender's results.

Tokens and receipts are only in the sender's file: without it a result cannot be read or withdrawn.
"""

import json
import os
import secrets
import sys
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, BinaryIO

import click
import orjson

from kbapi.cli import lines
from kbapi.cli.api_client import ApiClient
from kbapi.cli.common import REFUSED, answer_of, client_options, connected, print_answer
from kbapi.cli.interview import interview
from kbapi.errors import UnsafeSetup


def sender_file() -> Path:
    """The path of the sender's file, in the system's folder for settings."""
    folder = os.environ.get("XDG_CONFIG_HOME") or os.environ.get("APPDATA")
    return (Path(folder) if folder else Path.home() / ".config") / "kbapi" / "sender.json"


@dataclass
class Sender:
    """The tokens of this sender, and the receipts of its results."""

    contributor_token: str
    unit_tokens: dict[str, str] = field(default_factory=dict)
    """By chip key: one machine, one chip of a kind."""
    receipts: dict[str, str] = field(default_factory=dict)
    """By the id of the submission."""

    def unit_token(self, chip_key: str) -> str:
        """The unit token of this machine's chip, created at its first use."""
        return self.unit_tokens.setdefault(chip_key, secrets.token_urlsafe(18))


def load_sender(path: Path) -> Sender:
    """The sender in this file, or a new one without results.

    Raises
    ------
    UnsafeSetup
        When the file is damaged; it is never overwritten.
    """
    if not path.exists():
        return Sender(secrets.token_urlsafe(18))
    try:
        kept: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        return Sender(kept["contributor_token"], kept["unit_tokens"], kept["receipts"])
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise UnsafeSetup(f"{path} is damaged. Repair it or move it away.") from error


def save_sender(path: Path, sender: Sender) -> None:
    """Save the sender, readable by the owner only; the old file stays until this is complete."""
    path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    draft = path.with_suffix(".new")
    descriptor = os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
    with os.fdopen(descriptor, "w", encoding="utf-8") as file:
        json.dump(vars(sender), file, indent=2)
        file.flush()
        os.fsync(file.fileno())
    draft.replace(path)


@click.command("submit")
@click.argument("file", type=click.File("rb"), required=False)
@client_options
def submit_command(file: BinaryIO | None, home: Path, url: str | None, as_json: bool) -> None:
    """Send the result in FILE, or enter it step by step.

    FILE is a JSON document; - is standard input. Without FILE the command
    asks for each value and checks each answer. It saves your tokens and
    receipts in a file of your own.
    """
    with connected(home, url) as api_client:
        if file is not None:
            accepted = _send(api_client, load_sender(sender_file()), file.read())
        else:
            require_terminal("Give a FILE, or - for standard input.")
            accepted = offer_to_send(api_client, interview(api_client))
    if accepted is None:
        raise SystemExit(REFUSED)
    print_answer(accepted, as_json, lines.accepted_in_lines)


def require_terminal(instead: str) -> None:
    """Exit with 2 and an advice unless standard input is a terminal."""
    if not sys.stdin.isatty():
        click.echo(f"Questions need a terminal. {instead}", err=True)
        raise SystemExit(2)


def offer_to_send(api_client: ApiClient, document: dict[str, Any]) -> Any:
    """The response to the document with this machine's tokens; None if it is not sent."""
    sender = load_sender(sender_file())
    body = orjson.dumps(_with_tokens(document, sender, api_client))
    click.echo(orjson.dumps(document, option=orjson.OPT_INDENT_2))
    if not click.confirm("Send this?", default=True):
        return None
    # Saved first: without its tokens a stored result could not be reached again.
    save_sender(sender_file(), sender)
    return _send(api_client, sender, body)


def _send(api_client: ApiClient, sender: Sender, body: bytes) -> Any:
    accepted = answer_of(api_client.request("POST", "/v1/submissions", body=body))
    sender.receipts[accepted["id"]] = accepted["receipt"]
    save_sender(sender_file(), sender)
    return accepted


def _with_tokens(document: dict[str, Any], sender: Sender, api_client: ApiClient) -> dict[str, Any]:
    found = answer_of(api_client.request("GET", "/v1/identify", query={"text": document["chip"]}))
    return {
        **document,
        "contributor_token": sender.contributor_token,
        "unit_token": sender.unit_token(found["chip"]["key"]),
    }


receipt_option = click.option(
    "--receipt", help="The receipt.  [default: the one that this machine saved]"
)


def bearer(submission_id: str, receipt: str | None) -> dict[str, str]:
    """The header with the receipt, the given or the saved one."""
    shown = receipt or load_sender(sender_file()).receipts.get(submission_id)
    if shown is None:
        click.echo("No receipt of this result is saved here. Give it with --receipt.", err=True)
        raise SystemExit(REFUSED)
    return {"Authorization": f"Bearer {shown}"}


@click.command("withdraw")
@click.argument("submission_id", metavar="ID")
@receipt_option
@client_options
def withdraw_command(
    submission_id: str, receipt: str | None, home: Path, url: str | None, as_json: bool
) -> None:
    """Withdraw the result ID; older backups still contain it."""
    with connected(home, url) as api_client:
        headers = bearer(submission_id, receipt)
        answer_of(api_client.request("DELETE", f"/v1/submissions/{submission_id}", headers=headers))
        path = sender_file()
        sender = load_sender(path)
        if sender.receipts.pop(submission_id, None) is not None:
            save_sender(path, sender)
    print_answer({"withdrawn": submission_id}, as_json, lambda _: f"Withdrawn: {submission_id}")


@click.command("my-submissions")
@click.option(
    "--contributor-token",
    envvar="KBAPI_CONTRIBUTOR_TOKEN",
    show_envvar=True,
    help="Your contributor token.  [default: the one that 'kbapi submit' made]",
)
@client_options
def my_submissions_command(
    contributor_token: str | None, home: Path, url: str | None, as_json: bool
) -> None:
    """List your results, settings in use and due re-tests."""
    with connected(home, url) as api_client:
        token = contributor_token or load_sender(sender_file()).contributor_token
        headers = {"Kbapi-Contributor": token}
        results: list[Any] = []
        query: dict[str, str] = {}
        while True:
            reply = api_client.request("GET", "/v1/my-submissions", query=query, headers=headers)
            page = answer_of(reply)
            results += page["submissions"]
            if page["next_cursor"] is None:
                break
            query = {"cursor": page["next_cursor"]}
    print_answer({"submissions": results}, as_json, lines.own_in_lines)


@click.command("follow-up")
@click.argument("submission_id", metavar="ID")
@click.argument("outcome")
@click.option("--domain", default="core", show_default=True, help="Supply rail (domain).")
@click.option(
    "--control", default="voltage_offset", show_default=True, help="Control of the setting."
)
@click.option("--clock-mhz", type=float, help="Clock in MHz, for fixed_clock_voltage.")
@click.option(
    "--setting", type=float, help="The setting that was tested.  [default: the setting in use]"
)
@click.option("--days", type=int, help="Number of days in use.")
@click.option("--load", help="Load class of the failure.")
@click.option("--failure", help="Kind of failure.")
@click.option("--changed", help="Changes since the result, separated by commas.")
@click.option("--shown-by", help="Proof that the setting still has an effect.")
@receipt_option
@client_options
def follow_up_command(
    submission_id: str,
    outcome: str,
    receipt: str | None,
    home: Path,
    url: str | None,
    as_json: bool,
    changed: str | None,
    shown_by: str | None,
    **given: Any,
) -> None:
    """Report what became of a setting of the result ID.

    OUTCOME is still_stable, failed_later, locked_later, fails_at_stock_too,
    given_up or machine_gone.
    """
    document = {name: value for name, value in given.items() if value is not None}
    document["outcome"] = outcome
    if changed:
        document["changed"] = [name.strip() for name in changed.split(",")]
    if shown_by:
        document["effect"] = {"shown_by": shown_by}
    with connected(home, url) as api_client:
        reply = api_client.request(
            "POST",
            f"/v1/submissions/{submission_id}/follow-ups",
            body=orjson.dumps(document),
            headers=bearer(submission_id, receipt),
        )
    print_answer(answer_of(reply), as_json, lines.followed_up_in_lines)
