"""A client of kbapi in one file: asks an instance and sends results, and loses none of them.

Needs Python 3.9 or newer, nothing else. Works on Linux, Windows and macOS.

    from kbapi_client import Client
    client = Client("https://kb.example.org")
    print(client.start(chip="Norvane(R) Sable(TM) 7 4820MX")["summary"])
    client.submit({"chip": "...", "settings": [...]})

A result is written to a folder on this machine first, the outbox, and removed from it only when the
server has acknowledged it. Tokens and receipts are kept in `sender.json`.
Every number that an instance returns comes from reports of other people and is no promise for one
machine. Save your work and back up before you change a voltage.
"""

import argparse
import contextlib
import json
import os
import random
import re
import secrets
import sys
import time
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Callable, Iterable, Iterator, Mapping
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

__version__ = "0.1.0"
__all__ = ["Client", "NotAcknowledged", "Outbox", "Refused", "SenderFile", "Unreachable"]

JSON = dict[str, Any]
_TIMEOUT_S = 30.0
_TRIES = 8
_LONGEST_S = 600.0
_FIRST_PAUSE_S = 0.5
_LONGEST_PAUSE_S = 60.0
_AGAIN = frozenset((408, 425, 429, 500, 502, 503, 504))
"""Statuses after which the same request may be answered later."""
_BATCH = 500
_TOKEN = re.compile(r"[A-Za-z0-9._~-]{16,128}")


class Refused(Exception):
    """The server refused a request; `problem` tells what was wrong, where, and what is right."""

    def __init__(self, status: int, problem: Any) -> None:
        self.status = status
        self.problem = problem if isinstance(problem, dict) else {}
        super().__init__(self._text())

    def _text(self) -> str:
        lines = [str(self.problem.get("detail") or self.problem.get("title") or self.status)]
        for fault in self.problem.get("errors") or ():
            lines.append("  {}: {}".format(fault.get("pointer", ""), fault.get("detail", "")))
            if fault.get("hint"):
                lines.append("    " + str(fault["hint"]))
        return "\n".join(lines)


class Unreachable(Exception):
    """No kbapi answers at the address."""


class NotAcknowledged(Exception):
    """Results wait in the outbox: they were not acknowledged in the given time."""


class Reply:
    """A response: status, headers and JSON value."""

    def __init__(self, status: int, headers: Mapping[str, str], value: Any) -> None:
        self.status = status
        self.headers = headers
        self.value = value

    def checked(self) -> Any:
        """The value.

        Raises
        ------
        Refused
            When the status is 400 or more.
        """
        if self.status >= 400:
            raise Refused(self.status, self.value)
        return self.value

    @property
    def retry_after_s(self) -> float | None:
        """The time to wait that the server names."""
        try:
            return max(0.0, float(self.headers.get("Retry-After", "")))
        except ValueError:
            return None


class _NoRedirect(urllib.request.HTTPRedirectHandler):
    """A key or a receipt goes to no other address than the given one."""

    def redirect_request(self, *_: Any, **__: Any) -> None:
        return None


_OPENER = urllib.request.build_opener(_NoRedirect)


def settings_folder() -> Path:
    """The folder of kbapi in the system's folder for settings."""
    folder = os.environ.get("XDG_CONFIG_HOME") or os.environ.get("APPDATA")
    return (Path(folder) if folder else Path.home() / ".config") / "kbapi"


@contextlib.contextmanager
def _locked(path: Path, wait: bool = True) -> Iterator[bool]:
    """Hold the lock of a file, which is a file of its own; False if another process holds it."""
    path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    descriptor = os.open(str(path) + ".lock", os.O_RDWR | os.O_CREAT, 0o600)
    try:
        yield _take_lock(descriptor, wait)
    finally:
        os.close(descriptor)


def _take_lock(descriptor: int, wait: bool) -> bool:
    try:
        import fcntl
    except ImportError:
        return _take_windows_lock(descriptor, wait)
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | (0 if wait else fcntl.LOCK_NB))
    except BlockingIOError:
        return False
    return True


def _take_windows_lock(descriptor: int, wait: bool) -> bool:
    import msvcrt  # type: ignore[import-not-found, unused-ignore]

    while True:
        try:
            msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined, unused-ignore]
            return True
        except OSError:
            if not wait:
                return False
            time.sleep(0.05)


def _save(path: Path, text: str) -> None:
    """Replace a file, for its owner only; file and folder are on the disk afterwards."""
    path = path.resolve()  # a link stays a link
    path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    draft = path.with_name(f"{path.name}.{secrets.token_hex(4)}.new")
    descriptor = os.open(str(draft), os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    try:
        with os.fdopen(descriptor, "w", encoding="utf-8") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        os.replace(str(draft), str(path))
    except OSError:
        with contextlib.suppress(OSError):
            draft.unlink()
        raise
    _flush_folder(path.parent)


def _flush_folder(folder: Path) -> None:
    """Make names in a folder durable, where the system can: Windows has no call for it."""
    with contextlib.suppress(OSError):
        descriptor = os.open(str(folder), os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)


class SenderFile:
    """`sender.json`: contributor token, unit tokens and receipts, as the other commands keep them.

    Raises
    ------
    ValueError
        From each method, when the file is damaged or of another version; it is never overwritten.
    """

    def __init__(self, path: Path) -> None:
        self.path = path

    def read(self) -> JSON:
        """The content of the file, a new one where there is none."""
        try:
            value = json.loads(self.path.read_text(encoding="utf-8"))
        except FileNotFoundError:
            return {
                "version": 1,
                "contributor_token": secrets.token_urlsafe(18),
                "units": [],
                "receipts": {},
            }
        except (OSError, ValueError):
            value = None
        if not isinstance(value, dict) or value.get("version") != 1:
            raise ValueError(
                f"{self.path} cannot be read, or is not a sender's file of version 1. Repair it or move it "
                "away."
            )
        return value

    @contextlib.contextmanager
    def changing(self) -> Iterator[JSON]:
        """The content, which is saved at the end; other processes wait."""
        with _locked(self.path):
            sender = self.read()
            yield sender
            _save(self.path, json.dumps(sender, indent=2) + "\n")

    def tokens_for(self, chip: str, machine: str = "") -> dict[str, str]:
        """The tokens of a result, made at the first use of a chip in a machine, and saved.

        Raises
        ------
        LookupError
            When the chip is in several machines, and none is named.
        """
        with self.changing() as sender:
            unit = _unit_of(sender["units"], chip, machine.strip())
            return {
                "contributor_token": sender["contributor_token"],
                "unit_token": unit["unit_token"],
            }

    def save_receipts(self, receipts: Mapping[str, tuple[str, str]], server: str) -> None:
        """Save receipts by the id of their result, each with the chip."""
        if receipts:
            with self.changing() as sender:
                for submission_id, (receipt, chip) in receipts.items():
                    sender["receipts"][submission_id] = {
                        "receipt": receipt,
                        "chip": chip,
                        "day": date.today().isoformat(),
                        "server": server,
                    }

    def remove_receipt(self, submission_id: str) -> None:
        """Remove the receipt of a result that was withdrawn."""
        with self.changing() as sender:
            sender["receipts"].pop(submission_id, None)


def _unit_of(units: list[JSON], chip: str, machine: str) -> JSON:
    of_chip = [unit for unit in units if unit["chip"] == chip]
    named = [unit for unit in of_chip if unit["machine"].casefold() == machine.casefold()]
    if not named and not machine and len(of_chip) > 1:
        names = ", ".join(unit["machine"] for unit in of_chip)
        raise LookupError(f"You have this chip in several machines. Name one: {names}.")
    if not named:
        named = of_chip if not machine else [unit for unit in of_chip if not unit["machine"]]
    if not named:
        named = [{"chip": chip, "machine": machine, "unit_token": secrets.token_urlsafe(18)}]
        units.append(named[0])
    named[0]["machine"] = named[0]["machine"] or machine
    unit: JSON = named[0]
    return unit


class Outbox:
    """Requests on this disk that a server has not acknowledged yet, one file each."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def add(self, server: str, path: str, documents: list[JSON], machine: str) -> Path:
        """Write a request, with the key that makes its repeats one; it is on the disk afterwards.

        Tokens are added when it is sent first: only the server knows which chip a text names.
        """
        self.folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        moment = datetime.now(UTC).strftime("%Y%m%dT%H%M%S%f")
        item = self.folder / f"{moment}-{secrets.token_hex(4)}.json"
        kept = {
            "version": 1,
            "server": server,
            "path": path,
            "idempotency_key": secrets.token_urlsafe(24),
            "machine": machine,
            "has_tokens": False,
            "documents": documents,
        }
        _save(item, json.dumps(kept))
        return item

    def read(self, item: Path) -> JSON:
        """A request that waits."""
        value: JSON = json.loads(item.read_text(encoding="utf-8"))
        return value

    def save(self, item: Path, kept: JSON) -> None:
        """Replace a request that waits."""
        _save(item, json.dumps(kept))

    def waiting(self) -> list[Path]:
        """The requests that wait, oldest first."""
        try:
            return sorted(one for one in self.folder.glob("*.json") if one.is_file())
        except OSError:
            return []

    def refuse(self, item: Path, problem: Any) -> Path:
        """Move a request that the server refused to the folder `refused`, with the problem."""
        kept = self.read(item)
        kept["problem"] = problem
        refused = self.folder / "refused" / item.name
        _save(refused, json.dumps(kept, indent=2))
        self.remove(item)
        return refused

    def remove(self, item: Path) -> None:
        """Remove a request that was acknowledged."""
        with contextlib.suppress(FileNotFoundError):
            item.unlink()
        _flush_folder(self.folder)
        with contextlib.suppress(OSError):
            Path(str(item) + ".lock").unlink()


class Client:
    """A client of one instance.

    Parameters
    ----------
    url : address of the instance, http:// or https://
    key : access key that the host gave you, where the instance asks for one
    home : folder for `sender.json` and the outbox; kbapi in your settings folder unless given
    tries, longest_s : limits for one request that the server cannot answer yet
    """

    def __init__(
        self,
        url: str,
        key: str | None = None,
        home: str | Path | None = None,
        tries: int = _TRIES,
        longest_s: float = _LONGEST_S,
    ) -> None:
        if not url.startswith(("http://", "https://")):
            raise ValueError(f"{url} is not an address. Begin it with http:// or https://.")
        folder = Path(home) if home is not None else settings_folder()
        self.url = url.rstrip("/")
        self.sender = SenderFile(folder / "sender.json")
        self.outbox = Outbox(folder / "outbox")
        self.tries = tries
        self.longest_s = longest_s
        self._key = key

    # Questions

    def start(self, chip: str, **filters: Any) -> JSON:
        """Where to start on a chip, with confidence and evidence."""
        return self._ask("/v1/start", chip=chip, **filters)

    def stability(self, chip: str, **filters: Any) -> JSON:
        """The share of machines that hold each setting."""
        return self._ask("/v1/stability", chip=chip, **filters)

    def locks(self, chip: str, **filters: Any) -> JSON:
        """How often each control can be used."""
        return self._ask("/v1/locks", chip=chip, **filters)

    def gains(self, chip: str, **filters: Any) -> JSON:
        """What tuning changed."""
        return self._ask("/v1/gains", chip=chip, **filters)

    def power(self, chip: str, **filters: Any) -> JSON:
        """Performance against power, and which limit pays."""
        return self._ask("/v1/power", chip=chip, **filters)

    def longevity(self, chip: str, **filters: Any) -> JSON:
        """The share of settings that are still stable later."""
        return self._ask("/v1/longevity", chip=chip, **filters)

    def identify(self, **printed: Any) -> JSON:
        """The chip that a system's text names."""
        return self._ask("/v1/identify", **printed)

    def next_step(self, document: JSON) -> JSON:
        """The next setting to try after one's own trials; nothing is stored."""
        return self._post("/v1/next-step", document)

    def diagnose(self, document: JSON) -> JSON:
        """Why a setting is no longer stable; nothing is stored."""
        return self._post("/v1/diagnose", document)

    # Results

    def try_out(self, document: JSON) -> JSON:
        """What the instance would say to a result; nothing is stored."""
        return self._post("/v1/submissions?dry_run=true", document)

    def submit(self, document: JSON, machine: str = "") -> JSON:
        """Send a result with your tokens, and return the answer, whose receipt is saved.

        Raises
        ------
        Refused
            When the instance refuses the document; it is kept in the folder `refused`.
        NotAcknowledged
            When the instance did not answer in time; the result waits in the outbox.
        """
        item = self.put_in_outbox(document, machine)
        answer: JSON = self._deliver(item)
        return answer

    def put_in_outbox(self, document: JSON, machine: str = "") -> Path:
        """Write a result to the outbox, without sending it.

        It needs no connection; `send_outbox` sends it later.
        """
        return self.outbox.add(self.url, "/v1/submissions", [document], machine)

    def batch(self, documents: Iterable[JSON]) -> Iterator[JSON]:
        """Send results in batches; returns the outcome of each in order.

        An item has `status` stored, refused, withdrawn or not_tried, as the data format says.
        """
        waiting: list[JSON] = []
        for document in documents:
            waiting.append(document)
            if len(waiting) == _BATCH:
                yield from self._send_batch(waiting)
                waiting = []
        if waiting:
            yield from self._send_batch(waiting)

    def follow_up(self, submission_id: str, document: JSON) -> JSON:
        """Report what became of a setting."""
        return self._post(f"/v1/submissions/{submission_id}/follow-ups", document, submission_id)

    def result(self, submission_id: str) -> JSON:
        """One of your results, as it is stored."""
        path = f"/v1/submissions/{submission_id}"
        answer: JSON = self._patiently("GET", path, headers=self._receipt(submission_id)).checked()
        return answer

    def correct(self, submission_id: str, document: JSON) -> JSON:
        """Replace one of your results by a whole document."""
        path = f"/v1/submissions/{submission_id}"
        body = json.dumps(document).encode()
        reply = self._patiently("PUT", path, body, self._receipt(submission_id))
        answer: JSON = reply.checked()
        return answer

    def withdraw(self, submission_id: str) -> None:
        """Withdraw one of your results; older backups of the host still contain it."""
        path = f"/v1/submissions/{submission_id}"
        reply = self._patiently("DELETE", path, headers=self._receipt(submission_id))
        if reply.status < 400 or reply.status == 410:
            self.sender.remove_receipt(submission_id)
        reply.checked()

    def own_results(self) -> list[JSON]:
        """Your results, settings in use and tests that are due."""
        token = self.sender.read()["contributor_token"]
        found: list[JSON] = []
        query = ""
        while True:
            reply = self._patiently(
                "GET", "/v1/my-submissions" + query, headers={"Kbapi-Contributor": token}
            )
            page = reply.checked()
            found += page["submissions"]
            if page["next_cursor"] is None:
                return found
            query = "?" + urllib.parse.urlencode({"cursor": page["next_cursor"]})

    def send_outbox(self) -> list[tuple[Path, Any]]:
        """Send what waits for this instance: each request with its answer or its error.

        What another process sends at this moment is left to it.
        """
        done: list[tuple[Path, Any]] = []
        for item in self.outbox.waiting():
            try:
                if self.outbox.read(item)["server"] == self.url:
                    done.append((item, self._deliver(item)))
            except FileNotFoundError:
                continue  # another process has sent it
            except (Refused, NotAcknowledged) as error:
                done.append((item, error))
        return done

    # Requests

    def _ask(self, path: str, **query: Any) -> JSON:
        sent = {name: _text_of(value) for name, value in query.items() if value is not None}
        answer: JSON = self._patiently("GET", path + "?" + urllib.parse.urlencode(sent)).checked()
        return answer

    def _post(self, path: str, document: JSON, receipt_of: str = "") -> JSON:
        headers = self._receipt(receipt_of) if receipt_of else {}
        reply = self._patiently("POST", path, json.dumps(document).encode(), headers)
        answer: JSON = reply.checked()
        return answer

    def _receipt(self, submission_id: str) -> dict[str, str]:
        saved = self.sender.read()["receipts"].get(submission_id)
        if saved is None:
            raise LookupError(f"{self.sender.path} has no receipt of {submission_id}.")
        return {"Authorization": "Bearer " + saved["receipt"]}

    def _add_tokens(self, item: Path, kept: JSON) -> None:
        """Add your tokens to the documents without any, and save them in the outbox."""
        keys: dict[str, str] = {}
        for document in kept["documents"]:
            if "contributor_token" in document:
                continue
            platform = document.get("platform")
            named = platform.get("machine") if isinstance(platform, dict) else None
            text = str(document.get("chip", ""))
            if text not in keys:
                keys[text] = self._chip_key(text)
            machine = kept["machine"] or (named if isinstance(named, str) else "")
            for name, token in self.sender.tokens_for(keys[text], machine).items():
                document.setdefault(name, token)
        kept["has_tokens"] = True
        self.outbox.save(item, kept)

    def _chip_key(self, text: str) -> str:
        """The key of a chip; its text where the instance does not know it."""
        query = urllib.parse.urlencode({"text": text})
        reply = self._patiently("GET", "/v1/identify?" + query)
        if reply.status in _AGAIN:
            raise Unreachable("The instance is busy.")
        chip = reply.value.get("chip") if isinstance(reply.value, dict) else None
        return str(chip["key"]) if isinstance(chip, dict) and "key" in chip else text

    def _send_batch(self, documents: list[JSON]) -> Iterator[JSON]:
        item = self.outbox.add(self.url, "/v1/submissions/batch", documents, "")
        yield from self._deliver(item)["items"]

    def _deliver(self, item: Path) -> Any:
        """Send a request of the outbox until it is acknowledged.

        The receipt is saved before the request is removed: a crash between both repeats the
        request, and its key returns the first answer.
        """
        with _locked(item, wait=False) as is_ours:
            if not is_ours:
                raise NotAcknowledged(f"Another process sends {item.name} now.")
            kept = self.outbox.read(item)
            try:
                if not kept["has_tokens"]:
                    self._add_tokens(item, kept)
                reply = self._send(kept)
            except Unreachable as error:
                raise NotAcknowledged(f"{error} It waits in {item}.") from error
            if reply.status in _AGAIN or _has_untried(reply):
                raise NotAcknowledged(
                    f"The instance is busy (status {reply.status}). The result waits in {item}."
                )
            self.sender.save_receipts(_receipts_in(reply.value, kept["documents"]), self.url)
            if reply.status >= 400 and not _items_of(reply.value):
                refused = self.outbox.refuse(item, reply.value)
                error_found = Refused(reply.status, reply.value)
                error_found.args = (f"{error_found}\nThe document is in {refused}.",)
                raise error_found
            self.outbox.remove(item)
            return reply.value

    def _send(self, kept: JSON) -> Reply:
        is_batch = kept["path"].endswith("/batch")
        texts = [json.dumps(one, ensure_ascii=False) for one in kept["documents"]]
        headers = {
            "Idempotency-Key": kept["idempotency_key"],
            "Content-Type": "application/x-ndjson" if is_batch else "application/json",
        }
        body = "\n".join(texts).encode("utf-8")
        return self._patiently("POST", kept["path"], body, headers, _has_untried)

    def _patiently(
        self,
        method: str,
        path: str,
        body: bytes | None = None,
        headers: Mapping[str, str] | None = None,
        is_unfinished: Callable[[Reply], bool] = lambda _: False,
    ) -> Reply:
        """The reply to a request that may be repeated; waits while the server is busy or away."""
        ends = time.monotonic() + self.longest_s
        pause = _FIRST_PAUSE_S
        for tried in range(1, self.tries + 1):
            reply, failure = None, None
            try:
                reply = self.request(method, path, body, headers)
                if reply.status not in _AGAIN and not is_unfinished(reply):
                    return reply
            except Unreachable as error:
                failure = error
            named = reply.retry_after_s if reply is not None else None
            # Clients that were cut off together must not come back together.
            wait_s = random.uniform(0.5, 1.0) * pause if named is None else named
            wait_s += random.uniform(0.0, 0.25 * pause)
            if tried == self.tries or time.monotonic() + wait_s > ends:
                if reply is None:
                    raise failure or Unreachable(self.url)
                return reply
            time.sleep(wait_s)
            pause = min(2.0 * pause, _LONGEST_PAUSE_S)
        raise Unreachable(self.url)

    def request(
        self,
        method: str,
        path: str,
        body: bytes | None = None,
        headers: Mapping[str, str] | None = None,
    ) -> Reply:
        """The reply to one request, whatever its status.

        Raises
        ------
        Unreachable
            When no server answers, or its answer is not JSON.
        """
        sent = {"User-Agent": "kbapi-client/" + __version__, "Accept": "application/json"}
        if self._key:
            sent["Authorization"] = "Bearer " + self._key
        if body is not None:
            sent["Content-Type"] = "application/json"
        sent.update(headers or {})
        request = urllib.request.Request(self.url + path, body, sent, method=method)  # noqa: S310 - the scheme was checked
        try:
            with _OPENER.open(request, timeout=_TIMEOUT_S) as response:
                return Reply(response.status, response.headers, _value(response.read()))
        except urllib.error.HTTPError as error:
            with error:
                return Reply(error.code, error.headers, _value(error.read(), error.code))
        except (OSError, ValueError) as error:
            raise Unreachable(f"No server answers at {self.url}.") from error


def _value(body: bytes, status: int = 200) -> Any:
    if not body:
        return None
    try:
        return json.loads(body)
    except ValueError:
        if status in _AGAIN:
            return None  # from a proxy in between
        raise Unreachable("What answers at this address is not kbapi: it sends no JSON.") from None


def _text_of(value: Any) -> str:
    return ",".join(map(str, value)) if isinstance(value, (list, tuple)) else str(value)


def _items_of(value: Any) -> list[JSON]:
    items = value.get("items") if isinstance(value, dict) else None
    return items if isinstance(items, list) else []


def _has_untried(reply: Reply) -> bool:
    """Whether items of a batch were not tried: the same request tries them later."""
    return any(one.get("status") == "not_tried" for one in _items_of(reply.value))


def _receipts_in(value: Any, documents: list[JSON]) -> dict[str, tuple[str, str]]:
    """Receipts by id, each with the chip: its key, or the text that was sent."""
    if not isinstance(value, dict):
        return {}
    answers = list(zip(_items_of(value), documents)) or [(value, documents[0])]
    found = {}
    for answer, document in answers:
        if isinstance(answer.get("receipt"), str):
            chip = answer.get("chip")
            key = chip["key"] if isinstance(chip, dict) else str(document.get("chip", ""))
            found[answer["id"]] = answer["receipt"], key
    return found


# Commands


def _arguments(name: str, about: str) -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(name, description=about)
    parser.add_argument("--version", action="version", version=__version__)
    parser.add_argument(
        "--to", metavar="URL", default=os.environ.get("KBAPI_URL"), help="address of the instance"
    )
    parser.add_argument("--home", type=Path, help="folder of sender.json and of the outbox")
    return parser


def _client_of(parser: argparse.ArgumentParser, given: argparse.Namespace) -> Client:
    if not given.to:
        parser.error("name the instance with --to URL, or in KBAPI_URL")
    try:
        # A key on the command line would be seen by other users of this machine.
        return Client(given.to, os.environ.get("KBAPI_KEY"), given.home)
    except ValueError as error:
        parser.error(str(error))


def send(arguments: list[str] | None = None) -> int:
    """`kbapi-send`: send result documents, and what waits in the outbox."""
    parser = _arguments("kbapi-send", "Send results; what is not acknowledged waits and is kept.")
    parser.add_argument("files", nargs="*", type=Path, help="JSON documents; - is standard input")
    parser.add_argument("--machine", default="", help="name of the machine; it is not sent")
    parser.add_argument("--dry-run", action="store_true", help="show the answer, store nothing")
    given = parser.parse_args(arguments)
    client = _client_of(parser, given)
    failed = 0
    for file in given.files:
        text = sys.stdin.read() if str(file) == "-" else file.read_text(encoding="utf-8")
        failed += not _send_one(client, file, text, given)
    if not given.dry_run:
        for item, outcome in client.send_outbox():
            failed += isinstance(outcome, Exception)
            _print_outcome(item.name, outcome)
    return 1 if failed else 0


def _send_one(client: Client, file: Path, text: str, given: argparse.Namespace) -> bool:
    try:
        document = json.loads(text)
        if not isinstance(document, dict):
            raise ValueError("it is not one JSON object")
        if given.dry_run:
            print(json.dumps(client.try_out(document), indent=2, ensure_ascii=False))
        else:
            _print_outcome(str(file), client.submit(document, given.machine))
    except (ValueError, LookupError, Refused, NotAcknowledged, Unreachable) as error:
        print(f"{file}: {error}", file=sys.stderr)
        return False
    return True


def _print_outcome(name: str, outcome: Any) -> None:
    if isinstance(outcome, Exception):
        print(f"{name}: {outcome}", file=sys.stderr)
    elif "id" in outcome:
        print("{}: {} {}".format(name, outcome["screening"]["status"], outcome["id"]))
    else:
        print(f"{name}: {len(_items_of(outcome))} results")


_QUESTIONS = ("start", "stability", "locks", "gains", "power", "longevity")


def ask(arguments: list[str] | None = None) -> int:
    """`kbapi-ask`: ask a question about a chip."""
    parser = _arguments("kbapi-ask", "Ask about a chip. Numbers are no promise for one machine.")
    parser.add_argument("question", choices=_QUESTIONS)
    parser.add_argument("chip", help="the chip, as the system prints it")
    parser.add_argument("filters", nargs="*", metavar="NAME=VALUE", help="as in the API")
    parser.add_argument("--json", action="store_true", help="print the whole answer")
    given = parser.parse_args(arguments)
    client = _client_of(parser, given)
    filters = dict(one.partition("=")[::2] for one in given.filters)
    try:
        answer = getattr(client, given.question)(given.chip, **filters)
    except (Refused, Unreachable) as error:
        print(error, file=sys.stderr)
        return 1
    if given.json:
        print(json.dumps(answer, indent=2, ensure_ascii=False))
        return 0
    print(answer["chip"]["name"])
    print(answer["summary"])
    for caution in answer.get("cautions", ()):
        print("- " + caution["text"])
    return 0


def main(arguments: list[str] | None = None) -> int:
    """`python kbapi_client.py send|ask ...`."""
    given = sys.argv[1:] if arguments is None else arguments
    commands = {"send": send, "ask": ask}
    if not given or given[0] not in commands:
        print("usage: kbapi_client.py {send,ask} ...", file=sys.stderr)
        return 2
    return commands[given[0]](given[1:])


if __name__ == "__main__":
    sys.exit(main())
