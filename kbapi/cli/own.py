"""One's own results from the terminal: `kbapi my-submissions`, `follow-up`."""

from pathlib import Path
from typing import Any

import click
import orjson

from kbapi.cli import lines
from kbapi.cli.common import answer_of, asking, asks, tell
from kbapi.cli.sender import load_sender, sender_file
from kbapi.cli.sending import bearer, receipt_option


@click.command("my-submissions")
@click.option(
    "--contributor-token",
    envvar="KBAPI_CONTRIBUTOR_TOKEN",
    show_envvar=True,
    help="Your contributor token.  [default: the one that 'kbapi submit' made]",
)
@asks
def mine_command(contributor_token: str | None, home: Path, url: str | None, as_json: bool) -> None:
    """List your results, settings in use and due re-tests."""
    with asking(home, url) as door:
        token = contributor_token or load_sender(sender_file()).contributor_token
        headers = {"Kbapi-Contributor": token}
        results: list[Any] = []
        query: dict[str, str] = {}
        while True:
            reply = door.ask("GET", "/v1/my-submissions", query=query, headers=headers)
            page = answer_of(reply)
            results += page["submissions"]
            if page["next_cursor"] is None:
                break
            query = {"cursor": page["next_cursor"]}
    tell({"submissions": results}, as_json, lines.own_in_lines)


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
@asks
def follow_up_command(
    submission_id: str,
    outcome: str,
    receipt: str | None,
    home: Path,
    url: str | None,
    as_json: bool,
    changed: str | None,
    shown_by: str | None,
    **told: Any,
) -> None:
    """Report what became of a setting of the result ID.

    OUTCOME is still_stable, failed_later, locked_later, fails_at_stock_too,
    given_up or machine_gone.
    """
    document = {name: value for name, value in told.items() if value is not None}
    document["outcome"] = outcome
    if changed:
        document["changed"] = [word.strip() for word in changed.split(",")]
    if shown_by:
        document["effect"] = {"shown_by": shown_by}
    with asking(home, url) as door:
        reply = door.ask(
            "POST",
            f"/v1/submissions/{submission_id}/follow-ups",
            body=orjson.dumps(document),
            headers=bearer(submission_id, receipt),
        )
    tell(answer_of(reply), as_json, lines.followed_up_in_lines)
