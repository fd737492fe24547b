"""Commands that import results and find outliers."""

from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from itertools import chain
from pathlib import Path
from random import Random
from typing import Any, Final

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
    server_of,
    settings_of,
    show_progress,
)
from kbapi.cli.sender_file import SenderFile, sender_option
from kbapi.cli.sending import machine_of, object_in, with_fields
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
    yield paragraph(_cutoff_text(compared.outlier_report), "    ")
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
            f"{verb}: the units of {contributors:,} contributors, which are deeper as a group than "
            f"the other units of the pool ({compared.pool.units:,} in all).",
            "    ",
        )


def _cutoff_text(found: OutlierReport) -> str:
    if found.deepest_steps is None:
        cutoff = "No outlier cutoff: too few units with a pass and a failure, or too many outliers"
    else:
        cutoff = f"Outlier cutoff: step {found.deepest_steps}"
    if found.is_young:
        return f"{cutoff}. No contributor is established: new contributors count in full."
    kept = 100 * found.newcomer_factor
    return f"{cutoff}. New contributors keep {kept:.0f} % of their weight."


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
@sender_option
@client_options
def import_command(
    files: tuple[Path, ...],
    club: int,
    attackers: int,
    seed: int,
    sender_path: Path,
    home: Path,
    url: str | None,
    as_json: bool,
) -> None:
    """Send many results from FILES.

    Each line of FILES is one JSON document. A document without tokens gets
    yours: the same chip in the same machine is one unit. Receipts are saved
    in your file. The status is 1 if a line was refused; the others are
    stored. --club and --attackers send invented results instead.
    """
    if not files and not club and not attackers:
        raise click.UsageError("Give FILES, --club N or --attackers N.")
    rng = Random(seed)  # noqa: S311 - synthetic data, no secret
    lines = [line for file in files for line in _lines_of(file)]
    total = len(lines) + club + attackers
    with connected(home, url) as api_client:
        sending = _Import(api_client, SenderFile(sender_path, server_of(home, url)))
        # Before anything is sent: a chip in several unnamed machines is an error.
        sendable = [sending.with_tokens(line) for line in lines]
        documents = chain(sendable, map(_Line, _invented(rng, club, attackers)))
        sending.send(show_progress(documents, total, "Sending"))
    print_answer(sending.summary(), as_json, _summary_lines)
    if sending.refused or sending.counts["stored"] == 0:
        raise SystemExit(REFUSED)


@dataclass(frozen=True, slots=True)
class _Line:
    """A document with its place; an invented one has none."""

    body: bytes
    file: str = ""
    number: int = 0
    chip: str = ""

    @property
    def place(self) -> dict[str, Any]:
        return {"file": self.file, "line": self.number}


def _lines_of(file: Path) -> Iterator[_Line]:
    for number, body in enumerate(file.read_bytes().splitlines(), start=1):
        if body.strip():
            yield _Line(body, str(file), number)


def _invented(rng: Random, results: int, false_results: int) -> Iterator[bytes]:
    if results or false_results:
        club = bundled_club()
        yield from map(orjson.dumps, club_documents(results, rng, club))
        yield from map(orjson.dumps, attacker_documents(false_results, rng, club))


class _Import:
    """Lines that are sent in batches, and what became of them."""

    def __init__(self, api_client: ApiClient, own: SenderFile) -> None:
        self.counts: Counter[str] = Counter()
        self.reasons: Counter[str] = Counter()
        self.stored: list[dict[str, Any]] = []
        """The stored lines of the files, each with its receipt."""
        self.refused: list[dict[str, Any]] = []
        """The refused lines of the files, each with its problems."""
        self._api_client, self._own = api_client, own
        self._chips: dict[bytes, str] = {}
        self._tokens: dict[tuple[str, str], dict[str, str]] = {}

    def send(self, lines: Iterable[_Line]) -> None:
        """Send the lines; those that were not tried for lack of time are sent again.

        Raises
        ------
        KbapiError
            When the server cannot store more.
        """
        for batch in as_batches(lines):
            left = batch
            while left:
                left = self._send_batch(left)

    def summary(self) -> dict[str, Any]:
        """The counts, the most frequent reasons of refusals, and each line of the files."""
        return {
            "counts": dict(self.counts),
            "refused_for": dict(self.reasons.most_common(10)),
            "refused": self.refused,
            "stored": self.stored,
            "receipts_in": str(self._own.path) if self.stored else None,
        }

    def with_tokens(self, line: _Line) -> _Line:
        """The line of a file with the sender's tokens, unless it has a contributor token."""
        document = object_in(line.body)
        if not document or not isinstance(document.get("chip"), str):
            return line
        if "contributor_token" in document:
            return replace(line, chip=document["chip"])
        chip = self._chip_of(document, line.body)
        if chip is None:
            return line  # the server refuses it, with its reasons
        tokens = self._tokens_for(chip, machine_of(document))
        missing = {name: tokens[name] for name in tokens if name not in document}
        return replace(line, body=with_fields(line.body, missing), chip=chip)

    def _chip_of(self, document: dict[str, Any], body: bytes) -> str | None:
        """The key of the chip, asked once for each name; None for a document that is refused."""
        platform = document.get("platform")
        form = platform.get("form") if isinstance(platform, dict) else None
        name = orjson.dumps([document["chip"], document.get("chip_ids"), form])
        if name not in self._chips:
            path, query = "/v1/submissions", {"dry_run": "true"}
            reply = self._api_client.request("POST", path, query=query, body=body)
            if reply.is_refusal:
                return None
            self._chips[name] = reply.value["chip"]["key"]
        return self._chips[name]

    def _tokens_for(self, chip: str, machine: str) -> dict[str, str]:
        if (chip, machine) not in self._tokens:
            self._tokens[chip, machine] = self._own.tokens_for(chip, machine)
        return self._tokens[chip, machine]

    def _send_batch(self, batch: list[_Line]) -> list[_Line]:
        """The lines that were not tried: each answer has tried one at least."""
        reply = self._api_client.request(
            "POST",
            "/v1/submissions/batch",
            body=b"\n".join(line.body for line in batch),
            headers={"Content-Type": "application/x-ndjson"},
        )
        if reply.status == 422 and "errors" in reply.value:
            self._add_refused(batch, reply.value["errors"])
            return []
        answer = answer_of(reply)
        not_tried = answer["counts"].pop("not_tried")
        answer["counts"]["items"] -= not_tried
        self.counts += Counter(answer["counts"])
        for item in answer["not_counted"]:
            self._list_refused(batch[item["index"]], item["status"], item["errors"])
        self._list_stored(batch, answer["items"])
        return batch[len(batch) - not_tried :]

    def _add_refused(self, batch: list[_Line], problems: list[dict[str, Any]]) -> None:
        """List a batch of which all items are refused: the pointers begin with their positions."""
        self.counts += Counter(items=len(batch), refused=len(batch))
        for place, line in enumerate(batch):
            at = f"/{place}"
            errors = [
                one | {"pointer": one["pointer"].removeprefix(at)}
                for one in problems
                if f"{one['pointer']}/".startswith(f"{at}/")
            ]
            self._list_refused(line, "refused", errors)

    def _list_refused(self, line: _Line, status: str, errors: list[dict[str, Any]]) -> None:
        self.reasons += Counter(one["code"] for one in errors)
        if line.file and status == "refused":
            self.refused.append(line.place | {"errors": errors})

    def _list_stored(self, batch: list[_Line], items: list[dict[str, Any]]) -> None:
        stored = [
            (batch[item["index"]], item)
            for item in items
            if item["receipt"] is not None and batch[item["index"]].file
        ]
        for line, item in stored:
            shown = {name: item[name] for name in ("id", "receipt", "status")}
            self.stored.append(line.place | shown)
        # After the answer is listed: a full disk must not lose it.
        self._own.save_receipts({item["id"]: (item["receipt"], line.chip) for line, item in stored})


_LINES_SHOWN: Final = 20


def _summary_lines(summary: dict[str, Any]) -> str:
    lines = [_refused_text(one) for one in summary["refused"][:_LINES_SHOWN]]
    for one in summary["stored"][:_LINES_SHOWN]:
        lines += [f"{_place_text(one)}: {one['status']}, {one['id']}", f"    {one['receipt']}"]
    if max(len(summary["refused"]), len(summary["stored"])) > _LINES_SHOWN:
        lines.append(f"The first {_LINES_SHOWN} lines are shown; --json lists all.")
    lines += [f"{name}: {number:,}" for name, number in summary["counts"].items()]
    lines += [f"  refused, {code}: {number:,}" for code, number in summary["refused_for"].items()]
    if summary["receipts_in"]:
        lines.append(paragraph(f"The receipts are saved in {summary['receipts_in']}."))
    return "\n".join(lines)


def _place_text(one: dict[str, Any]) -> str:
    return f"{Path(one['file']).name}, line {one['line']}"


def _refused_text(one: dict[str, Any]) -> str:
    problems = [
        paragraph(f"{fault['pointer']}: {fault['detail']} [{fault['code']}]".lstrip(": "), "    ")
        for fault in one["errors"]
    ]
    return "\n".join([f"{_place_text(one)}: refused", *problems])
