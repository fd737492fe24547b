"""The sender's file: contributor token, unit tokens and receipts, in the user's settings folder.

The guide "Data format" describes it, because other clients and pages use the same file. Without it
a result can be neither found nor withdrawn, so a change is on the disk before a command goes on.
"""

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, TypeVar

import click

from kbapi.client import kbapi_client
from kbapi.errors import UnsafeSetup

# A person waits for a command; what is not acknowledged waits in the outbox.
_TRIES: Final = 4
_LONGEST_S: Final = 30.0

_Command = TypeVar("_Command", bound=Callable[..., Any])


def _usual_path() -> Path:
    return kbapi_client.settings_folder() / "sender.json"


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
    """The sender's file, and the server that the present command asks.

    The client keeps it. Here its errors become messages of a command.
    """

    path: Path
    server: str
    """The address of the server, or the folder of a local instance."""

    def read(self) -> dict[str, Any] | None:
        """The content of the file, None where there is none.

        Raises
        ------
        UnsafeSetup
            When the file is damaged or of another version; it is never overwritten.
        """
        with _errors_as_unsafe(self.path):
            return self._kept.read()

    @property
    def _kept(self) -> kbapi_client.SenderFile:
        return kbapi_client.SenderFile(self.path)

    @contextmanager
    def client(self, key: str | None) -> Iterator[kbapi_client.Client]:
        """A client of the server with this file, whose outbox is beside it."""
        with _errors_as_unsafe(self.path):
            client = kbapi_client.Client(self.server, key, self.path.parent, _TRIES, _LONGEST_S)
            client.sender = self._kept
            yield client

    def tokens_for(self, chip: str, machine: str) -> dict[str, str]:
        """The tokens of a result, once they are saved."""
        with _errors_as_unsafe(self.path):
            return self._kept.tokens_for(chip, machine)

    def save_receipts(self, receipts: Mapping[str, tuple[str, str]]) -> None:
        """Save receipts by the id of their result, each with the chip."""
        with _errors_as_unsafe(self.path):
            self._kept.save_receipts(receipts, self.server)

    def find_receipt(self, submission_id: str) -> str | None:
        """The receipt of a result, None where it is not saved."""
        with _errors_as_unsafe(self.path):
            saved = self._kept.find_receipt(submission_id)
        return str(saved["receipt"]) if saved else None

    def remove_receipt(self, submission_id: str) -> None:
        """Remove the receipt of a result that was withdrawn."""
        with _errors_as_unsafe(self.path):
            self._kept.remove_receipt(submission_id)


@contextmanager
def _errors_as_unsafe(path: Path) -> Iterator[None]:
    try:
        yield
    except kbapi_client.MachineNotNamed as error:
        raise UnsafeSetup(f"{error} Use --machine.") from error
    except ValueError as error:
        raise UnsafeSetup(str(error)) from error
    except OSError as error:
        raise UnsafeSetup(
            f"{path} cannot be written. Free disk space, check its mode, or name another file."
        ) from error


def save_private_file(path: Path, text: str) -> None:
    """Replace a file by this text, for its owner only; file and folder are flushed to the disk.

    Raises
    ------
    UnsafeSetup
        When it cannot be written; then the old file is unchanged.
    """
    with _errors_as_unsafe(path):
        kbapi_client.save_private(path, text)
