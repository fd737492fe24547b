"""`kbapi next-step`: a search in the terminal; each step is saved before it is tried."""

from pathlib import Path
from typing import Any

import click
import orjson

from kbapi.cli import lines
from kbapi.cli.api_client import ApiClient
from kbapi.cli.common import (
    REFUSED,
    ListOf,
    answer_of,
    answer_options,
    choice_option,
    connected,
    is_brief,
    paragraph,
    server_of,
)
from kbapi.cli.interview import (
    ask_failure,
    ask_in_use,
    ask_read_back,
    ask_stock,
    ask_until,
    minutes_in,
)
from kbapi.cli.questions import print_with_cautions
from kbapi.cli.search_record import (
    SearchRecord,
    closing_card,
    load_record,
    opening_card,
    result_of,
    save_record,
    step_card,
    step_in_brief,
    under_way_card,
)
from kbapi.cli.sender_file import SenderFile, sender_option
from kbapi.cli.sending import machine_option, offer_to_send, report_stored, require_terminal
from kbapi.errors import UnsafeSetup
from kbapi.vocabulary import DOMAINS, LIMIT_CONTROLS, LOADS


@click.command("next-step")
@click.argument("chip")
@choice_option("--domain", of=DOMAINS, about="Supply rail (domain).")
@choice_option("--control", of=LIMIT_CONTROLS, about="Control.")
@click.option(
    "--moved-with",
    type=ListOf(DOMAINS),
    help="Other domains that move with it, separated by commas.",
)
@click.option("--clock-mhz", type=float, help="Clock in MHz, for fixed_clock_voltage.")
@click.option("--stock-mv", type=float, help="Stock voltage of your unit at that clock, in mV.")
@click.option("--resolution-mv", type=float, help="Resolution of the limit, in mV.  [default: 5]")
@click.option(
    "--resolution-counts", type=int, help="Resolution of the limit, in counts.  [default: 1]"
)
@click.option("--trial-minutes", type=float, help="Minutes of one trial.  [default: 20]")
@click.option(
    "--failure-minutes", type=float, help="Minutes that a failure costs in addition.  [default: 10]"
)
@click.option(
    "--max-risk",
    type=float,
    help="Highest chance that the next setting fails, up to 0.25.  [default: 0.1]",
)
@click.option(
    "--max-step", type=float, help="Largest step, in mV or counts.  [default: 20 mV, 4 counts]"
)
@click.option(
    "--record",
    type=click.Path(dir_okay=False, path_type=Path),
    help="File for the search.  [default: a file for the chip beside --sender]",
)
@machine_option
@sender_option
@answer_options
def next_step_command(
    chip: str,
    record: Path | None,
    machine: str,
    sender_path: Path,
    home: Path,
    url: str | None,
    as_json: bool,
    moved_with: str | None,
    **asked: Any,
) -> None:
    """Search for the limit of this machine's CHIP, step by step.

    The command saves each step before you try it. After a crash, run the
    same command again to continue. With --json or --brief it prints the
    current answer and asks nothing.
    """
    given = {name: value for name, value in asked.items() if value is not None}
    if moved_with is not None:
        given["moved_with"] = [code.strip() for code in moved_with.split(",") if code.strip()]
    asks = not (as_json or is_brief())
    if asks:
        require_terminal("Run this command in one.")
    with connected(home, url) as api_client:
        path = record or _usual_path(api_client, chip, sender_path.parent)
        search = _search_in(path, chip, given)
        if not asks:
            print_with_cautions(_ask(api_client, search), as_json, str, step_in_brief)
            return
        answer = _walk(api_client, path, search)
        own = SenderFile(sender_path, server_of(home, url))
        _finish(api_client, path, search, answer, own, machine)


def _usual_path(api_client: ApiClient, chip: str, folder: Path) -> Path:
    found = answer_of(api_client.request("GET", "/v1/identify", query={"text": chip}))
    if found["match"] != "exact":
        click.echo(paragraph(found["reason"]), err=True)
        for candidate in found["candidates"]:
            click.echo(f"    candidate: {candidate['key']}", err=True)
        raise SystemExit(REFUSED)
    return folder / f"next-step-{found['chip']['key']}.json"


def _search_in(path: Path, chip: str, given: dict[str, Any]) -> SearchRecord:
    """The search in the file, with the options given now, or a new one."""
    kept = load_record(path)
    if kept is None:
        return SearchRecord(chip, given)
    rails = {name: given[name] for name in ("domain", "control", "moved_with") if name in given}
    if kept.chip != chip or any(kept.asked.get(name) != rails[name] for name in rails):
        raise UnsafeSetup(
            f"{path} has the search of another chip or domain ({kept.chip}). Finish that search, "
            "or name another file with --record."
        )
    kept.asked.update(given)
    return kept


def _ask(api_client: ApiClient, search: SearchRecord) -> dict[str, Any]:
    reply = api_client.request("POST", "/v1/next-step", body=orjson.dumps(search.question()))
    answer: dict[str, Any] = answer_of(reply)
    return answer


def _walk(api_client: ApiClient, path: Path, search: SearchRecord) -> dict[str, Any]:
    """The answer after the last step; none is left, or the user stops."""
    if search.under_way is not None:
        click.echo(under_way_card(search.under_way))
        _ask_how_it_ended(path, search)
    answer = _ask(api_client, search)
    click.echo(opening_card(answer))
    if search.stock_passed is None and not search.trials:
        click.echo(
            paragraph(
                "First prove that the machine is stable at stock. Without that test no failure "
                "shows its cause."
            )
        )
        while search.stock_passed is None:
            search.stock_passed = ask_stock()
    while answer["next_step"] is not None:
        value = _value_of(answer, search)
        click.echo(step_card(answer, value, answer["next_step"]["minutes"]))
        wish = click.prompt("Now", type=click.Choice(["begin", "finish", "later"]), default="begin")
        if wish == "later":
            _leave(path, search)
        if wish == "finish":
            break
        _keep_domains(answer, search)
        search.under_way = _run_of(answer, value, search)
        save_record(path, search)
        click.echo(f"Saved in {path}. Set it now.")
        _ask_how_it_ended(path, search)
        answer = _ask(api_client, search)
    return answer


def _value_of(answer: dict[str, Any], search: SearchRecord) -> float:
    """The number to enter: relative to stock, or absolute at a fixed clock."""
    enter: float = answer["next_step"]["value_to_enter"]
    if answer["control"] != "fixed_clock_voltage":
        return enter
    return float(search.asked["stock_mv"] + enter)


def _keep_domains(answer: dict[str, Any], search: SearchRecord) -> None:
    """Fix domains and control: another pool may be the largest at the next step."""
    for name in ("domain", "control", "moved_with"):
        search.asked.setdefault(name, answer[name])


def _run_of(answer: dict[str, Any], value: float, search: SearchRecord) -> dict[str, Any]:
    rails = [answer["domain"], *answer["moved_with"]]
    run: dict[str, Any] = {
        "settings": [
            {"domain": rail, "control": answer["control"], "value": value} for rail in rails
        ]
    }
    if "clock_mhz" in search.asked:
        run["clock_mhz"] = search.asked["clock_mhz"]
    run["seconds"] = round(60 * answer["next_step"]["minutes"])
    return run


def _ask_how_it_ended(path: Path, search: SearchRecord) -> None:
    """Record the result of the step under way, or exit with the step still under way."""
    run = search.under_way or {}
    ends = ["passed", "failed", "not_tried", "later"]
    end = click.prompt("What happened", type=click.Choice(ends))
    if end == "later":
        _leave(path, search)
    if end != "not_tried":
        search.trials.append(_ended(run, end))
    search.under_way = None
    save_record(path, search)


def _ended(run: dict[str, Any], end: str) -> dict[str, Any]:
    # A run that the rules refuse must not be recorded: all later requests would be refused.
    minutes = ask_until("Minutes of the run", minutes_in, "Enter a number.")
    load = ask_until(
        "Load class",
        lambda text: text if text in LOADS else None,
        f"Enter one of: {', '.join(LOADS)}.",
    )
    ended = {**run, "outcome": "stable" if end == "passed" else "failed"}
    # A run that passed lasted as planned; a failure ends it early.
    if end == "failed":
        ended.pop("seconds", None)
    if minutes is not None:
        ended["seconds"] = round(60 * minutes)
    if load is not None:
        ended["load"] = load
    if end == "failed":
        ask_failure(ended)
    elif click.confirm("Did the load check its own results?", default=False):
        ended["checked_results"] = True
    return ended


def _leave(path: Path, search: SearchRecord) -> None:
    save_record(path, search)
    click.echo(f"Saved in {path}. Run the same command again to continue.")
    raise SystemExit(0)


def _finish(
    api_client: ApiClient,
    path: Path,
    search: SearchRecord,
    answer: dict[str, Any],
    own: SenderFile,
    machine: str,
) -> None:
    """Print the end of the search, and offer to send it as a result."""
    save_record(path, search)
    click.echo(closing_card(answer))
    if len(search.trials) == search.sent_trials:
        if search.trials:
            click.echo(paragraph(f"All steps were sent. They stay in {path} for a later search."))
        return
    document = result_of(search, answer)
    (setting,) = document["settings"]
    ask_in_use(setting)
    ask_read_back(setting)
    accepted = offer_to_send(api_client, own, document, machine)
    if accepted is None:
        click.echo(f"Nothing was sent. The search is saved in {path}.")
        return
    report_stored(own, accepted, False, lines.accepted_in_lines)
    search.sent_trials = len(search.trials)
    save_record(path, search)
    click.echo(
        paragraph(f"The search stays in {path}. For another machine, name another --record.")
    )
