"""The sender's file: contributor token, unit tokens and receipts, in the user's settings folder.

The guide "Data format" describes it, because other clients and pages use the same file. Without it
a result can be neither found nor withdrawn, so a change is on the disk before a command goes on.
"""

import os
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, TypeVar

import click

from kbapi.cli.api_client import ApiClient, RemoteClient
from kbapi.cli.common import paragraph
from kbapi.client import kbapi_client
from kbapi.errors import ServerUnreachable, UnsafeSetup

# A person waits for a command; what is not acknowledged waits in the outbox.
_OF_A_PERSON: Final[Mapping[str, Any]] = {"tries": 4, "longest_s": 30.0}

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
    def client(
        self, api_client: ApiClient, *, is_patient: bool = False
    ) -> Iterator[kbapi_client.Client]:
        """A client of the server or the folder with this file, whose outbox is beside it."""
        home, limits = self.path.parent, {} if is_patient else _OF_A_PERSON
        with _errors_as_unsafe(self.path):
            client = (
                kbapi_client.Client(self.server, os.environ.get("KBAPI_KEY"), home, **limits)
                if isinstance(api_client, RemoteClient)
                else _ClientOfFolder(api_client, self.server, home, **limits)
            )
            client.sender = self._kept
            try:
                yield client
            except kbapi_client.Unreachable as error:
                raise ServerUnreachable(f"{error} Check the address, and that it runs.") from error

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


class _ClientOfFolder(kbapi_client.Client):
    """A client that calls the application in this process, as commands on a folder do."""

    def __init__(self, api_client: ApiClient, folder: str, home: Path, **limits: Any) -> None:
        super().__init__("http://localhost", home=home, **limits)
        self.url = folder
        self._api_client = api_client

    def request(
        self,
        method: str,
        path: str,
        body: bytes | None = None,
        headers: Mapping[str, str] | None = None,
    ) -> kbapi_client.Reply:
        """The reply of the application."""
        reply = self._api_client.request(method, path, body=body, headers=headers)
        return kbapi_client.Reply(reply.status, {}, reply.value)


def send_waiting(client: kbapi_client.Client) -> None:
    """Send what waits in the outbox from earlier commands, and print what became of it."""
    for item, outcome in client.send_outbox():
        state = f"waits: {outcome}" if isinstance(outcome, Exception) else "was sent now"
        click.echo(paragraph(f"An earlier result, {item.name}, {state}"), err=True)


@contextmanager
def _errors_as_unsafe(path: Path) -> Iterator[None]:
    try:
        yield
    except BrokenPipeError:
        raise  # of a reader of the output, as `head`
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
