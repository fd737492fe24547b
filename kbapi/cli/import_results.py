"""`kbapi import`: results of files; each is checked first, and sent through the outbox."""

import hashlib
import json
import sys
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from itertools import chain, islice
from pathlib import Path
from typing import Any, Final

import click
import orjson

from kbapi.cli import lines
from kbapi.cli.api_client import Reply
from kbapi.cli.common import (
    COULD_NOT,
    REFUSED,
    ShowProgress,
    answer_of,
    client_options,
    connected,
    paragraph,
    print_answer,
    progress_option,
    progress_shown,
    server_of,
)
from kbapi.cli.sender_file import SenderFile, save_private_file, send_waiting, sender_option
from kbapi.cli.sending import machine_of, object_in, with_fields
from kbapi.client.kbapi_client import Client, Refused, new_token
from kbapi.client.kbapi_client import Reply as ClientReply
from kbapi.errors import JsonUnreadable

_BATCH: Final = "/v1/submissions/batch"
_NDJSON: Final = {"Content-Type": "application/x-ndjson"}
_CHECKED_AT_ONCE: Final = 100
_SENT_AT_ONCE: Final = 500
_ALL_REFUSED: Final = 422
_WAITING: Final = "waiting"


@click.command("import")
@click.argument("files", nargs=-1, type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--dry-run", is_flag=True, help="Only check FILES; nothing is stored.")
@click.option("--yes", is_flag=True, help="Send without a question on a terminal.")
@click.option(
    "--receipts",
    "receipts_to",
    type=click.Path(dir_okay=False, path_type=Path),
    help="Also write the receipt of each line to this file.",
)
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
@progress_option
@sender_option
@client_options
def import_command(
    files: tuple[Path, ...],
    sender_path: Path,
    home: Path,
    url: str | None,
    as_json: bool,
    shows_progress: bool,
    **wanted: Any,
) -> None:
    """Send many results from FILES.

    A file has one JSON document on each line, or is a JSON list. A dry run
    shows each line first. A document without tokens gets yours: the same
    chip in the same machine is one unit. The same file sent again adds
    nothing. The status is 1 if a line was refused; the others are stored.
    """
    if not files and not wanted["club"] and not wanted["attackers"]:
        raise click.UsageError("Give FILES, --club N or --attackers N.")
    own = SenderFile(sender_path, server_of(home, url))
    with connected(home, url) as api_client:
        rows = [row for file in files for row in rows_of(file)]
        with (
            own.client(api_client, is_patient=True) as client,
            progress_shown(shows_progress) as progress,
        ):
            running = _Import(client, rows, progress, is_silent=as_json)
            is_sent = running.run(wanted["dry_run"], wanted["yes"], wanted["receipts_to"])
            if is_sent:
                running.send_invented(wanted["club"], wanted["attackers"], wanted["seed"])
    print_answer(running.summary(own.path, is_sent=is_sent), as_json, lines.imported_in_lines)
    running.leave(is_sent=is_sent)


@dataclass(slots=True)
class Row:
    """A document of a file with its place, and what became of it."""

    body: bytes
    file: str
    line: int
    chip: str = ""
    status: str = ""
    """As in an answer to a batch; `waiting` in the outbox."""
    code: str = ""
    """Of the first reason why it does not count."""
    errors: list[dict[str, Any]] = field(default_factory=list)
    id: str | None = None
    receipt: str | None = None

    @property
    def place(self) -> dict[str, Any]:
        """The file and the line, as JSON output has them."""
        return {"file": self.file, "line": self.line}

    def take(self, outcome: dict[str, Any]) -> None:
        """Nothing; keeps an outcome of a batch."""
        self.status, self.errors = outcome["status"], outcome.get("errors", [])
        self.id, self.receipt = outcome["id"], outcome["receipt"]


def rows_of(file: Path) -> Iterator[Row]:
    """The documents of a file: the items of a JSON list, one object, or one on each line.

    Raises
    ------
    JsonUnreadable
        When a list is no JSON, with its file and line.
    """
    body = file.read_bytes().removeprefix(b"\xef\xbb\xbf")
    if body.lstrip().startswith(b"["):
        yield from _items_of(body, str(file))
    elif (document := _only_object(body)) is not None:
        before = body[: len(body) - len(body.lstrip())]
        yield Row(_on_one_line(document), str(file), 1 + before.count(b"\n"))
    else:
        for number, line in enumerate(body.splitlines(), start=1):
            if line.strip():
                yield Row(line, str(file), number)


def _only_object(body: bytes) -> bytes | None:
    """The text of the object that is all of a file; None for other files."""
    with suppress(ValueError, RecursionError):
        return body if isinstance(json.loads(body), dict) else None
    return None


def _items_of(body: bytes, file: str) -> Iterator[Row]:
    try:
        text = body.decode("utf-8")
        json.loads(text)
    except (ValueError, RecursionError) as error:
        raise JsonUnreadable(f"{file} is not JSON: {error}.") from error
    decoder, line, counted = json.JSONDecoder(), 1, 0
    at = _after_space(text, text.index("[") + 1)
    while text[at] != "]":
        line, counted = line + text.count("\n", counted, at), at
        _, end = decoder.raw_decode(text, at)
        yield Row(_on_one_line(text[at:end].encode()), file, line)
        at = _after_space(text, end)
        at = _after_space(text, at + 1) if text[at] == "," else at


def _after_space(text: str, at: int) -> int:
    while text[at : at + 1].isspace():
        at += 1
    return at


def _on_one_line(text: bytes) -> bytes:
    # JSON has line breaks between its values only.
    return text.replace(b"\r", b" ").replace(b"\n", b" ")


class _Import:
    """Rows that are checked, shown and sent."""

    def __init__(
        self, client: Client, rows: Sequence[Row], progress: ShowProgress, *, is_silent: bool
    ) -> None:
        self._client, self._rows, self._progress = client, rows, progress
        self._is_silent = is_silent
        self._invented: Counter[str] = Counter()
        self._chips: dict[bytes, str] = {}
        self._tokens: dict[tuple[str, str], dict[str, str]] = {}

    def run(self, dry_run: bool, yes: bool, receipts_to: Path | None) -> bool:
        """Whether the rows were sent that can be stored, once all are checked."""
        if not dry_run:
            send_waiting(self._client)
        for number, row in enumerate(self._rows, start=1):
            self._add_tokens(row)
            self._progress("Preparing", number, len(self._rows))
        self._check_all()
        left = [row for row in self._rows if row.status != "refused"]
        if dry_run or not (yes or self._is_silent or _agrees(len(left))):
            return False
        try:
            self._send(left)
        finally:
            if receipts_to is not None:
                self._write_receipts(receipts_to)
        return True

    def _add_tokens(self, row: Row) -> None:
        """Add the tokens that a document lacks; a second run must find its results again."""
        document = object_in(row.body)
        if not document or not isinstance(document.get("chip"), str):
            return
        row.chip = document["chip"]
        if any(name in document and document[name] is None for name in _TOKENS):
            document = {name: value for name, value in document.items() if value is not None}
            row.body = orjson.dumps(document)
        if "contributor_token" not in document:
            tokens = self._tokens_of(document)
        elif "unit_token" not in document:
            # The instance takes each different document as a machine of its own.
            text = orjson.dumps(document, option=orjson.OPT_SORT_KEYS)
            tokens = {"unit_token": hashlib.sha256(text).hexdigest()[:_TOKEN_LETTERS]}
        else:
            return
        missing = {name: token for name, token in tokens.items() if name not in document}
        row.body = with_fields(row.body, missing) if missing else row.body

    def _tokens_of(self, document: dict[str, Any]) -> dict[str, str]:
        """The sender's tokens; none for a document that is refused."""
        platform, machine = document.get("platform"), machine_of(document)
        form = platform.get("form") if isinstance(platform, dict) else None
        # With the machine: its name is saved only after the instance took it.
        name = orjson.dumps([document["chip"], document.get("chip_ids"), form, machine])
        if name not in self._chips:
            try:
                self._chips[name] = self._client.try_out(document)["chip"]["key"]
            except Refused as refusal:
                if not ClientReply(refusal.status, {}, refusal.problem).refuses_document:
                    answer_of(Reply(refusal.status, refusal.problem))
                return {}
        of = self._chips[name], machine
        if of not in self._tokens:
            self._tokens[of] = self._client.sender.tokens_for(*of)
        return self._tokens[of]

    def _check_all(self) -> None:
        """Set what would become of each row, and print it."""
        file = ""
        for begin in range(0, len(self._rows), _CHECKED_AT_ONCE):
            rows = self._rows[begin : begin + _CHECKED_AT_ONCE]
            self._check(rows)
            if self._is_silent:
                self._progress("Checking", begin + len(rows), len(self._rows))
                continue
            for row in rows:
                if row.file != file:
                    file = row.file
                    click.echo(f"{Path(file).name}\n{lines.IMPORT_HEADING}")
                click.echo(lines.imported_row_in_lines(row))

    def _check(self, rows: Sequence[Row]) -> None:
        while rows:
            body = b"\n".join(row.body for row in rows)
            reply = self._client.request_until_answered(
                "POST", f"{_BATCH}?dry_run=true", body, _NDJSON
            )
            if reply.refuses_document:
                unlisted = _refuse_all(rows, reply.value)
                # As with a line that is larger than a whole batch may be.
                if len(unlisted) == len(rows):
                    for row in rows:
                        self._check([row])
                    return
                rows = unlisted
                continue
            answer = answer_of(Reply(reply.status, reply.value))
            for row, item in zip(rows, answer["items"], strict=True):
                # The receipt of a dry run may be of a result that is not stored.
                row.take(item | {"id": None, "receipt": None})
            for other in answer["not_counted"]:
                row, reasons = rows[other["index"]], other["errors"] or other["reasons"]
                row.errors, row.code = other["errors"], reasons[0]["code"] if reasons else ""
            rows = [row for row in rows if row.status == "not_tried"]

    def _send(self, rows: Sequence[Row]) -> None:
        """Send rows until none is left or the server does not acknowledge them in time."""
        for row in rows:
            row.status = ""
        for begin in range(0, len(rows), _SENT_AT_ONCE):
            part = rows[begin : begin + _SENT_AT_ONCE]
            outcomes = self._client.batch([json.loads(row.body) for row in part])
            for row, outcome in zip(part, outcomes, strict=True):
                row.take(outcome)
            if any(row.status == _WAITING for row in part):
                return
            self._progress("Sending", begin + len(part), len(rows))

    def _write_receipts(self, to: Path) -> None:
        """Write the receipts of the rows, beside those of other results in the file."""
        stored = [_stored(row) for row in self._rows if row.receipt]
        earlier = _lines_of_others(to, {one["id"] for one in stored})
        own = [orjson.dumps(one).decode() for one in stored]
        save_private_file(to, "\n".join([*earlier, *own, ""]))

    def send_invented(self, club: int, attackers: int, seed: int) -> None:
        """Send results of the invented club in batches; they need no receipts."""
        if not club and not attackers:
            return
        from random import Random

        from kbapi.demo.attackers import attacker_documents
        from kbapi.demo.members import bundled_club
        from kbapi.demo.results import club_documents

        rng, members = Random(seed), bundled_club()  # noqa: S311 - synthetic data, no secret
        documents = chain(
            club_documents(club, rng, members), attacker_documents(attackers, rng, members)
        )
        while batch := list(islice(documents, _SENT_AT_ONCE)):
            headers = _NDJSON | {"Idempotency-Key": new_token()}
            body = b"\n".join(map(orjson.dumps, batch))
            reply = self._client.request_until_answered("POST", _BATCH, body, headers)
            if reply.status == _ALL_REFUSED:
                self._invented += Counter(items=len(batch), refused=len(batch))
            else:
                self._invented += Counter(answer_of(Reply(reply.status, reply.value))["counts"])
            self._progress("Sending", self._invented["items"], club + attackers)

    def summary(self, sender: Path, *, is_sent: bool) -> dict[str, Any]:
        """The counts, the most frequent reasons of refusals, and each line of the files."""
        by_status = Counter(row.status for row in self._rows if row.status not in ("", _WAITING))
        stored = by_status.total() - by_status["refused"] - by_status["withdrawn"]
        counts = Counter(items=len(self._rows), stored=stored) + by_status + self._invented
        refused = [row for row in self._rows if row.status == "refused"]
        kept = [_stored(row) for row in self._rows if row.receipt]
        codes = Counter(one["code"] for row in refused for one in row.errors)
        return {
            "is_sent": is_sent,
            "counts": dict(counts),
            "refused_for": dict(codes.most_common(10)),
            "refused": [row.place | {"errors": row.errors} for row in refused],
            "stored": kept,
            "not_sent": [row.place for row in self._rows if row.status in ("", _WAITING)],
            "receipts_in": str(sender) if kept else None,
        }

    def leave(self, *, is_sent: bool) -> None:
        """Nothing, or the end of the command with the status of what was refused or not sent."""
        waiting = sum(row.status == _WAITING for row in self._rows)
        left = sum(not row.status for row in self._rows)
        if waiting or left:
            click.echo(paragraph(_NOT_SENT.format(waiting, left)), err=True)
            raise SystemExit(COULD_NOT)
        is_refused = any(row.status == "refused" for row in self._rows)
        is_nothing = all(row.status == "refused" for row in self._rows)
        if is_refused or (is_sent and is_nothing and not self._invented["stored"]):
            raise SystemExit(REFUSED)


_TOKENS: Final = ("contributor_token", "unit_token")
_TOKEN_LETTERS: Final = 32
_NOT_SENT: Final = (
    "The server did not acknowledge all lines in time. {0:,} wait in the outbox, {1:,} were not "
    "sent. Run the same command again: nothing is stored twice."
)


def _agrees(number: int) -> bool:
    """Whether the person wants to send; without a terminal the command itself says so."""
    if not number or not sys.stdin.isatty():
        return True
    return click.confirm(f"Send {number:,} results?", default=True, err=True)


def _refuse_all(rows: Sequence[Row], problem: dict[str, Any]) -> Sequence[Row]:
    """The rows to check once more: an answer lists about a hundred problems of a batch.

    Its pointers begin with the places of the rows.
    """
    for row in rows:
        row.take({"status": "refused", "id": None, "receipt": None})
    for fault in problem.get("errors", ()):
        place, _, pointer = fault["pointer"].removeprefix("/").partition("/")
        if place.isdecimal():
            rows[int(place)].errors.append(fault | {"pointer": f"/{pointer}" if pointer else ""})
    if len(rows) == 1 and not rows[0].errors:
        code = problem["type"].rpartition("/")[2]
        rows[0].errors = [{"pointer": "", "code": code, "detail": problem["detail"]}]
    for row in rows:
        row.code = row.errors[0]["code"] if row.errors else ""
    return [row for row in rows if not row.errors]


def _stored(row: Row) -> dict[str, Any]:
    return row.place | {"id": row.id, "receipt": row.receipt, "status": row.status}


def _lines_of_others(file: Path, ids: set[Any]) -> list[str]:
    """The lines of a file of receipts that are about other results."""
    if not file.exists():
        return []
    written = [line for line in file.read_text("utf-8").splitlines() if line.strip()]
    return [line for line in written if (object_in(line.encode()) or {}).get("id") not in ids]
