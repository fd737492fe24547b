"""What a search has tried, in a file that is whole after any crash: tuning is a way to crash."""

import json
import os
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from kbapi.errors import UnsafeSetup


@dataclass
class SearchRecord:
    """A search as it stands on this machine."""

    chip: str
    asked: dict[str, Any]
    """The fields of the question beside chip and trials."""
    stock_passed: dict[str, Any] | None = None
    trials: list[dict[str, Any]] = field(default_factory=list)
    under_way: dict[str, Any] | None = None
    """The run that was written down and whose end is not: a crash leaves it here."""

    def question(self) -> dict[str, Any]:
        """The body that asks for the next step."""
        return {"chip": self.chip, **self.asked, "trials": self.trials}


def load_record(path: Path) -> SearchRecord | None:
    """The search in this file, None where there is none.

    Raises
    ------
    UnsafeSetup
        When the file is damaged; it is never overwritten.
    """
    try:
        kept = json.loads(path.read_text(encoding="utf-8"))
        return SearchRecord(**kept)
    except FileNotFoundError:
        return None
    except (OSError, ValueError, TypeError) as error:
        raise UnsafeSetup(f"{path} is damaged. Repair it or move it away.") from error


def save_record(path: Path, record: SearchRecord) -> None:
    """Keep the search; when this returns it is on the disk, name and all.

    Raises
    ------
    UnsafeSetup
        When it cannot be written: then nothing may be tried.
    """
    draft = path.with_name(f"{path.name}.new")
    try:
        path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        descriptor = os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
        with os.fdopen(descriptor, "w", encoding="utf-8") as file:
            json.dump(asdict(record), file, indent=2)
            file.flush()
            os.fsync(file.fileno())
        draft.replace(path)
        _sync_folder(path.parent)
    except OSError as error:
        raise UnsafeSetup(
            f"{path} cannot be written. Do not try the step before it is saved."
        ) from error


def remove_record(path: Path) -> None:
    """Forget a search that is finished and sent."""
    path.unlink(missing_ok=True)
    _sync_folder(path.parent)


def _sync_folder(folder: Path) -> None:
    # A new name lives in its folder: without this a power cut may leave the old file there.
    if os.name == "nt":
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
