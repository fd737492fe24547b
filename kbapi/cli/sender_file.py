"""The sender's file: contributor token, unit tokens and receipts, in the user's settings folder.

The guide "Data format" describes it, because other clients and pages use the same file. Without it
a result can be neither found nor withdrawn, so a change is on the disk before a command goes on.
"""

import fcntl
import os
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any, TypeVar

import click
from pydantic import ValidationError

from kbapi.documents.sender import SavedReceipt, Sender
from kbapi.errors import UnsafeSetup
from kbapi.storage.files import flush

_Command = TypeVar("_Command", bound=Callable[..., Any])


def settings_folder() -> Path:
    """The folder of kbapi in the system's folder for settings."""
    folder = os.environ.get("XDG_CONFIG_HOME") or os.environ.get("APPDATA")
    return (Path(folder) if folder else Path.home() / ".config") / "kbapi"


def _usual_path() -> Path:
    return settings_folder() / "sender.json"


sender_option = click.option(
    "--sender",
    "sender_path",
    type=click.Path(dir_okay=False, path_type=Path),
    envvar="KBAPI_SENDER",
    show_envvar=True,
    default=_usual_path,
    show_default="kbapi/sender.json in your settings folder",
    help="File with your tokens and receipts.",
)


@dataclass(frozen=True, slots=True)
class SenderFile:
    """The sender's file, and the server that the present command asks."""

    path: Path
    server: str
    """The address of the server, or the folder of a local instance."""

    def read(self) -> Sender | None:
        """The content of the file, None where there is none.

        Raises
        ------
        UnsafeSetup
            When the file is damaged or of another version; it is never overwritten.
        """
        try:
            return Sender.model_validate_json(self.path.read_bytes())
        except FileNotFoundError:
            return None
        except (OSError, ValidationError) as error:
            raise UnsafeSetup(
                f"{self.path} cannot be read, or is not a sender's file of version 1. Repair it "
                "or move it away."
            ) from error

    @contextmanager
    def _changing(self) -> Iterator[Sender]:
        """The content, new if there is none; it is saved at the end. Other commands wait."""
        with _locked(self.path):
            sender = self.read() or Sender()
            yield sender
            save_private_file(self.path, sender.model_dump_json(indent=2) + "\n")

    def tokens_for(self, chip: str, machine: str) -> dict[str, str]:
        """The tokens of a result, once they are saved."""
        with self._changing() as sender:
            return {
                "contributor_token": sender.contributor_token,
                "unit_token": sender.unit_token(chip, machine),
            }

    def save_receipts(self, receipts: Mapping[str, tuple[str, str]]) -> None:
        """Save receipts by the id of their result, each with the chip."""
        if not receipts:
            return
        with self._changing() as sender:
            for submission_id, (receipt, chip) in receipts.items():
                sender.receipts[submission_id] = SavedReceipt(
                    receipt=receipt, chip=chip, day=f"{date.today()}", server=self.server
                )

    def find_receipt(self, submission_id: str) -> str | None:
        """The receipt of a result, None where it is not saved."""
        sender = self.read()
        saved = sender and sender.receipts.get(submission_id.lower())
        return saved.receipt if saved else None

    def remove_receipt(self, submission_id: str) -> None:
        """Remove the receipt of a result that was withdrawn."""
        if self.find_receipt(submission_id) is not None:
            with self._changing() as sender:
                sender.receipts.pop(submission_id.lower(), None)


@contextmanager
def _locked(path: Path) -> Iterator[None]:
    """Hold the lock of a file; it is a file of its own, because a change replaces the first."""
    try:
        path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        lock = os.open(f"{path}.lock", os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
    except OSError as error:
        raise UnsafeSetup(f"{path.parent} cannot be written. Name a file with --sender.") from error
    try:
        fcntl.flock(lock, fcntl.LOCK_EX)
        yield
    finally:
        os.close(lock)


def save_private_file(path: Path, text: str) -> None:
    """Replace a file by this text, for its owner only; file and folder are flushed to the disk.

    Raises
    ------
    UnsafeSetup
        When it cannot be written; then the old file is unchanged.
    """
    # A link stays a link.
    path = path.resolve()
    draft = path.with_name(f"{path.name}.new")
    try:
        path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        draft.unlink(missing_ok=True)
        descriptor = os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(descriptor, "w", encoding="utf-8") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        draft.replace(path)
        flush(path.parent)
    except OSError as error:
        with suppress(OSError):
            draft.unlink(missing_ok=True)
        raise UnsafeSetup(
            f"{path} cannot be written. Free disk space or check its mode."
        ) from error
