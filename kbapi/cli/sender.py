"""What a sender keeps on their own machine: their tokens and receipts, in a file of their own.

Nobody else has them: without the file a result can be neither read back nor withdrawn.
"""

import json
import os
import secrets
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from kbapi.errors import UnsafeSetup


def sender_file() -> Path:
    """Where the sender's file is: in the folder that the system has for settings."""
    folder = os.environ.get("XDG_CONFIG_HOME") or os.environ.get("APPDATA")
    return (Path(folder) if folder else Path.home() / ".config") / "kbapi" / "sender.json"


@dataclass
class Sender:
    """Tokens that were made up here, and the receipts that came back for them."""

    contributor_token: str
    unit_tokens: dict[str, str] = field(default_factory=dict)
    """By chip key: one machine, one chip of a kind."""
    receipts: dict[str, str] = field(default_factory=dict)
    """By the id of the submission."""

    def unit_token(self, chip_key: str) -> str:
        """The token of this machine's chip, made up at its first use."""
        return self.unit_tokens.setdefault(chip_key, secrets.token_urlsafe(18))


def load_sender(path: Path) -> Sender:
    """The sender in this file, or a new one that has sent nothing.

    Raises
    ------
    UnsafeSetup
        When the file is damaged; it is never overwritten.
    """
    if not path.exists():
        return Sender(secrets.token_urlsafe(18))
    try:
        kept: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        return Sender(kept["contributor_token"], kept["unit_tokens"], kept["receipts"])
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise UnsafeSetup(f"{path} is damaged. Repair it or move it away.") from error


def save_sender(path: Path, sender: Sender) -> None:
    """Keep the sender, for the owner's eyes only; the old file stays whole until the new one is."""
    path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    draft = path.with_suffix(".new")
    descriptor = os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
    with os.fdopen(descriptor, "w", encoding="utf-8") as file:
        json.dump(vars(sender), file, indent=2)
        file.flush()
        os.fsync(file.fileno())
    draft.replace(path)
