"""Commands of curators: results to review, decisions, notes."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click
import orjson

from kbapi.cli.api_client import ApiClient
from kbapi.cli.common import (
    CommandGroup,
    answer_of,
    bullet,
    choice_option,
    connected,
    errors_as_messages,
    home_option,
    json_option,
    paragraph,
    print_answer,
    settings_of,
)
from kbapi.cli.submissions import (
    bearer,
    decided_by,
    dry_run_option,
    require_yes,
    starts_in_lines,
    with_key,
    yes_option,
)
from kbapi.vocabulary import DECISION_REASONS, DECISIONS

if TYPE_CHECKING:
    from kbapi.instance.instance import Instance


def page_in_lines(page: dict[str, Any]) -> str:
    """The text of a page of waiting settings."""
    lines = [line for one in page["pools"] for line in _pool(one)]
    lines += [line for one in page["waiting"] for line in _setting(one)]
    lines += [
        paragraph(f"{one['chip']}: {one['factory_lock']['text']}")
        for one in page["contradicted_locks"]
    ]
    if page["next_cursor"]:
        lines.append(f"more: --cursor {page['next_cursor']}")
    return "\n".join(lines) or "No setting and no pool waits for a decision."


def _pool(one: dict[str, Any]) -> list[str]:
    name = one["name"]
    moved = " with ".join([name["domain"], *name["moved_with"]])
    band = "" if name["clock_band_mhz"] is None else f" from {name['clock_band_mhz']} MHz"
    lines = [
        f"pool {one['pool']}: {name['chip']}",
        f"  {moved}, {name['control']}{band}: {one['units']} units",
    ]
    lines += [bullet(reason["text"]) for reason in one["reasons"]]
    if one["contributor"] is not None:
        unit = "counts" if name["control"] == "count_offset" else "mV"
        moves = f"without it the start moves by {one['moves_by']:+g} {unit}"
        lines.append(paragraph(f"contributor {one['contributor']}: {moves}", "  "))
    return lines


def _setting(one: dict[str, Any]) -> list[str]:
    moved = " with ".join([one["domain"], *one["moved_with"]])
    at = "" if one["clock_mhz"] is None else f" at {one['clock_mhz']:g} MHz"
    sender = one["sender"]
    shared = ", shared by all senders without a token" if sender["is_shared"] else ""
    codes = ", ".join(reason["code"] for reason in one["reasons"])
    return [
        f"{one['submission']}/{one['ordinal']}",
        f"  {one['chip']}, {one['month']}",
        f"  {moved}, {one['control']}{at}: {_ends(one['below_stock'], one['control'])}",
        paragraph(f"{one['status']}, {one['grade']} testing: {codes or 'no reason'}", "  "),
        paragraph(
            f"contributor {sender['contributor']}{shared}, {sender['other_results']} other results",
            "  ",
        ),
    ]


def _ends(below_stock: dict[str, Any], control: str) -> str:
    unit = "counts" if control == "count_offset" else "mV"
    ends = [
        f"{verb} at {below_stock[name]:g} {unit}"
        for name, verb in (("stable", "passed"), ("unstable", "failed"))
        if below_stock[name] is not None
    ]
    return f"{', '.join(ends)} below stock" if ends else "depth unknown"


def item_in_lines(item: dict[str, Any]) -> str:
    """The text of one setting with its history and pool."""
    setting = item["setting"]
    lines = _setting(setting)
    lines += [bullet(reason["text"]) for reason in setting["reasons"]]
    for seen in item["history"]:
        decision = f"{seen['decision']}, {seen['reason']['code']}"
        lines.append(paragraph(f"{seen['day']}: {decision} ({decided_by(seen)})", "  "))
    pool = item["pool"]
    if pool is None:
        return "\n".join(
            [*lines, "", "The current catalogue does not know this chip, so no pool is shown."]
        )
    lines += ["", _start("Without it", pool["start_without"])]
    if pool["start_with"] is None:
        lines.append(paragraph("The setting has neither a pass nor a failure, so it cannot count."))
    else:
        lines.append(_start("If it counts", pool["start_with"]))
    lines += [_percentile(one) for one in pool["percentiles"]]
    return "\n".join([*lines, "", "Cautions:", *(bullet(one["text"]) for one in item["cautions"])])


def _start(when: str, seen: dict[str, Any]) -> str:
    on = f"{seen['units']} units, {seen['failures']} of them with a failure"
    if seen["start"] is None:
        return paragraph(f"{when}: no start ({seen['reason']['code']}), from {on}.")
    return paragraph(f"{when}: start at {seen['start']['value_to_enter']}, from {on}.")


def _percentile(percentile: dict[str, Any]) -> str:
    setting = percentile["setting_mv"]
    setting = percentile["setting_counts"] if setting is None else setting
    return f"  {percentile['share']:>4.0%} of the other units are stable at {setting:g}"


def decisions_in_lines(response: dict[str, Any]) -> str:
    """The text of the changes of decisions, or of what a dry run would change."""
    got = "would get" if response["dry_run"] else "got"
    lines = [
        f"{response['decided']} of {response['settings']} settings {got} this decision, "
        f"{response['unchanged']} had it before."
    ]
    if response["includes_shared_contributor"]:
        lines.append(paragraph("Senders without a token share one number: all are among them."))
    elif response["contributors"] > 1:
        lines.append(f"They are of {response['contributors']} contributors.")
    lines += [
        f"  {one['submission']}/{one['ordinal']}: {one['before']} -> {one['now']}"
        for one in response["changed"]
    ]
    if response["lock_only_results"]:
        lines.append(
            f"{response['lock_only_results']} results with only lock reports {got} it as well."
        )
    if response["pools"]:
        lines.append(f"{response['pools']} pools {got} it as well.")
    left = response["decided"] - len(response["changed"])
    lines += [f"  and {left} more"] if left else []
    return "\n".join([*lines, *starts_in_lines(response)])


_PATH = "/v1/review"


@click.group("review", cls=CommandGroup)
def review_commands() -> None:
    """Review excluded settings and pools, and decide."""


@review_commands.command("list")
@click.option("--chip", help="Show only this chip, by any of its names.")
@click.option("--code", help="Show only settings with this reason, such as beyond_soft_bound.")
@click.option("--contributor", type=int, help="Show only this contributor, by number.")
@click.option("--limit", type=int, help="Settings on one page.")
@click.option("--cursor", help="Continue from the cursor that the previous page printed.")
@with_key
def list_command(key: str | None, home: Path, url: str | None, as_json: bool, **asked: Any) -> None:
    """List the pools and settings that wait for a decision."""
    query = {name: str(value) for name, value in asked.items() if value is not None}
    with connected(home, url) as api_client:
        reply = api_client.request("GET", _PATH, query=query, headers=bearer(key))
    print_answer(answer_of(reply), as_json, page_in_lines)


@review_commands.command("show")
@click.argument("setting", metavar="ID/ORDINAL")
@with_key
def show_command(setting: str, key: str | None, home: Path, url: str | None, as_json: bool) -> None:
    """Show one setting, its history, and the start with and without it."""
    _named(setting)
    with connected(home, url) as api_client:
        reply = api_client.request("GET", f"{_PATH}/{setting}", headers=bearer(key))
    print_answer(answer_of(reply), as_json, item_in_lines)


def _about(command: Callable[..., Any]) -> Callable[..., Any]:
    """The command with the options that choose settings, and those about questions."""
    for option in reversed(
        (
            click.option(
                "--contributor",
                "contributors",
                type=int,
                multiple=True,
                help="Decide about all settings of this contributor, by number; may be repeated.",
            ),
            click.option(
                "--pool",
                "pools",
                type=int,
                multiple=True,
                help="Decide about this pool, by number; may be repeated.",
            ),
            click.option("--client", help="Decide about all settings that this script sent."),
            click.option("--firmware", help="Decide about all settings with this firmware."),
            click.option("--machine", help="Decide about all settings of this machine class."),
            yes_option,
            dry_run_option,
        )
    ):
        command = option(command)
    return with_key(command)


@review_commands.command("decide")
@click.argument("decision", metavar="DECISION", type=click.Choice(DECISIONS))
@click.argument("settings", metavar="[ID/ORDINAL]...", nargs=-1)
@choice_option(
    "--reason",
    of=DECISION_REASONS,
    about="Code of the reason; the sender sees its sentence.",
    required=True,
)
@_about
def decide_command(decision: str, **options: Any) -> None:
    """Decide about settings: include, exclude, invalidate or undo.

    Name settings as ID/ORDINAL, or choose all of a contributor, script,
    firmware or machine class: then the command first shows what it would
    touch. All decisions are stored, or none.
    """
    _decide(decision, **options)


@review_commands.command("undo")
@click.argument("settings", metavar="[ID/ORDINAL]...", nargs=-1)
@choice_option(
    "--reason",
    of=DECISION_REASONS,
    about="Code of the reason.",
    default="decided_in_error",
    show_default=True,
)
@_about
def undo_command(**options: Any) -> None:
    """Undo decisions: the screening rules apply again."""
    _decide("undo", **options)


def _named(setting: str) -> dict[str, Any]:
    submission, _, ordinal = setting.partition("/")
    if not ordinal.isdigit():
        raise click.UsageError(
            f"{setting} is not a setting. Write ID/ORDINAL, as 'kbapi review list' shows it."
        )
    return {"submission": submission, "ordinal": int(ordinal)}


def _decide(
    decision: str,
    *,
    settings: tuple[str, ...],
    reason: str,
    contributors: tuple[int, ...],
    pools: tuple[int, ...],
    yes: bool,
    dry_run: bool,
    key: str | None,
    home: Path,
    url: str | None,
    as_json: bool,
    **origin: str | None,
) -> None:
    sent_origin = {name: value for name, value in origin.items() if value is not None}
    many: list[dict[str, Any]] = [{"contributor": number} for number in contributors]
    many += [{"pool": number} for number in pools]
    many += [{"origin": sent_origin}] if sent_origin else []
    which = [*map(_named, settings), *many]
    if not which:
        raise click.UsageError(
            "Name settings as ID/ORDINAL, or give --contributor, --pool, --client, --firmware or "
            "--machine."
        )
    body: dict[str, Any] = {
        "decisions": [{**one, "decision": decision, "reason": reason} for one in which]
    }
    with connected(home, url) as api_client:
        answer = None
        if many or dry_run:
            answer = _sent(api_client, body, key, dry_run="true")
        if answer is not None and not dry_run:
            require_yes(decisions_in_lines(answer), yes)
            body["confirm"] = answer["confirm"]
        if not dry_run:
            answer = _sent(api_client, body, key)
    print_answer(answer, as_json, decisions_in_lines)


def _sent(api_client: ApiClient, body: dict[str, Any], key: str | None, **query: str) -> Any:
    return answer_of(
        api_client.request(
            "POST",
            f"{_PATH}/decisions",
            query=query,
            body=orjson.dumps(body),
            headers=bearer(key),
        )
    )


@click.group("notes", cls=CommandGroup)
def notes_commands() -> None:
    """Manage curated notes on chips, series and machine classes."""


@contextmanager
def _opened(home: Path) -> Iterator["Instance"]:
    """The instance in a folder; errors are printed and end the command."""
    from kbapi.instance.instance import open_instance

    with errors_as_messages():
        yield open_instance(settings_of(home))


_STATES: Final = {"draft": " (draft, not in answers)", "retired": " (retired, not in answers)"}


@notes_commands.command("list")
@click.option(
    "--catalogue", "has_catalogue", is_flag=True, help="List the notes of the catalogue instead."
)
@json_option
@home_option
def list_notes_command(has_catalogue: bool, as_json: bool, home: Path) -> None:
    """List all notes with source and month of last review.

    A note that you load with the key of a note of the catalogue replaces it.
    """
    from kbapi.curation.notes import notes_of_catalogue
    from kbapi.storage.notes import load_notes

    with _opened(home) as instance:
        with instance.reading() as connection:
            kept = load_notes(connection)
        notes = notes_of_catalogue(instance.catalogue) if has_catalogue else kept
    if as_json:
        click.echo(orjson.dumps({"notes": notes}))
        return
    for note in notes:
        state = _STATES.get(getattr(note, "state", ""), "")
        review = f"reviewed in {note.reviewed_month}. {note.source}"
        click.echo(bullet(f"{note.key}{state}: {note.subject}, {review}"))


@notes_commands.command("retire")
@click.argument("key")
@json_option
@home_option
def retire_command(key: str, as_json: bool, home: Path) -> None:
    """Leave the note KEY out of every answer, also one of the catalogue.

    A note that you load later with the same key is shown again.
    """
    from kbapi.curation.notes import retire_note

    with _opened(home) as instance:
        retire_note(instance, key)
    print_answer({"retired": key}, as_json, lambda _: f"{key} is retired.")


@notes_commands.command("load")
@click.argument(
    "files", nargs=-1, required=True, type=click.Path(exists=True, dir_okay=False, path_type=Path)
)
@click.option("--draft", is_flag=True, help="Store them as drafts, which answers do not show.")
@json_option
@home_option
def load_command(files: tuple[Path, ...], draft: bool, as_json: bool, home: Path) -> None:
    """Store the notes in FILES, all or none.

    A note replaces the earlier note with the same key.
    """
    from kbapi.curation.notes import store_notes

    with _opened(home) as instance:
        texts = [file.read_text(encoding="utf-8", errors="replace") for file in files]
        notes = store_notes(instance, texts, as_drafts=draft)
    text = f"{len(notes)} notes stored{' as drafts' if draft else ''}."
    print_answer({"stored": len(notes), "as_drafts": draft}, as_json, lambda _: text)


@notes_commands.command("publish")
@click.argument("key")
@json_option
@home_option
def publish_command(key: str, as_json: bool, home: Path) -> None:
    """Publish the draft KEY, so that answers show it.

    The earlier text stays in the history.
    """
    from kbapi.curation.notes import publish_note

    with _opened(home) as instance:
        publish_note(instance, key)
    print_answer({"published": key}, as_json, lambda _: f"{key} is published.")


@notes_commands.command("reviewed")
@click.argument("key")
@json_option
@home_option
def reviewed_command(key: str, as_json: bool, home: Path) -> None:
    """Confirm that the note KEY is still right this month."""
    from kbapi.curation.notes import mark_reviewed

    with _opened(home) as instance:
        month = mark_reviewed(instance, key)
    text = f"{key} was reviewed in {month}."
    print_answer({"reviewed": key, "reviewed_month": month}, as_json, lambda _: text)


@notes_commands.command("history")
@click.argument("key")
@json_option
@home_option
def history_command(key: str, as_json: bool, home: Path) -> None:
    """Show the earlier texts of the note KEY, oldest first."""
    from kbapi.storage.notes import load_history

    with _opened(home) as instance, instance.reading() as connection:
        earlier = load_history(connection, key)
    if as_json:
        click.echo(orjson.dumps({"key": key, "earlier": earlier}))
        return
    for one in earlier:
        heading = f"Until {one.replaced_day}, reviewed in {one.reviewed_month}. {one.source}"
        click.echo(bullet(heading))
        for part in one.markdown.split("\n\n"):
            click.echo(paragraph(part, "    "))
    if not earlier:
        click.echo("This note has no earlier text.")
