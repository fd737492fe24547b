"""What an accepted result is told: what was understood, what counts and why."""

from dataclasses import dataclass, replace
from typing import Any

import orjson

from kbapi.chips.chip import ChipSummary
from kbapi.storage.answers import Peers


@dataclass(frozen=True, slots=True)
class Reason:
    """Why a setting stands as it does, and what would change it."""

    code: str
    text: str


@dataclass(frozen=True, slots=True)
class ScreenedSetting:
    """How one setting was screened."""

    domain: str
    control: str
    moved_with: tuple[str, ...]
    status: str
    reasons: tuple[Reason, ...]
    grade: str
    peers: Peers | None


@dataclass(frozen=True, slots=True)
class Screening:
    """The document's standing: counted if any setting counts."""

    status: str
    reasons: tuple[Reason, ...]


@dataclass(frozen=True, slots=True)
class IgnoredReading:
    """A number that was not used, where it stands and why."""

    pointer: str
    code: str
    text: str


@dataclass(frozen=True, slots=True)
class Accepted:
    """The whole answer to an accepted result."""

    id: str
    receipt: str
    chip: ChipSummary
    screening: Screening
    settings: tuple[ScreenedSetting, ...]
    thanks: str
    duplicate_of: str | None = None
    chip_conflict: str | None = None
    """How the numbers sent beside the chip's name contradict it, if they do."""
    reading_ignored: tuple[IgnoredReading, ...] = ()
    """Numbers of readings that cannot be right; the rest of the result stands."""

    def without_receipt(self) -> str:
        """The answer as JSON for keeping; a receipt is never stored."""
        return orjson.dumps(replace(self, receipt="")).decode()


@dataclass(frozen=True, slots=True)
class DryRunResponse:
    """What a result would be told, had it been stored."""

    chip: ChipSummary
    screening: Screening
    settings: tuple[ScreenedSetting, ...]
    duplicate_of: str | None
    chip_conflict: str | None
    reading_ignored: tuple[IgnoredReading, ...]
    dry_run: bool = True


def dry_run_from(accepted: Accepted) -> DryRunResponse:
    """The answer without what a stored result alone has."""
    return DryRunResponse(
        chip=accepted.chip,
        screening=accepted.screening,
        settings=accepted.settings,
        duplicate_of=accepted.duplicate_of,
        chip_conflict=accepted.chip_conflict,
        reading_ignored=accepted.reading_ignored,
    )


def accepted_from(kept: str, receipt: str) -> Accepted:
    """The answer that was kept, with its receipt made again."""
    fields: dict[str, Any] = orjson.loads(kept)
    return Accepted(
        id=fields["id"],
        receipt=receipt,
        chip=ChipSummary(**fields["chip"]),
        screening=Screening(
            fields["screening"]["status"], _reasons(fields["screening"]["reasons"])
        ),
        settings=tuple(_setting(setting) for setting in fields["settings"]),
        thanks=fields["thanks"],
        duplicate_of=fields["duplicate_of"],
        chip_conflict=fields.get("chip_conflict"),
        reading_ignored=tuple(IgnoredReading(**one) for one in fields.get("reading_ignored", ())),
    )


def _reasons(kept: list[dict[str, str]]) -> tuple[Reason, ...]:
    return tuple(Reason(**reason) for reason in kept)


def _setting(kept: dict[str, Any]) -> ScreenedSetting:
    peers = kept["peers"]
    return ScreenedSetting(
        **{
            **kept,
            "moved_with": tuple(kept["moved_with"]),
            "reasons": _reasons(kept["reasons"]),
            "peers": None if peers is None else Peers(**peers),
        }
    )
