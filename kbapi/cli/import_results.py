"""Commands that import results and find outliers."""

from collections import Counter
from collections.abc import Iterable, Iterator
from itertools import chain
from pathlib import Path
from random import Random
from typing import Any

import click
import orjson

from kbapi.cli.api_client import ApiClient
from kbapi.cli.common import (
    REFUSED,
    answer_of,
    client_options,
    connected,
    errors_as_messages,
    home_option,
    paragraph,
    print_answer,
    settings_of,
    show_progress,
)
from kbapi.demo.attackers import attacker_documents
from kbapi.demo.members import bundled_club
from kbapi.demo.results import as_batches, club_documents
from kbapi.evidence.outlier_check import OutlierReport
from kbapi.evidence.pools import OutlierComparison
from kbapi.instance.instance import open_instance
from kbapi.intake.rescreen import find_outliers
from kbapi.storage.outliers import StoredOutliers
from kbapi.storage.pools import load_all_pools

_WHY = {
    "outlier_deep": "outliers on the deep side",
    "outlier_shallow": "outliers on the shallow side",
}


@click.command("find-outliers")
@home_option
@click.option(
    "--apply", "keep", is_flag=True, help="Store the findings; without it, only show them."
)
def find_outliers_command(home: Path, keep: bool) -> None:
    """Check all pools for outliers, and show what changed.

    Every answer checks its own pool. With --apply, senders and curators
    also see the outliers and the contributors that differ from their pool.
    """
    with errors_as_messages():
        instance = open_instance(settings_of(home))
        with instance.reading() as connection:
            pools = [pool for pool in load_all_pools(connection) if pool.units]
        found = [
            compared
            for pool in show_progress(pools, len(pools), "Checking pools")
            if (compared := find_outliers(instance, pool, keep=keep)) is not None
        ]
        instance.close()
    changed = [compared for compared in found if compared.has_changed]
    for compared in changed:
        click.echo("\n".join(_in_lines(compared)))
    done = (
        "The findings are stored."
        if keep
        else "Nothing was stored; store the findings with --apply."
    )
    click.echo(f"{len(changed):,} of {len(found):,} pools changed. {done}")


def _in_lines(compared: OutlierComparison) -> Iterator[str]:
    key = compared.pool.key
    band = f" from {key.clock_band_mhz} MHz" if key.clock_band_mhz else ""
    yield f"{compared.pool.chip_key}, {key.domains}, {key.control}{band}:"
    yield paragraph(_cutoffs_text(compared.outlier_report), "    ")
    yield from _changes(compared, "Excluded now", compared.now, compared.before)
    yield from _changes(compared, "Counted again", compared.before, compared.now)


def _changes(
    compared: OutlierComparison, verb: str, one: StoredOutliers, other: StoredOutliers
) -> Iterator[str]:
    codes = Counter(unit.code for unit in set(one.units) - set(other.units))
    for code, number in sorted(codes.items()):
        yield paragraph(f"{verb}: {number:,} units that are {_WHY[code]}.", "    ")
    contributors = len(set(one.differing) - set(other.differing))
    if contributors:
        yield paragraph(
            f"{verb}: the units of {contributors:,} contributors, which differ as a group from the "
            f"other units of the pool ({compared.pool.units:,} in all).",
            "    ",
        )


def _cutoffs_text(found: OutlierReport) -> str:
    if found.cutoffs.deepest_steps is None:
        cutoffs = (
            "No outlier cutoffs: too few units with a pass and a failure, or too many outliers"
        )
    else:
        shallow = max(found.cutoffs.shallowest_steps or 0, 0)
        cutoffs = f"Outlier cutoffs: steps {shallow} to {found.cutoffs.deepest_steps}"
    if found.is_young:
        return f"{cutoffs}. The pool is young: new contributors count in full."
    kept = 100 * found.newcomer_factor
    return f"{cutoffs}. New contributors keep {kept:.0f} % of their weight."


@click.command("import")
@click.argument("files", nargs=-1, type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option(
    "--club",
    type=click.IntRange(0, 1_000_000),
    default=0,
    help="Number of invented results to send.",
)
@click.option(
    "--attackers",
    type=click.IntRange(0, 1_000_000),
    default=0,
    help="Number of invented false results to send.",
)
@click.option(
    "--seed", type=int, default=6, show_default=True, help="Seed of the invented results."
)
@client_options
def import_command(
    files: tuple[Path, ...],
    club: int,
    attackers: int,
    seed: int,
    home: Path,
    url: str | None,
    as_json: bool,
) -> None:
    """Send many results from FILES.

    Each line of FILES is one JSON document. --club and --attackers send
    invented results instead. Refused results are counted by reason; the
    others are stored.
    """
    if not files and not club and not attackers:
        raise click.UsageError("Give FILES, --club N or --attackers N.")
    rng = Random(seed)  # noqa: S311 - synthetic data, no secret
    lines = [line for file in files for line in file.read_bytes().splitlines() if line.strip()]
    documents = chain(lines, _invented(rng, club, attackers))
    total = len(lines) + club + attackers
    with connected(home, url) as api_client:
        counts, reasons = _send(api_client, show_progress(documents, total, "Sending"))
    summary = {"counts": dict(counts), "refused_for": dict(reasons.most_common(10))}
    print_answer(summary, as_json, _summary_lines)
    if counts["stored"] == 0:
        raise SystemExit(REFUSED)


def _invented(rng: Random, results: int, false_results: int) -> Iterator[bytes]:
    if results or false_results:
        club = bundled_club()
        yield from map(orjson.dumps, club_documents(results, rng, club))
        yield from map(orjson.dumps, attacker_documents(false_results, rng, club))


def _send(api_client: ApiClient, lines: Iterable[bytes]) -> tuple[Counter[str], Counter[str]]:
    counts: Counter[str] = Counter()
    reasons: Counter[str] = Counter()
    for batch in as_batches(lines):
        left = batch
        while left:
            left = _send_batch(api_client, left, counts, reasons)
    return counts, reasons


def _send_batch(
    api_client: ApiClient, batch: list[bytes], counts: Counter[str], reasons: Counter[str]
) -> list[bytes]:
    """The lines that were not tried for lack of time: each answer has tried one line at least.

    Raises
    ------
    KbapiError
        When the server cannot store more.
    """
    reply = api_client.request(
        "POST",
        "/v1/submissions/batch",
        body=b"\n".join(batch),
        headers={"Content-Type": "application/x-ndjson"},
    )
    if reply.status == 422 and "errors" in reply.value:
        # All items are refused: the pointers of the problems begin with their positions.
        counts += Counter(items=len(batch), refused=len(batch))
        reasons += Counter(problem["code"] for problem in reply.value["errors"])
        return []
    answer = answer_of(reply)
    not_tried = answer["counts"].pop("not_tried")
    answer["counts"]["items"] -= not_tried
    counts += Counter(answer["counts"])
    reasons += Counter(_codes(answer["not_counted"]))
    return batch[len(batch) - not_tried :]


def _codes(not_counted: list[dict[str, Any]]) -> Iterator[str]:
    for item in not_counted:
        for problem in item["errors"]:
            yield problem["code"]


def _summary_lines(summary: dict[str, Any]) -> str:
    lines = [f"{name}: {number:,}" for name, number in summary["counts"].items()]
    lines += [f"  refused, {code}: {number:,}" for code, number in summary["refused_for"].items()]
    return "\n".join(lines)
