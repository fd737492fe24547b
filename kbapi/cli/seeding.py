"""`kbapi import`: many results from files, or the invented club's, into an instance."""

from collections import Counter
from collections.abc import Iterable, Iterator
from itertools import chain
from pathlib import Path
from random import Random
from typing import Any

import click
import orjson

from kbapi.cli.common import REFUSED, answer_of, asking, asks, tell
from kbapi.cli.door import Door
from kbapi.cli.progress import told_progress
from kbapi.exchange.club.attackers import attacker_documents
from kbapi.exchange.club.results import club_documents
from kbapi.exchange.in_batches import as_batches


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
@asks
def seed_command(
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
    documents = chain(
        lines,
        map(orjson.dumps, club_documents(club, rng)),
        map(orjson.dumps, attacker_documents(attackers, rng)),
    )
    total = len(lines) + club + attackers
    with asking(home, url) as door:
        counts, reasons = _send(door, told_progress(documents, total, "Sending"))
    told = {"counts": dict(counts), "refused_for": dict(reasons.most_common(10))}
    tell(told, as_json, _in_lines)
    if counts["stored"] == 0:
        raise SystemExit(REFUSED)


def _send(door: Door, lines: Iterable[bytes]) -> tuple[Counter[str], Counter[str]]:
    counts: Counter[str] = Counter()
    reasons: Counter[str] = Counter()
    for batch in as_batches(lines):
        reply = door.ask(
            "POST",
            "/v1/submissions/batch",
            body=b"\n".join(batch),
            headers={"Content-Type": "application/x-ndjson"},
        )
        if reply.status == 422:
            # None of them can be right: the problems' pointers begin with their places.
            counts += Counter(items=len(batch), refused=len(batch))
            reasons += Counter(problem["code"] for problem in reply.value.get("errors", []))
            continue
        told = answer_of(reply)
        counts += Counter(told["counts"])
        reasons += Counter(_codes(told["not_counted"]))
    return counts, reasons


def _codes(not_counted: list[dict[str, Any]]) -> Iterator[str]:
    for item in not_counted:
        for problem in item["errors"]:
            yield problem["code"]


def _in_lines(told: dict[str, Any]) -> str:
    lines = [f"{name}: {number:,}" for name, number in told["counts"].items()]
    lines += [f"  refused, {code}: {number:,}" for code, number in told["refused_for"].items()]
    return "\n".join(lines)
