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
import email.utils
import errno
import http.client
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
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import date, datetime, timezone
from pathlib import Path
from typing import Any, Optional, Union

__version__ = "0.1.0"
__all__ = [
    "Client",
    "MachineNotNamed",
    "NotAcknowledged",
    "NotKbapi",
    "Outbox",
    "Refused",
    "SenderFile",
    "Unreachable",
]

JSON = dict[str, Any]
Numbers = Union[str, Sequence[float], None]
Texts = Union[str, Sequence[str], None]
_TIMEOUT_S = 60.0
_TRIES = 8
_LONGEST_S = 600.0
_FIRST_PAUSE_S = 0.5
_LONGEST_PAUSE_S = 60.0
_AGAIN = frozenset((408, 425, 429, 500, 502, 503, 504))
"""Statuses after which the same request may be answered later."""
_OF_THE_DOCUMENT = frozenset((400, 409, 410, 413, 415, 422))
"""Statuses of a document that is refused; others, such as 401, say nothing about it."""
_LEFT_OVER_S = 86_400
_BATCH = 500
_BATCH_BYTES = 4_000_000
_TOKEN = re.compile(r"[A-Za-z0-9._~-]{16,128}")
_SUBMISSIONS = "/v1/submissions"


class Refused(Exception):
    """The server refused a request; `problem` holds what was wrong, where, and what is right."""

    def __init__(self, status: int, problem: Any, note: str = "") -> None:
        self.status = status
        self.problem: JSON = problem if isinstance(problem, dict) else {}
        super().__init__("\n".join([*self._lines(), *([note] if note else [])]))

    def _lines(self) -> Iterator[str]:
        title = self.problem.get("detail") or self.problem.get("title")
        yield str(title or f"The server answered with status {self.status}.")
        for fault in self.problem.get("errors") or ():
            yield f"  {fault.get('pointer', '')}: {fault.get('detail', '')}"
            if fault.get("hint"):
                yield f"    {fault['hint']}"


class Unreachable(Exception):
    """No server answers at the address."""


class NotKbapi(Unreachable):
    """The server at the address is not kbapi, or it names another address."""


class NotAcknowledged(Exception):
    """A request waits in the outbox, because no server has acknowledged it."""


class MachineNotNamed(LookupError):
    """The sender has a chip in several machines: a wrong token would merge two of them."""


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
    def is_busy(self) -> bool:
        """Whether the same request may be answered later."""
        return self.status in _AGAIN or any(one.get("status") == "not_tried" for one in self.items)

    @property
    def refuses_document(self) -> bool:
        """Whether the server has read the document and refused it."""
        is_problem = isinstance(self.value, dict) and "title" in self.value
        return is_problem and self.status in _OF_THE_DOCUMENT

    @property
    def items(self) -> list[JSON]:
        """The outcomes of a batch, none for other answers."""
        items = self.value.get("items") if isinstance(self.value, dict) else None
        return items if isinstance(items, list) else []

    @property
    def retry_after_s(self) -> Optional[float]:
        """The time to wait that the server names, as seconds or as a date."""
        named = self.headers.get("Retry-After", "")
        if named.isdecimal():
            return float(named)
        try:
            then = email.utils.parsedate_to_datetime(named)
            # The clock of the server: the one of this machine may be wrong.
            now = email.utils.parsedate_to_datetime(self.headers.get("Date", ""))
            return max(0.0, (then - now).total_seconds())
        except (TypeError, ValueError, IndexError):
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
def locked(path: Path, wait: bool = True) -> Iterator[bool]:
    """Hold the lock of a file; False if another process holds it.

    The lock is a file of its own, because a change replaces the first.
    """
    _make_folder(path.parent)
    descriptor = os.open(f"{path}.lock", os.O_RDWR | os.O_CREAT, 0o600)
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
    import msvcrt

    module: Any = msvcrt  # its functions exist on Windows only
    while True:
        with contextlib.suppress(OSError):
            module.locking(descriptor, module.LK_NBLCK, 1)
            return True
        if not wait:
            return False
        time.sleep(0.05)


def save_private(path: Path, text: str) -> None:
    """Replace a file, for its owner only; file and folder are on the disk afterwards.

    The lock of the file is held. An OSError leaves the old file unchanged.
    """
    path = path.resolve()  # a link stays a link
    _make_folder(path.parent)
    draft = path.with_name(f"{path.name}.new")
    try:
        # A crash may have left it.
        draft.unlink(missing_ok=True)
        descriptor = os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(descriptor, "w", encoding="utf-8") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        _replace(draft, path)
    except OSError:
        with contextlib.suppress(OSError):
            draft.unlink()
        raise
    flush_folder(path.parent)


def _replace(draft: Path, path: Path, tries: int = 20) -> None:
    try:
        draft.replace(path)
    except PermissionError:
        # Windows replaces no file that another process reads at this moment.
        if os.name != "nt" or not tries:
            raise
        time.sleep(0.05)
        _replace(draft, path, tries - 1)


def _make_folder(folder: Path) -> None:
    """Create a folder for its owner, with the folders above it; their names are on the disk."""
    if folder.is_dir():
        return
    _make_folder(folder.parent)
    folder.mkdir(mode=0o700, exist_ok=True)
    flush_folder(folder.parent)


def flush_folder(folder: Path) -> None:
    """Make names in a folder durable, where the system can: Windows has no call for it."""
    if os.name == "nt":
        return
    try:
        descriptor = os.open(folder, os.O_RDONLY)
    except PermissionError:
        return  # a folder above, of which only the names may be used
    try:
        os.fsync(descriptor)
    except OSError as error:
        if error.errno not in (errno.EINVAL, errno.ENOTSUP):  # some network file systems
            raise
    finally:
        os.close(descriptor)


def new_token() -> str:
    """A new random token, of 24 characters."""
    return secrets.token_urlsafe(18)


class SenderFile:
    """`sender.json`: contributor token, unit tokens and receipts, as the other commands keep them.

    Raises
    ------
    ValueError
        From each method, when the file is damaged or of another version; it is never overwritten.
    OSError
        From each method that saves, when the file cannot be written.
    """

    def __init__(self, path: Path) -> None:
        self.path = path

    def read(self) -> Optional[JSON]:
        """The content of the file, None where there is none."""
        value: Any = None
        try:
            value = json.loads(self.path.read_bytes())
        except FileNotFoundError:
            return None
        except (OSError, ValueError):
            pass
        if not _is_sender(value):
            raise ValueError(
                f"{self.path} cannot be read, or is not a sender's file of version 1. Repair it "
                "or move it away."
            )
        return {"units": [], "receipts": {}, **value}

    @contextlib.contextmanager
    def _changing(self) -> Iterator[JSON]:
        """The content, new if there is none; it is saved at the end. Other processes wait."""
        with locked(self.path):
            sender = self.read() or {
                "version": 1,
                "contributor_token": new_token(),
                "units": [],
                "receipts": {},
            }
            yield sender
            save_private(self.path, json.dumps(sender, indent=2) + "\n")

    def tokens_for(self, chip: str, machine: str = "") -> dict[str, str]:
        """The tokens of a result, made at the first use of a chip in a machine, and saved.

        Raises
        ------
        MachineNotNamed
            When the chip is in several machines, and none is named.
        """
        with self._changing() as sender:
            unit = _unit_of(sender["units"], chip, machine.strip())
            return {
                "contributor_token": sender["contributor_token"],
                "unit_token": unit["unit_token"],
            }

    def save_receipts(self, receipts: Mapping[str, tuple[str, str]], server: str) -> None:
        """Save receipts by the id of their result, each with the chip."""
        if not receipts:
            return
        with self._changing() as sender:
            for submission_id, (receipt, chip) in receipts.items():
                sender["receipts"][submission_id] = {
                    "receipt": receipt,
                    "chip": chip,
                    "day": date.today().isoformat(),
                    "server": server,
                }

    def find_receipt(self, submission_id: str) -> Optional[JSON]:
        """The saved receipt of a result with its server, None where it is not saved."""
        saved: Optional[JSON] = (self.read() or {"receipts": {}})["receipts"].get(
            submission_id.lower()
        )
        return saved

    def remove_receipt(self, submission_id: str) -> None:
        """Remove the receipt of a result that was withdrawn."""
        if self.find_receipt(submission_id) is not None:
            with self._changing() as sender:
                sender["receipts"].pop(submission_id.lower(), None)


def _is_sender(value: Any) -> bool:
    """Whether a value is the content of a sender's file of version 1, without unknown fields."""
    if not isinstance(value, dict) or value.get("version") != 1 or value["version"] is True:
        return False
    units, receipts = value.get("units", []), value.get("receipts", {})
    return (
        set(value) <= {"version", "contributor_token", "units", "receipts"}
        and _is_token(value.get("contributor_token"))
        and isinstance(units, list)
        and isinstance(receipts, dict)
        and all(_has_texts(one, {"chip", "machine", "unit_token"}) for one in units)
        and all(_is_token(one["unit_token"]) for one in units)
        and all(_has_texts(one, {"receipt", "chip", "day", "server"}) for one in receipts.values())
    )


def _is_token(value: Any) -> bool:
    return isinstance(value, str) and _TOKEN.fullmatch(value) is not None


def _has_texts(value: Any, names: set[str]) -> bool:
    return (
        isinstance(value, dict)
        and set(value) == names
        and all(isinstance(text, str) for text in value.values())
    )


def _unit_of(units: list[JSON], chip: str, machine: str) -> JSON:
    of_chip = [unit for unit in units if unit["chip"] == chip]
    named = [unit for unit in of_chip if _same(unit["machine"], machine)]
    if not named and not machine and len(of_chip) > 1:
        names = ", ".join(unit["machine"] for unit in of_chip)
        raise MachineNotNamed(f"You have this chip in several machines. Name one: {names}.")
    if not named:
        named = of_chip if not machine else [unit for unit in of_chip if not unit["machine"]]
    if not named:
        named = [{"chip": chip, "machine": machine, "unit_token": new_token()}]
        units.append(named[0])
    unit: JSON = named[0]
    unit["machine"] = unit["machine"] or machine
    return unit


def _same(one: str, other: str) -> bool:
    return one.strip().casefold() == other.strip().casefold()


class Outbox:
    """Requests on this disk that a server has not acknowledged yet, one file each."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def new_item(self) -> Path:
        """The file of a new request, which is not written yet."""
        moment = datetime.now(timezone.utc).strftime("%Y%m%dT%H%M%S%f")
        return self.folder / f"{moment}-{secrets.token_hex(4)}.json"

    def save(self, item: Path, kept: JSON) -> None:
        """Write a request; it is on the disk afterwards."""
        save_private(item, json.dumps(kept, allow_nan=False))

    def read(self, item: Path) -> JSON:
        """A request that waits.

        Raises
        ------
        FileNotFoundError
            When it was sent meanwhile.
        ValueError
            When it is damaged or of another version.
        """
        value = json.loads(item.read_bytes())
        if not isinstance(value, dict) or value.get("version") != 1:
            raise ValueError(f"{item} is not a request of version 1. Repair it or move it away.")
        return value

    def waiting(self) -> list[Path]:
        """The requests that wait, oldest first."""
        return sorted(one for one in self.folder.glob("*.json") if one.is_file())

    def remove_leftovers(self) -> None:
        """Remove drafts and locks that a crash left: those of a day ago without a request."""
        for lock in self.folder.glob("*.json.lock"):
            item = lock.with_suffix("")
            with contextlib.suppress(FileNotFoundError):
                if item.exists() or time.time() - lock.stat().st_mtime < _LEFT_OVER_S:
                    continue
                with self.held(item) as is_ours:
                    if is_ours:
                        item.with_name(f"{item.name}.new").unlink()

    @contextlib.contextmanager
    def held(self, item: Path) -> Iterator[bool]:
        """Hold a request; False if another process sends it."""
        try:
            with locked(item, wait=False) as is_ours:
                yield is_ours
        finally:
            # Names are never used again: without its request a lock protects nothing. Windows
            # removes no open file.
            if not item.exists():
                with contextlib.suppress(OSError):
                    Path(f"{item}.lock").unlink()

    def refuse(self, item: Path, kept: JSON) -> Path:
        """Write a request that a server refused to the folder `refused`."""
        refused = self.folder / "refused" / item.name
        save_private(refused, json.dumps(kept, indent=2))
        return refused

    def remove(self, item: Path) -> None:
        """Remove a request that was acknowledged or refused."""
        item.unlink()
        flush_folder(self.folder)


class Client:
    """A client of one instance.

    Parameters
    ----------
    url : address of the instance, http:// or https://
    key : access key that the host gave you, where the instance asks for one
    home : folder for `sender.json` and the outbox; kbapi in your settings folder unless given
    tries, longest_s : limits for one request that the server cannot answer yet

    Raises
    ------
    Refused
        From each method, when the server refuses a request.
    Unreachable
        From each method, when no server answers.
    """

    def __init__(
        self,
        url: str,
        key: Optional[str] = None,
        home: Union[str, Path, None] = None,
        tries: int = _TRIES,
        longest_s: float = _LONGEST_S,
    ) -> None:
        parts = urllib.parse.urlsplit(url)
        if parts.scheme not in ("http", "https") or not parts.hostname or parts.query:
            raise ValueError(f"{url} is not an address. Begin it with http:// or https://.")
        folder = Path(home) if home is not None else settings_folder()
        self.url = url.rstrip("/")
        self.sender = SenderFile(folder / "sender.json")
        self.outbox = Outbox(folder / "outbox")
        self.tries = max(1, tries)
        self.longest_s = longest_s
        self._key = key.strip() if key else None

    # Questions

    def start(
        self,
        chip: str,
        *,
        domain: Optional[str] = None,
        control: Optional[str] = None,
        moved_with: Texts = None,
        clock_mhz: Optional[float] = None,
        stable_share: Optional[float] = None,
        detail: Optional[str] = None,
        failure_minutes: Optional[float] = None,
        value_per_mv_minutes: Optional[float] = None,
        value_per_count_minutes: Optional[float] = None,
        load: Optional[str] = None,
        grade: Optional[str] = None,
        cooling: Optional[str] = None,
        supply: Optional[str] = None,
        firmware: Optional[str] = None,
        microcode: Optional[str] = None,
        machine: Optional[str] = None,
        confidence: Optional[float] = None,
    ) -> JSON:
        """Where to start on a chip, with confidence and evidence."""
        return self._ask("/v1/start", locals())

    def stability(
        self,
        chip: str,
        *,
        domain: Optional[str] = None,
        control: Optional[str] = None,
        moved_with: Texts = None,
        clock_mhz: Optional[float] = None,
        stable_share: Optional[float] = None,
        detail: Optional[str] = None,
        failure_minutes: Optional[float] = None,
        value_per_mv_minutes: Optional[float] = None,
        value_per_count_minutes: Optional[float] = None,
        load: Optional[str] = None,
        grade: Optional[str] = None,
        cooling: Optional[str] = None,
        supply: Optional[str] = None,
        firmware: Optional[str] = None,
        microcode: Optional[str] = None,
        machine: Optional[str] = None,
        confidence: Optional[float] = None,
    ) -> JSON:
        """The share of machines that are stable at each setting."""
        return self._ask("/v1/stability", locals())

    def locks(
        self,
        chip: str,
        *,
        domain: Optional[str] = None,
        control: Optional[str] = None,
        machine: Optional[str] = None,
        firmware_month: Optional[str] = None,
    ) -> JSON:
        """How often each control can be used."""
        return self._ask("/v1/locks", locals())

    def gains(
        self,
        chip: str,
        *,
        load: Optional[str] = None,
        own_performance_stock: Numbers = None,
        own_performance_tuned: Numbers = None,
        own_power_stock_w: Numbers = None,
        own_power_tuned_w: Numbers = None,
    ) -> JSON:
        """What tuning changed."""
        return self._ask("/v1/gains", locals())

    def power(
        self,
        chip: str,
        *,
        load: Optional[str] = None,
        keep_share: Optional[float] = None,
        limit_w: Optional[float] = None,
    ) -> JSON:
        """Performance against power, and a suggested power limit."""
        return self._ask("/v1/power", locals())

    def longevity(
        self, chip: str, *, domain: Optional[str] = None, control: Optional[str] = None
    ) -> JSON:
        """The share of settings that are still stable later."""
        return self._ask("/v1/longevity", locals())

    def identify(
        self,
        text: Optional[str] = None,
        *,
        kind: Optional[str] = None,
        form: Optional[str] = None,
        family: Optional[int] = None,
        model: Optional[int] = None,
        stepping: Optional[int] = None,
        pci_id: Optional[str] = None,
        pci_revision: Optional[str] = None,
    ) -> JSON:
        """The chip that a system's text or its numbers name."""
        return self._ask("/v1/identify", locals())

    def chips(
        self,
        search: Optional[str] = None,
        *,
        kind: Optional[str] = None,
        series: Optional[str] = None,
        line: Optional[str] = None,
        limit: Optional[int] = None,
        cursor: Optional[str] = None,
    ) -> JSON:
        """A page of the chips that the instance knows."""
        return self._ask("/v1/chips", locals())

    def chip(self, chip: str) -> JSON:
        """One chip with its names and how many results it has."""
        return self._ask("/v1/chips/" + urllib.parse.quote(chip, safe=""), {})

    def service(self) -> JSON:
        """The instance: its version, limits and addresses."""
        return self._ask("/v1", {})

    def next_step(self, document: JSON) -> JSON:
        """The next setting to try after one's own trials; nothing is stored."""
        return self._value_of("POST", "/v1/next-step", document)

    def diagnose(self, document: JSON) -> JSON:
        """Why a setting is no longer stable; nothing is stored."""
        return self._value_of("POST", "/v1/diagnose", document)

    # Results

    def try_out(self, document: JSON) -> JSON:
        """The answer to a result, of which nothing is stored."""
        return self._value_of("POST", _SUBMISSIONS + "?dry_run=true", document)

    def submit(self, document: JSON, machine: str = "") -> JSON:
        """Send a result with your tokens, and return the answer, whose receipt is saved.

        `machine` names one of several machines with the same chip; it is not sent.

        Raises
        ------
        Refused
            When the instance refuses the document; it is kept in the folder `refused`.
        NotAcknowledged
            When the instance did not acknowledge it in time; the result waits in the outbox.
        """
        answer: JSON = self._send_new(_SUBMISSIONS, [document], machine=machine)
        return answer

    def put_in_outbox(self, document: JSON, machine: str = "") -> Path:
        """Write a result to the outbox, without sending it.

        It needs no connection; `send_outbox` sends it later.
        """
        item = self.outbox.new_item()
        self.outbox.save(item, self._kept(_SUBMISSIONS, [document], machine=machine))
        return item

    def batch(self, documents: Iterable[JSON], machine: str = "") -> list[JSON]:
        """Send results in batches; returns the outcome of each in order.

        The `status` is as in an answer to a batch; `waiting` is a result that waits in the outbox.
        A refused one has its `errors`, and is kept in the folder `refused`.
        """
        outcomes: list[JSON] = []
        path, is_away = _SUBMISSIONS + "/batch", False
        for part in _parts(documents):
            if is_away:
                item = self.outbox.new_item()
                self.outbox.save(item, self._kept(path, part, machine=machine))
                found = [_outcome("waiting") for _ in part]
            else:
                try:
                    found = _outcomes_of(self._send_new(path, part, machine=machine))
                except Refused as error:
                    found = _refused_items(error.problem, len(part))
                except NotAcknowledged:
                    found, is_away = [_outcome("waiting") for _ in part], True
            for one in found:
                outcomes.append({**one, "index": len(outcomes)})
        return outcomes

    def follow_up(self, submission_id: str, document: JSON) -> JSON:
        """Report what became of a setting; sent through the outbox, as a result is."""
        path = _path_of(submission_id) + "/follow-ups"
        self._receipt(submission_id)
        answer: JSON = self._send_new(path, [document], receipt_of=submission_id)
        return answer

    def result(self, submission_id: str) -> JSON:
        """One of your results, as it is stored."""
        headers = self._receipt(submission_id)
        return self._value_of("GET", _path_of(submission_id), headers=headers)

    def correct(self, submission_id: str, document: JSON) -> JSON:
        """Replace one of your results by a whole document."""
        headers = {**self._receipt(submission_id), "Idempotency-Key": secrets.token_urlsafe(24)}
        return self._value_of("PUT", _path_of(submission_id), document, headers)

    def withdraw(self, submission_id: str) -> None:
        """Withdraw one of your results; older backups of the host still contain it."""
        headers = self._receipt(submission_id)
        reply = self._patiently("DELETE", _path_of(submission_id), headers=headers)
        # Gone: a first try was answered, and the answer was lost.
        if reply.status != 410:
            reply.checked()
        self.sender.remove_receipt(submission_id)

    def withdraw_all(self) -> JSON:
        """Withdraw all results of your contributor token."""
        return self._value_of("DELETE", "/v1/my-submissions", headers=self._contributor())

    def own_results(self) -> list[JSON]:
        """Your results, settings in use and tests that are due."""
        found: list[JSON] = []
        headers, query = self._contributor(), ""
        while True:
            page = self._value_of("GET", "/v1/my-submissions" + query, headers=headers)
            found += page["submissions"]
            if page["next_cursor"] is None:
                return found
            query = "?" + urllib.parse.urlencode({"cursor": page["next_cursor"]})

    def send_outbox(self) -> list[tuple[Path, Any]]:
        """Send what waits for this instance: each request with its answer or its error.

        After a first request that the busy server did not answer, the others are tried once.
        What another process sends at this moment is left to it.
        """
        done: list[tuple[Path, Any]] = []
        tries = self.tries
        self.outbox.remove_leftovers()
        for item in self.outbox.waiting():
            outcome = self._outcome_of(item, tries)
            if outcome is None:
                continue
            done.append((item, outcome))
            if isinstance(outcome, NotAcknowledged):
                tries = 1
                if isinstance(outcome.__cause__, Unreachable):
                    break
        return done

    def _outcome_of(self, item: Path, tries: int) -> Any:
        """The answer to a request that waits, or its error; None if it is not ours to send."""
        try:
            with self.outbox.held(item) as is_ours:
                if is_ours and self.outbox.read(item)["server"] == self.url:
                    return self._deliver(item, tries)
        except FileNotFoundError:
            return None  # another process has sent it
        except (Refused, NotAcknowledged, LookupError, ValueError) as error:
            return error
        return None

    def waiting_elsewhere(self) -> dict[str, int]:
        """How many requests wait for other instances, by their address."""
        servers: dict[str, int] = {}
        for item in self.outbox.waiting():
            with contextlib.suppress(OSError, ValueError):
                server = str(self.outbox.read(item)["server"])
                servers[server] = servers.get(server, 0) + 1
        servers.pop(self.url, None)
        return servers

    # Requests

    def _ask(self, path: str, given: Mapping[str, Any]) -> JSON:
        query = {
            name: _text_of(value)
            for name, value in given.items()
            if name != "self" and value is not None
        }
        return self._value_of("GET", path + ("?" + urllib.parse.urlencode(query) if query else ""))

    def _value_of(
        self,
        method: str,
        path: str,
        document: Optional[JSON] = None,
        headers: Optional[Mapping[str, str]] = None,
    ) -> JSON:
        body = None if document is None else _body_of(document)
        value: JSON = self._patiently(method, path, body, headers).checked()
        return value

    def _receipt(self, submission_id: str) -> dict[str, str]:
        saved = self.sender.find_receipt(submission_id)
        if saved is None:
            raise LookupError(f"{self.sender.path} has no receipt of {submission_id}.")
        if saved["server"].rstrip("/") != self.url:
            # A receipt is a secret between its sender and one instance.
            raise LookupError(f"The receipt of {submission_id} belongs to {saved['server']}.")
        return {"Authorization": "Bearer " + saved["receipt"]}

    def _contributor(self) -> dict[str, str]:
        sender = self.sender.read()
        if sender is None:
            raise LookupError(f"{self.sender.path} does not exist: you have sent nothing yet.")
        return {"Kbapi-Contributor": sender["contributor_token"]}

    def _kept(
        self, path: str, documents: list[JSON], machine: str = "", receipt_of: str = ""
    ) -> JSON:
        """A request for the outbox, with the key that makes its repeats one.

        Tokens are added when it is sent first: only the server knows which chip a text names.
        """
        return {
            "version": 1,
            "server": self.url,
            "path": path,
            "idempotency_key": secrets.token_urlsafe(24),
            "machine": machine,
            "receipt_of": receipt_of,
            "has_tokens": bool(receipt_of),
            "documents": documents,
        }

    def _send_new(
        self, path: str, documents: list[JSON], machine: str = "", receipt_of: str = ""
    ) -> Any:
        """The answer to a request that is written to the outbox first."""
        item = self.outbox.new_item()
        # Held before it is there: another process would take the answer.
        with self.outbox.held(item):
            self.outbox.save(item, self._kept(path, documents, machine, receipt_of))
            return self._deliver(item, self.tries)

    def _deliver(self, item: Path, tries: int) -> Any:
        """Send a held request of the outbox until it is acknowledged.

        The receipt is saved before the request is removed: a crash between both repeats the
        request, and its key returns the first answer.
        """
        kept = self.outbox.read(item)
        try:
            reply = self._add_tokens(item, kept, tries) or self._send(kept, tries)
        except Unreachable as error:
            raise NotAcknowledged(f"{error} The request waits in {item}.") from error
        except LookupError as error:
            self.outbox.refuse(item, {**kept, "problem": {"title": str(error)}})
            self.outbox.remove(item)
            raise
        self.sender.save_receipts(_receipts_in(reply, kept["documents"]), self.url)
        if _is_acknowledged(reply, kept):
            self._keep_refused_items(item, kept, reply)
            self.outbox.remove(item)
            return reply.value
        if reply.refuses_document:
            refused = self.outbox.refuse(item, {**kept, "problem": reply.value})
            self.outbox.remove(item)
            raise Refused(reply.status, reply.value, f"The document is in {refused}.")
        cause = Refused(reply.status, reply.value)
        raise NotAcknowledged(f"{cause}\nThe request waits in {item}.") from cause

    def _add_tokens(self, item: Path, kept: JSON, tries: int) -> Optional[Reply]:
        """Add your tokens to the documents without any, and save them in the outbox.

        Returns the refusal of a single document whose chip cannot be found out.
        """
        if kept["has_tokens"]:
            return None
        chips: dict[str, str] = {}
        for document in kept["documents"]:
            if not isinstance(document, dict) or "contributor_token" in document:
                continue
            platform = document.get("platform")
            platform = platform if isinstance(platform, dict) else {}
            name = json.dumps([document.get(one) for one in ("chip", "chip_ids")])
            name += str(platform.get("form"))
            if name not in chips:
                reply = self._tried_out(document, tries)
                if reply.refuses_document and len(kept["documents"]) == 1:
                    return reply
                if reply.refuses_document:
                    continue  # the batch lists what is wrong with it
                chips[name] = reply.checked()["chip"]["key"]
            machine = kept["machine"] or platform.get("machine")
            machine = machine if isinstance(machine, str) else ""
            for field, token in self.sender.tokens_for(chips[name], machine).items():
                document.setdefault(field, token)
        kept["has_tokens"] = True
        self.outbox.save(item, kept)
        return None

    def _tried_out(self, document: JSON, tries: int) -> Reply:
        path = _SUBMISSIONS + "?dry_run=true"
        reply = self._patiently("POST", path, _body_of(document), tries=tries)
        if reply.status >= 400 and not reply.refuses_document:
            cause = Refused(reply.status, reply.value)
            raise NotAcknowledged(f"{cause}\nThe request waits in {self.outbox.folder}.")
        return reply

    def _send(self, kept: JSON, tries: int) -> Reply:
        is_batch = kept["path"].endswith("/batch")
        headers = {
            "Idempotency-Key": kept["idempotency_key"],
            "Content-Type": "application/x-ndjson" if is_batch else "application/json",
        }
        if kept["receipt_of"]:
            headers.update(self._receipt(kept["receipt_of"]))
        body = b"\n".join(map(_body_of, kept["documents"]))
        return self._patiently("POST", kept["path"], body, headers, tries)

    def _keep_refused_items(self, item: Path, kept: JSON, reply: Reply) -> None:
        """Write the refused documents of a batch to the folder `refused`, with their faults."""
        refused = [one for one in reply.items if one.get("status") == "refused"]
        if refused:
            documents = [kept["documents"][one["index"]] for one in refused]
            problems = [
                one for one in reply.value.get("not_counted", ()) if one["status"] == "refused"
            ]
            self.outbox.refuse(item, {**kept, "documents": documents, "problem": problems})

    def _patiently(
        self,
        method: str,
        path: str,
        body: Optional[bytes] = None,
        headers: Optional[Mapping[str, str]] = None,
        tries: Optional[int] = None,
    ) -> Reply:
        """The reply to a request that may be repeated; waits while the server is busy or away."""
        ends, tries = time.monotonic() + self.longest_s, tries or self.tries
        pause, tried = _FIRST_PAUSE_S, 0
        while True:
            tried += 1
            reply: Optional[Reply] = None
            failure: Optional[Unreachable] = None
            try:
                reply = self.request(method, path, body, headers)
                if not reply.is_busy:
                    return reply
            except NotKbapi:
                raise
            except Unreachable as error:
                failure = error
            named = None if reply is None else reply.retry_after_s
            # Clients that were cut off together must not come back together.
            wait_s = random.uniform(0.5, 1.0) * pause if named is None else named
            wait_s += random.uniform(0.0, 0.25 * pause)
            if tried >= tries or time.monotonic() + wait_s > ends:
                if reply is not None:
                    return reply
                raise failure or Unreachable(self.url)
            time.sleep(wait_s)
            pause = min(2.0 * pause, _LONGEST_PAUSE_S)

    def request_until_answered(
        self,
        method: str,
        path: str,
        body: Optional[bytes] = None,
        headers: Optional[Mapping[str, str]] = None,
    ) -> Reply:
        """The reply to a request that may be repeated; a busy server is asked again."""
        return self._patiently(method, path, body, headers)

    def request(
        self,
        method: str,
        path: str,
        body: Optional[bytes] = None,
        headers: Optional[Mapping[str, str]] = None,
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
                return _reply(response.status, response.headers, response.read())
        except urllib.error.HTTPError as error:
            return self._error_reply(error)
        except (OSError, http.client.HTTPException) as error:
            raise Unreachable(
                f"No server answers at {self.url}: {error or type(error)}."
            ) from error

    def _error_reply(self, error: urllib.error.HTTPError) -> Reply:
        with error:
            if 300 <= error.code < 400:
                there = error.headers.get("Location", "another address")
                raise NotKbapi(f"{self.url} has moved to {there}. Use that address.") from None
            try:
                return _reply(error.code, error.headers, error.read())
            except (OSError, http.client.HTTPException) as fault:
                raise Unreachable(f"No server answers at {self.url}: {fault}.") from fault


def _reply(status: int, fields: Any, body: bytes) -> Reply:
    headers: Mapping[str, str] = fields  # of an HTTPMessage, whose names have no case
    if not body:
        return Reply(status, headers, None)
    try:
        return Reply(status, headers, json.loads(body))
    except ValueError:
        if status in _AGAIN:
            return Reply(status, headers, None)  # from a proxy in between
    raise NotKbapi("The server at this address is not kbapi: its answer is not JSON.")


def _path_of(submission_id: str) -> str:
    return f"{_SUBMISSIONS}/{urllib.parse.quote(submission_id.lower(), safe='')}"


def _body_of(document: JSON) -> bytes:
    # A lone surrogate is the server's to refuse, with its place.
    return json.dumps(document, ensure_ascii=False).encode("utf-8", "surrogatepass")


def _text_of(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, (list, tuple)):
        return ",".join(map(str, value))
    return str(value)


def _parts(documents: Iterable[JSON]) -> Iterator[list[JSON]]:
    """The documents in parts that are sent at once."""
    part: list[JSON] = []
    size = 0
    for document in documents:
        length = len(_body_of(document))
        if part and (len(part) == _BATCH or size + length > _BATCH_BYTES):
            yield part
            part, size = [], 0
        part.append(document)
        size += length
    if part:
        yield part


def _is_acknowledged(reply: Reply, kept: JSON) -> bool:
    """Whether the reply is the answer to this request, and says that it is done."""
    if reply.status not in (200, 201, 207) or not isinstance(reply.value, dict) or reply.is_busy:
        return False
    if kept["path"].endswith("/batch"):
        return len(reply.items) == len(kept["documents"])
    return bool(kept["receipt_of"]) or isinstance(reply.value.get("receipt"), str)


def _outcome(status: str) -> JSON:
    return {"status": status, "id": None, "receipt": None, "warnings": []}


def _outcomes_of(answer: JSON) -> list[JSON]:
    faults = {one["index"]: one["errors"] for one in answer["not_counted"] if one["errors"]}
    return [
        {**one, "errors": faults[one["index"]]} if one["index"] in faults else one
        for one in answer["items"]
    ]


def _refused_items(problem: JSON, count: int) -> list[JSON]:
    """The outcomes of a batch of which no item was stored: pointers begin with their positions."""
    found: list[JSON] = [{**_outcome("refused"), "errors": []} for _ in range(count)]
    for fault in problem.get("errors") or ():
        place = str(fault.get("pointer", "")).split("/")[1:2]
        if place and place[0].isdecimal() and int(place[0]) < count:
            found[int(place[0])]["errors"].append(fault)
    return found


def _receipts_in(reply: Reply, documents: list[JSON]) -> dict[str, tuple[str, str]]:
    """Receipts by id, each with the chip: its key, or the text that was sent."""
    answers = list(zip(reply.items, documents)) or [(reply.value, documents[0])]
    found = {}
    for answer, document in answers:
        if isinstance(answer, dict) and isinstance(answer.get("receipt"), str):
            chip = answer.get("chip")
            key = chip["key"] if isinstance(chip, dict) else str(document.get("chip", ""))
            found[str(answer["id"])] = answer["receipt"], key
    return found


# Commands


def _arguments(name: str, about: str) -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(name, description=about)
    parser.add_argument("--version", action="version", version=__version__)
    parser.add_argument(
        "--to", metavar="URL", default=os.environ.get("KBAPI_TO"), help="address of the instance"
    )
    parser.add_argument("--home", type=Path, help="folder of sender.json and of the outbox")
    return parser


def _client_of(parser: argparse.ArgumentParser, given: argparse.Namespace) -> Client:
    if not given.to:
        parser.error("name the instance with --to URL, or in KBAPI_TO")
    try:
        # A key on the command line would be seen by other users of this machine.
        return Client(given.to, os.environ.get("KBAPI_KEY"), given.home)
    except ValueError as error:
        parser.error(str(error))


def send(arguments: Optional[list[str]] = None) -> int:
    """`kbapi-send`: send result documents, and what waits in the outbox."""
    parser = _arguments("kbapi-send", "Send results; what is not acknowledged waits and is kept.")
    parser.add_argument("files", nargs="*", help="a JSON document or a list; - is standard input")
    parser.add_argument("--machine", default="", help="name of the machine; it is not sent")
    parser.add_argument("--dry-run", action="store_true", help="show the answer, store nothing")
    given = parser.parse_args(arguments)
    client = _client_of(parser, given)
    failed = 0
    for file in given.files:
        failed += not _send_file(client, file, given)
    if given.dry_run:
        return 1 if failed else 0
    try:
        for item, outcome in client.send_outbox():
            failed += not _print_outcome(item.name, outcome)
        for server, count in client.waiting_elsewhere().items():
            print(f"Waiting for {server}: {count}. Send it with --to {server}.", file=sys.stderr)
    except (OSError, ValueError) as error:
        failed += not _print_outcome(str(client.outbox.folder), error)
    return 1 if failed else 0


def _send_file(client: Client, file: str, given: argparse.Namespace) -> bool:
    """Whether every document of a file was accepted."""
    try:
        text = sys.stdin.buffer.read() if file == "-" else Path(file).read_bytes()
        document = json.loads(text, object_pairs_hook=without_repeats)
        if isinstance(document, list) and not given.dry_run:
            found = client.batch(document, given.machine)
            printed = [_print_outcome(f"{file}[{one['index']}]", one) for one in found]
            return all(printed)
        if not isinstance(document, dict):
            raise ValueError("It is not one JSON object.")
        if given.dry_run:
            print(json.dumps(client.try_out(document), indent=2))
            return True
        return _print_outcome(file, client.submit(document, given.machine))
    except (OSError, ValueError, LookupError, Refused, NotAcknowledged, Unreachable) as error:
        return _print_outcome(file, error)


def without_repeats(pairs: list[tuple[str, Any]]) -> JSON:
    """The object of these fields, for `json.loads`; ValueError if a name is twice."""
    found = dict(pairs)
    if len(found) < len(pairs):
        raise ValueError("A name is twice in one JSON object.")
    return found


def _print_outcome(name: str, outcome: Any) -> bool:
    """Whether it is a success; prints the outcome of a request."""
    if isinstance(outcome, Exception):
        print(f"{name}: {outcome}", file=sys.stderr)
        return False
    if "items" in outcome:
        counts = ", ".join(f"{number} {one}" for one, number in outcome["counts"].items() if number)
        print(f"{name}: {counts}")
        return not outcome["counts"]["refused"]
    screening = outcome.get("screening")
    status = screening["status"] if isinstance(screening, dict) else outcome.get("status", "")
    print(f"{name}: {status} {outcome.get('id') or ''}".rstrip())
    for fault in outcome.get("errors", ()):
        print(f"  {fault['pointer']}: {fault['detail']}", file=sys.stderr)
    return status not in ("refused", "waiting")


_QUESTIONS = ("start", "stability", "locks", "gains", "power", "longevity")


def ask(arguments: Optional[list[str]] = None) -> int:
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
    except TypeError:
        parser.error(f"a filter is unknown: {', '.join(filters)}")
    except (Refused, Unreachable) as error:
        print(error, file=sys.stderr)
        return 1
    if given.json:
        print(json.dumps(answer, indent=2))
        return 0
    print(answer["chip"]["name"])
    print(answer["summary"])
    for caution in answer.get("cautions", ()):
        print("- " + caution["text"])
    return 0


def main(arguments: Optional[list[str]] = None) -> int:
    """`python kbapi_client.py send|ask ...`."""
    given = sys.argv[1:] if arguments is None else arguments
    commands = {"send": send, "ask": ask}
    if not given or given[0] not in commands:
        print("usage: kbapi_client.py {send,ask} ...", file=sys.stderr)
        return 2
    return commands[given[0]](given[1:])


if __name__ == "__main__":
    sys.exit(main())
