"""Commands of the host on all results: list, show, erase, find outliers."""

import sys
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from kbapi.cli.api_client import ApiClient
from kbapi.cli.common import (
    REFUSED,
    CommandGroup,
    ListOf,
    answer_of,
    bullet,
    choice_option,
    client_options,
    connected,
    errors_as_messages,
    home_option,
    json_option,
    paragraph,
    print_answer,
    progress_option,
    settings_of,
    show_progress,
)
from kbapi.vocabulary import DOMAINS, ERASURE_REASONS, LIMIT_CONTROLS, SCREENING_STATUSES

if TYPE_CHECKING:
    from kbapi.evidence.outlier_check import OutlierReport
    from kbapi.evidence.pools import OutlierComparison
    from kbapi.storage.answers import StoredOutliers

_DEFAULT_PAGE: Final = 20


def with_key(command: Callable[..., Any]) -> Callable[..., Any]:
    """The command with the options --key, --home, --to and --json."""
    key = click.option(
        "--key",
        envvar="KBAPI_KEY",
        show_envvar=True,
        help="Your access key, needed with --to. The variable is safer: process lists show "
        "options.",
    )
    return key(client_options(command))


yes_option = click.option("--yes", is_flag=True, help="Do it without a question.")
dry_run_option = click.option("--dry-run", is_flag=True, help="Only show what it would touch.")


def bearer(key: str | None) -> dict[str, str]:
    """The header with the access key; none without a key, as for a command on the folder."""
    return {"Authorization": f"Bearer {key}"} if key else {}


def require_yes(preview: str, yes: bool) -> None:
    """Show what a command would touch, and end it unless the person agrees."""
    click.echo(preview, err=True)
    if yes:
        return
    if not sys.stdin.isatty():
        click.echo("Nothing was done. Add --yes to do it without a question.", err=True)
        raise SystemExit(2)
    if not click.confirm("Do it?", err=True):
        raise SystemExit(REFUSED)


def starts_in_lines(answer: dict[str, Any]) -> list[str]:
    """The start before and after a change, a line for each pool."""
    lines = [
        paragraph(
            f"start of {pool_text(one['pool'])}: {_start(one['before'])} -> {_start(one['after'])}",
            "  ",
        )
        for one in answer["starts"]
    ]
    others = answer.get("other_pools")
    return [*lines, *([f"  and of {others} more pools"] if others else [])]


def _start(outcome: dict[str, Any]) -> str:
    if outcome["start"] is None:
        return f"none ({outcome['reason']['code']})"
    return str(outcome["start"]["value_to_enter"])


def pool_text(pool: dict[str, Any]) -> str:
    """A pool in a few words."""
    moved = " with ".join([pool["domain"], *pool["moved_with"]])
    band = "" if pool["clock_band_mhz"] is None else f" from {pool['clock_band_mhz']} MHz"
    return f"{pool['chip']} ({moved}, {pool['control']}{band})"


def page_in_lines(page: dict[str, Any]) -> str:
    """The text of a page of results."""
    lines = [] if page["pool"] is None else [f"Pool: {pool_text(page['pool'])}"]
    contributor = None
    for one in page["submissions"]:
        if one["influence"] is not None and one["contributor"] != contributor:
            contributor = one["contributor"]
            lines.append(paragraph(f"Contributor {contributor}: {_moves(one['influence'])}"))
        lines += _submission(one)
    if page["pools_left_out"]:
        lines.append(f"{page['pools_left_out']} pools were left out. Use --chip for them.")
    if page["next_cursor"]:
        lines.append(f"more: --cursor {page['next_cursor']}")
    return "\n".join(lines) or "No result matches."


def _moves(influence: dict[str, Any]) -> str:
    pool = f"the start of {pool_text(influence['pool'])}"
    many = influence["units"] != 1
    units = f"{'these' if many else 'this'} {influence['units']} unit{'s' if many else ''}"
    if influence["moves_by"] is None:
        return f"without {units}, too few are left for {pool}."
    if not influence["is_exact"]:
        return f"without {units}, {pool} moves by about {influence['moves_by']:g}."
    before, after = (
        "none" if influence[name] is None else f"{influence[name]:g}"
        for name in ("start", "start_without")
    )
    return f"without {units}, {pool} moves from {before} to {after}."


def _submission(one: dict[str, Any]) -> list[str]:
    shared = ", shared by all senders without a token" if one["is_shared"] else ""
    client = f", {one['client']}" if one["client"] else ""
    lines = [
        one["id"],
        paragraph(f"{one['day']}, {one['chip']}{client}", "  "),
        paragraph(f"contributor {one['contributor']}{shared}", "  "),
    ]
    if not one["settings"]:
        lines.append(f"  locks alone: {one['screening']['status']}")
    return lines + [line for setting in one["settings"] for line in _setting(setting)]


def _setting(setting: dict[str, Any]) -> list[str]:
    moved = " with ".join([setting["domain"], *setting["moved_with"]])
    at = "" if setting["clock_mhz"] is None else f" at {setting['clock_mhz']:g} MHz"
    ends = [
        f"{verb} at {setting[name]:g}"
        for name, verb in (("stable_at", "passed"), ("unstable_at", "failed"))
        if setting[name] is not None
    ]
    peers = setting["peers"]
    held = f", {peers['stable']} of {peers['known']} units hold it" if peers else ""
    codes = ", ".join(reason["code"] for reason in setting["reasons"])
    text = f"{setting['ordinal']}: {moved}, {setting['control']}{at}: {', '.join(ends)}{held}"
    return [
        paragraph(text, "  "),
        paragraph(f"{setting['status']}{': ' if codes else ''}{codes}", "     "),
    ]


def whole_in_lines(whole: dict[str, Any]) -> str:
    """The text of one result."""
    lines = _submission(whole["submission"])
    for setting in whole["submission"]["settings"]:
        lines += [bullet(reason["text"]) for reason in setting["reasons"]]
    for setting in whole["history"]:
        for seen in setting["decisions"]:
            decision = f"{seen['day']}: {seen['decision']}, {seen['reason']['code']}"
            lines.append(paragraph(f"{setting['ordinal']}: {decision} ({decided_by(seen)})", "  "))
    for follow_up in whole["follow_ups"]:
        outcome = follow_up["document"]["outcome"]
        lines.append(f"  {follow_up['month']}: {outcome}, {follow_up['status']}")
    return "\n".join(lines)


def decided_by(seen: dict[str, Any]) -> str:
    """Who made a decision, by the number and the name of the key."""
    if seen["key"] is None:
        return "on the host's folder"
    return f"key {seen['key']}, {seen['key_name'] or 'without a name'}"


def contributor_in_lines(contributor: dict[str, Any]) -> str:
    """The text of one contributor."""
    shared = ", shared by all senders without a token" if contributor["is_shared"] else ""
    since = f"{contributor['results']} results since {contributor['first_seen']}"
    lines = [paragraph(f"Contributor {contributor['contributor']}{shared}: {since}")]
    for one in contributor["pools"]:
        lines.append(paragraph(f"{pool_text(one['pool'])}: {one['units']} units", "  "))
        counts = (f"{one[name]} {name}" for name in ("counted", "unverified", "excluded"))
        lines.append(f"    settings: {', '.join(counts)}")
        if one["deeper_than"] is not None:
            share = f"{100 * one['deeper_than']:.0f} %"
            lines.append(f"    the middle unit lies deeper than {share} of the others")
        if one["influence"] is not None:
            lines.append(paragraph(_moves(one["influence"]), "    "))
    if contributor["other_pools"]:
        lines.append(f"  and {contributor['other_pools']} more pools")
    return "\n".join(lines)


def erased_in_lines(erased: dict[str, Any]) -> str:
    """The text of an erasure."""
    shared = ", which all senders without a token share" if erased["is_shared"] else ""
    was = "was" if erased["results"] == 1 else "were"
    verb = "would be" if erased["dry_run"] else was
    count = "1 result" if erased["results"] == 1 else f"{erased['results']} results"
    results = f"{count} of contributor {erased['contributor']}{shared}"
    lines = [paragraph(f"{results} {verb} erased."), *(f"  {one}" for one in erased["ids"])]
    text = "Nothing is deleted yet." if erased["dry_run"] else erased["text"]
    left = erased["results"] - len(erased["ids"])
    lines += [f"  and {left} more"] if left else []
    return "\n".join([*lines, *starts_in_lines(erased), paragraph(text)])


@click.group("submissions", cls=CommandGroup)
def submissions_commands() -> None:
    """List all results, show one, or erase results."""


@submissions_commands.command("list")
@choice_option(
    "--order",
    of=("newest", "deepest", "shallowest", "influence"),
    about="Order; newest unless given.",
)
@click.option("--chip", help="Show only this chip, by any of its names.")
@choice_option(
    "--domain", of=DOMAINS, about="With deepest or shallowest: the pool with this domain."
)
@choice_option(
    "--control", of=LIMIT_CONTROLS, about="With deepest or shallowest: the pool of this control."
)
@click.option(
    "--moved-with",
    type=ListOf(DOMAINS),
    help="With deepest or shallowest: domains that moved together.",
)
@choice_option("--status", of=SCREENING_STATUSES, about="Show only results with this status.")
@click.option("--code", help="Show only results with this reason, such as outlier_deep.")
@click.option("--contributor", type=int, help="Show only this contributor, by number.")
@click.option("--client", help="Show only results that this script sent.")
@click.option("--first-day", help="Show only results from this day on, such as 2026-09-01.")
@click.option("--last-day", help="Show only results up to this day.")
@click.option("--limit", type=click.IntRange(1, 100), help="Results to show.  [default: 20]")
@click.option("--cursor", help="Continue from the cursor that the previous page printed.")
@with_key
def list_command(key: str | None, home: Path, url: str | None, as_json: bool, **asked: Any) -> None:
    """List results, the newest first.

    The order influence shows first whose results move a start most.
    """
    query = {name: str(value) for name, value in asked.items() if value is not None}
    with connected(home, url) as api_client:
        page = _page(api_client, query, bearer(key))
    print_answer(page, as_json, page_in_lines)


def _page(api_client: ApiClient, query: dict[str, str], headers: dict[str, str]) -> dict[str, Any]:
    """As many results as wanted; the pages of a filtered list may be short."""
    wanted = int(query.get("limit", _DEFAULT_PAGE))
    found: list[Any] = []
    while True:
        asked = query | {"limit": str(wanted - len(found))}
        reply = api_client.request("GET", "/v1/submissions", query=asked, headers=headers)
        page: dict[str, Any] = answer_of(reply)
        found += page["submissions"]
        if page["next_cursor"] is None or len(found) == wanted:
            return page | {"submissions": found}
        query = query | {"cursor": page["next_cursor"]}


@submissions_commands.command("show")
@click.argument("submission_id", metavar="[ID]", required=False)
@click.option("--contributor", type=int, help="Show this contributor instead, by number.")
@with_key
def show_command(
    submission_id: str | None,
    contributor: int | None,
    key: str | None,
    home: Path,
    url: str | None,
    as_json: bool,
) -> None:
    """Show the result ID, or what a contributor sent."""
    path = _path_of(submission_id, contributor)
    with connected(home, url) as api_client:
        answer = answer_of(api_client.request("GET", path, headers=bearer(key)))
    print_answer(answer, as_json, whole_in_lines if submission_id else contributor_in_lines)


def _path_of(submission_id: str | None, contributor: int | None) -> str:
    if (submission_id is None) == (contributor is None):
        raise click.UsageError("Name one result by its ID, or give --contributor NUMBER.")
    if submission_id and "/" in submission_id:
        raise click.UsageError(f"{submission_id} is a setting. Write the ID before the '/'.")
    return f"/v1/review/{submission_id}" if submission_id else f"/v1/contributors/{contributor}"


@submissions_commands.command("erase")
@click.argument("submission_id", metavar="[ID]", required=False)
@click.option("--contributor", type=int, help="Erase all results of this contributor, by number.")
@choice_option("--reason", of=ERASURE_REASONS, about="Reason; it is kept.", required=True)
@yes_option
@dry_run_option
@with_key
def erase_command(
    submission_id: str | None,
    contributor: int | None,
    reason: str,
    yes: bool,
    dry_run: bool,
    key: str | None,
    home: Path,
    url: str | None,
    as_json: bool,
) -> None:
    """Erase the result ID, or all results of a contributor.

    They are overwritten in the database. Older backups still contain them.
    The command first shows what it would erase.
    """
    path, query = _path_of(submission_id, contributor), {"reason": reason}
    with connected(home, url) as api_client:

        def erase(**more: str) -> Any:
            return answer_of(
                api_client.request("DELETE", path, query=query | more, headers=bearer(key))
            )

        answer = erase(dry_run="true")
        if not dry_run:
            require_yes(erased_in_lines(answer), yes)
            answer = erase(confirm=answer["confirm"])
    print_answer(answer, as_json, erased_in_lines)


_WHY = {
    "outlier_deep": "outliers on the deep side",
}


@click.command("find-outliers")
@click.option(
    "--apply", "keep", is_flag=True, help="Store the findings; without it, only show them."
)
@progress_option
@json_option
@home_option
def find_outliers_command(keep: bool, shows_progress: bool, as_json: bool, home: Path) -> None:
    """Check all pools for outliers, and show what changed.

    Every answer checks its own pool. With --apply, senders and curators
    also see the outliers and the contributors that differ from their pool.
    """
    from kbapi.instance.instance import open_instance
    from kbapi.intake.rescreen import find_outliers
    from kbapi.storage.pools import load_all_pools

    with errors_as_messages():
        instance = open_instance(settings_of(home))
        with instance.reading() as connection:
            pools = [pool for pool in load_all_pools(connection) if pool.units]
        found = [
            compared
            for pool in show_progress(pools, len(pools), "Checking pools", shows_progress)
            if (compared := find_outliers(instance, pool, keep=keep)) is not None
        ]
        instance.close()
    changed = [compared for compared in found if compared.has_changed]
    if as_json:
        shown = {"pools": len(found), "is_applied": keep, "changed": list(map(_changed, changed))}
        print_answer(shown, as_json, str)
        return
    for compared in changed:
        click.echo("\n".join(_in_lines(compared)))
    done = (
        "The findings are stored."
        if keep
        else "Nothing was stored; store the findings with --apply."
    )
    click.echo(f"{len(changed):,} of {len(found):,} pools changed. {done}")


def _changed(compared: "OutlierComparison") -> dict[str, Any]:
    """A pool whose outliers changed, as JSON."""
    key, now, before = compared.pool.key, set(compared.now.units), set(compared.before.units)
    differing = set(compared.now.differing), set(compared.before.differing)
    return {
        "chip": compared.pool.chip_key,
        "domains": key.domains,
        "control": key.control,
        "clock_band_mhz": key.clock_band_mhz,
        "units": compared.pool.units,
        "units_excluded": Counter(unit.code for unit in now - before),
        "units_included": Counter(unit.code for unit in before - now),
        "contributors_excluded": len(differing[0] - differing[1]),
        "contributors_included": len(differing[1] - differing[0]),
    }


def _in_lines(compared: "OutlierComparison") -> Iterator[str]:
    key = compared.pool.key
    band = f" from {key.clock_band_mhz} MHz" if key.clock_band_mhz else ""
    yield f"{compared.pool.chip_key}, {key.domains}, {key.control}{band}:"
    yield paragraph(_cutoff_text(compared.outlier_report), "    ")
    yield from _changes(compared, "Excluded now", compared.now, compared.before)
    yield from _changes(compared, "Counted again", compared.before, compared.now)


def _changes(
    compared: "OutlierComparison", verb: str, one: "StoredOutliers", other: "StoredOutliers"
) -> Iterator[str]:
    codes = Counter(unit.code for unit in set(one.units) - set(other.units))
    for code, number in sorted(codes.items()):
        yield paragraph(f"{verb}: {number:,} units that are {_WHY[code]}.", "    ")
    contributors = len(set(one.differing) - set(other.differing))
    if contributors:
        yield paragraph(
            f"{verb}: the units of {contributors:,} contributors, which are deeper as a group than "
            f"the other units of the pool ({compared.pool.units:,} in all).",
            "    ",
        )


def _cutoff_text(found: "OutlierReport") -> str:
    if found.deepest_steps is None:
        cutoff = "No outlier cutoff: too few units with a pass and a failure, or too many outliers"
    else:
        cutoff = f"Outlier cutoff: step {found.deepest_steps}"
    if found.is_young:
        return f"{cutoff}. No contributor is established: new contributors count in full."
    kept = 100 * found.newcomer_factor
    return f"{cutoff}. New contributors keep {kept:.0f} % of their weight."
