"""Commands that send results, and list, follow up or withdraw the sender's results.

Tokens and receipts are only in the sender's file: without it a result cannot be read or withdrawn.
"""

import json
import sys
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any, BinaryIO, Final

import click
import orjson

from kbapi.cli import lines
from kbapi.cli.api_client import ApiClient, RemoteClient, Reply
from kbapi.cli.common import (
    REFUSED,
    ListOf,
    answer_of,
    changes_of,
    choice_option,
    client_options,
    connected,
    paragraph,
    print_answer,
    server_of,
)
from kbapi.cli.interview import interview
from kbapi.cli.sender_file import SenderFile, send_waiting, sender_option
from kbapi.client import kbapi_client
from kbapi.client.kbapi_client import NotAcknowledged, Refused
from kbapi.errors import ServerUnreachable
from kbapi.vocabulary import (
    DOMAINS,
    EFFECTS,
    FAILURES,
    FOLLOW_UP_CHANGES,
    FOLLOW_UP_OUTCOMES,
    LIMIT_CONTROLS,
    LOADS,
)

_GONE: Final = 410
InLines = Callable[[Any], str]

machine_option = click.option(
    "--machine",
    default="",
    help="Name of the machine in your file, if you have its chip twice. Not sent.",
)


@click.command("submit")
@click.argument("file", type=click.File("rb"), required=False)
@machine_option
@sender_option
@client_options
def submit_command(
    file: BinaryIO | None,
    machine: str,
    sender_path: Path,
    home: Path,
    url: str | None,
    as_json: bool,
) -> None:
    """Send the result in FILE, or enter it step by step.

    FILE is a JSON document; - is standard input. Without FILE the command
    asks for each value and checks each answer. A result without tokens gets
    yours. The receipt is saved in your file.
    """
    own = SenderFile(sender_path, server_of(home, url))
    with connected(home, url) as api_client:
        if file is not None:
            accepted = _send(api_client, own, file.read(), machine)
        else:
            if as_json:
                raise click.UsageError("With --json, give a FILE, or - for standard input.")
            require_terminal("Give a FILE, or - for standard input.")
            accepted = offer_to_send(api_client, own, interview(api_client), machine)
        if accepted is None:
            raise SystemExit(REFUSED)
        report_stored(own, accepted, as_json, lines.accepted_in_lines)


def require_terminal(instead: str) -> None:
    """Exit with 2 and an advice unless standard input is a terminal."""
    if not sys.stdin.isatty():
        click.echo(f"Questions need a terminal. {instead}", err=True)
        raise SystemExit(2)


def offer_to_send(
    api_client: ApiClient, own: SenderFile, document: dict[str, Any], machine: str
) -> Any:
    """The response to the document with the sender's tokens; None if it is not sent."""
    click.echo(orjson.dumps(document, option=orjson.OPT_INDENT_2))
    if not click.confirm("Send this?", default=True):
        return None
    return _send(api_client, own, orjson.dumps(document), machine)


def _send(api_client: ApiClient, own: SenderFile, body: bytes, machine: str) -> Any:
    """The response to the body; without a contributor token it is sent with the sender's tokens."""
    document = object_in(body)
    if document and isinstance(api_client, RemoteClient) and not _has_repeats(body):
        return _send_from_outbox(api_client, own, document, machine)
    if document and "contributor_token" not in document:
        reply = api_client.request("POST", "/v1/submissions", query={"dry_run": "true"}, body=body)
        chip = answer_of(reply)["chip"]["key"]
        named = machine or machine_of(document)
        tokens = own.tokens_for(chip, named)
        body = with_fields(body, {name: tokens[name] for name in tokens if name not in document})
    return answer_of(api_client.request("POST", "/v1/submissions", body=body))


def _send_from_outbox(
    api_client: ApiClient, own: SenderFile, document: dict[str, Any], machine: str
) -> Any:
    """The response of a server to a document that is on this disk before it is sent."""
    with own.client(api_client) as client:
        try:
            accepted = client.submit(document, machine)
        except Refused as refusal:
            return answer_of(Reply(refusal.status, refusal.problem))
        except NotAcknowledged as error:
            raise ServerUnreachable(f"{error} The next 'kbapi submit' sends it.") from error
        send_waiting(client)
        return accepted


def _has_repeats(body: bytes) -> bool:
    """Whether an object has a name twice, which the server refuses."""
    try:
        json.loads(body, object_pairs_hook=kbapi_client.without_repeats)
    except ValueError:
        return True
    return False


def machine_of(document: dict[str, Any]) -> str:
    """The machine class that a document names; empty where it names none."""
    platform = document.get("platform")
    named = platform.get("machine") if isinstance(platform, dict) else None
    return named if isinstance(named, str) else ""


def object_in(body: bytes) -> dict[str, Any] | None:
    """The object in the body; None for other bodies, which the server refuses with its reasons."""
    with suppress(orjson.JSONDecodeError):
        value = orjson.loads(body)
        return value if isinstance(value, dict) else None
    return None


def with_fields(body: bytes, fields: dict[str, str]) -> bytes:
    """The object in the body with these fields before its own.

    The rest stays byte by byte, so that the server still finds a repeated key.

    >>> with_fields(b'{"chip": "x"}', {"unit_token": "y"})
    b'{"unit_token":"y","chip": "x"}'
    """
    begin = body.index(b"{") + 1
    return body[:begin] + orjson.dumps(fields)[1:-1] + b"," + body[begin:]


def report_stored(own: SenderFile, accepted: Any, as_json: bool, in_lines: InLines) -> None:
    """Print the response and save its receipt, in this order: a full disk must not lose it."""
    print_answer(accepted, as_json, in_lines)
    own.save_receipts({accepted["id"]: (accepted["receipt"], accepted["chip"]["key"])})
    if not as_json:
        click.echo(paragraph(f"The receipt is saved in {own.path}."))


receipt_option = click.option("--receipt", help="The receipt.  [default: the one in your file]")


def bearer(own: SenderFile, submission_id: str, receipt: str | None) -> dict[str, str]:
    """The header with the receipt, the given or the saved one."""
    shown = receipt or own.find_receipt(submission_id)
    if shown is None:
        missing = (
            f"{own.path} has no receipt of this result: you withdrew it, or sent it from "
            "elsewhere. Give the receipt with --receipt."
        )
        click.echo(paragraph(missing), err=True)
        raise SystemExit(REFUSED)
    return {"Authorization": f"Bearer {shown}"}


@click.command("correct")
@click.argument("submission_id", metavar="ID")
@click.argument("file", type=click.File("rb"))
@receipt_option
@sender_option
@client_options
def correct_command(
    submission_id: str,
    file: BinaryIO,
    receipt: str | None,
    sender_path: Path,
    home: Path,
    url: str | None,
    as_json: bool,
) -> None:
    """Replace the result ID by the document in FILE.

    FILE is the whole corrected document; - is standard input. 'kbapi
    my-submissions ID' prints the present one. Id, receipt, machine and
    contributor stay the same.
    """
    own = SenderFile(sender_path, server_of(home, url))
    with connected(home, url) as api_client:
        reply = api_client.request(
            "PUT",
            f"/v1/submissions/{submission_id}",
            body=file.read(),
            headers=bearer(own, submission_id, receipt),
        )
        report_stored(own, answer_of(reply), as_json, lines.corrected_in_lines)


@click.command("withdraw")
@click.argument("submission_id", metavar="ID")
@receipt_option
@sender_option
@client_options
def withdraw_command(
    submission_id: str,
    receipt: str | None,
    sender_path: Path,
    home: Path,
    url: str | None,
    as_json: bool,
) -> None:
    """Withdraw the result ID; older backups still contain it."""
    own = SenderFile(sender_path, server_of(home, url))
    with connected(home, url) as api_client:
        headers = bearer(own, submission_id, receipt)
        reply = api_client.request("DELETE", f"/v1/submissions/{submission_id}", headers=headers)
        if not reply.is_refusal or reply.status == _GONE:
            own.remove_receipt(submission_id)
        answer_of(reply)
    print_answer({"withdrawn": submission_id}, as_json, lambda _: f"Withdrawn: {submission_id}")


@click.command("my-submissions")
@click.argument("submission_id", metavar="[ID]", required=False)
@click.option(
    "--contributor-token",
    envvar="KBAPI_CONTRIBUTOR_TOKEN",
    show_envvar=True,
    help="Your contributor token.  [default: the one in your file]",
)
@receipt_option
@sender_option
@client_options
def my_submissions_command(
    submission_id: str | None,
    contributor_token: str | None,
    receipt: str | None,
    sender_path: Path,
    home: Path,
    url: str | None,
    as_json: bool,
) -> None:
    """List your results, settings in use and due re-tests.

    With ID it prints the document of that result, ready for 'kbapi
    correct'.
    """
    own = SenderFile(sender_path, server_of(home, url))
    with connected(home, url) as api_client:
        if submission_id is not None:
            headers = bearer(own, submission_id, receipt)
            reply = api_client.request("GET", f"/v1/submissions/{submission_id}", headers=headers)
            print_answer(answer_of(reply), as_json, _document_in)
            return
        sender = own.read()
        token = contributor_token or (sender["contributor_token"] if sender else None)
        results = _results_of(api_client, token) if token else []
    print_answer({"submissions": results}, as_json, lines.own_in_lines)


def _document_in(own_result: dict[str, Any]) -> str:
    return orjson.dumps(own_result["document"], option=orjson.OPT_INDENT_2).decode()


def _results_of(api_client: ApiClient, token: str) -> list[Any]:
    results: list[Any] = []
    query: dict[str, str] = {}
    headers = {"Kbapi-Contributor": token}
    while True:
        reply = api_client.request("GET", "/v1/my-submissions", query=query, headers=headers)
        page = answer_of(reply)
        results += page["submissions"]
        if page["next_cursor"] is None:
            return results
        query = {"cursor": page["next_cursor"]}


def _only_setting(
    api_client: ApiClient, submission_id: str, headers: dict[str, str]
) -> dict[str, Any] | None:
    """Domain, control and clock of the only setting of a result; None if it has several or none."""
    reply = api_client.request("GET", f"/v1/submissions/{submission_id}", headers=headers)
    settings = answer_of(reply)["document"].get("settings") or []
    if len(settings) != 1:
        return None
    names = ("domain", "control", "clock_mhz")
    return {name: settings[0][name] for name in names if name in settings[0]}


@click.command("follow-up")
@click.argument("submission_id", metavar="ID")
@click.argument("outcome", metavar="OUTCOME", required=False, type=click.Choice(FOLLOW_UP_OUTCOMES))
@choice_option(
    "--domain", of=DOMAINS, about="Supply rail (domain); without it, of the only setting, or core."
)
@choice_option(
    "--control",
    of=LIMIT_CONTROLS,
    about="Control; without it, of the only setting, or voltage_offset.",
)
@click.option("--clock-mhz", type=float, help="Clock in MHz, for fixed_clock_voltage.")
@click.option(
    "--setting", type=float, help="The setting that was tested.  [default: the setting in use]"
)
@click.option("--days", type=int, help="Number of days in use.")
@choice_option("--load", of=LOADS, about="Load class of the failure.")
@choice_option("--failure", of=FAILURES, about="Kind of failure.")
@click.option(
    "--changed",
    type=ListOf(FOLLOW_UP_CHANGES),
    help="Changes, separated by commas; firmware=41 for day 41.",
)
@click.option("--last-stable-day", type=int, help="Last day in use on which a test passed.")
@choice_option("--shown-by", of=EFFECTS, about="Proof that the setting still has an effect.")
@receipt_option
@sender_option
@client_options
def follow_up_command(
    submission_id: str,
    outcome: str | None,
    receipt: str | None,
    sender_path: Path,
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
    if outcome is None:
        raise click.UsageError(f"Name the OUTCOME: {', '.join(FOLLOW_UP_OUTCOMES)}.")
    document = {name: value for name, value in given.items() if value is not None}
    document["outcome"] = outcome
    if changed:
        document |= changes_of(changed.split(","))
    if shown_by:
        document["effect"] = {"shown_by": shown_by}
    own = SenderFile(sender_path, server_of(home, url))
    with connected(home, url) as api_client:
        headers = bearer(own, submission_id, receipt)
        rail = {"domain": "core", "control": "voltage_offset"}
        if not {"domain", "control", "clock_mhz"} & document.keys():
            rail = _only_setting(api_client, submission_id, headers) or rail
        reply = api_client.request(
            "POST",
            f"/v1/submissions/{submission_id}/follow-ups",
            body=orjson.dumps({**rail, **document}),
            headers=headers,
        )
    print_answer(answer_of(reply), as_json, lines.followed_up_in_lines)
