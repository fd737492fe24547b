"""What an accepted result is told: what was understood, what counts and why."""

from dataclasses import dataclass, replace
from typing import Any

import orjson


@dataclass(frozen=True, slots=True)
class ChipTold:
    """The chip as it was understood."""

    key: str
    name: str
    kind: str
    series: str
    line: str


@dataclass(frozen=True, slots=True)
class SpreadTold:
    """Of the units whose status at this setting was known at the last fit, how many held it."""

    stable_here: int
    of: int


@dataclass(frozen=True, slots=True)
class ReasonTold:
    """Why a setting stands as it does, and what would change it."""

    code: str
    text: str


@dataclass(frozen=True, slots=True)
class SettingTold:
    """How one setting was screened."""

    domain: str
    control: str
    moved_with: tuple[str, ...]
    status: str
    reasons: tuple[ReasonTold, ...]
    grade: str
    spread: SpreadTold | None


@dataclass(frozen=True, slots=True)
class ScreeningTold:
    """The document's standing: counted if any setting counts."""

    status: str
    reasons: tuple[ReasonTold, ...]


@dataclass(frozen=True, slots=True)
class IgnoredTold:
    """A number that was not used, where it stands and why."""

    pointer: str
    code: str
    text: str


@dataclass(frozen=True, slots=True)
class Accepted:
    """The whole answer to an accepted result."""

    id: str
    receipt: str
    chip: ChipTold
    screening: ScreeningTold
    settings: tuple[SettingTold, ...]
    thanks: str
    duplicate_of: str | None = None
    chip_conflict: str | None = None
    """How the numbers sent beside the chip's name contradict it, if they do."""
    reading_ignored: tuple[IgnoredTold, ...] = ()
    """Numbers of readings that cannot be right; the rest of the result stands."""

    def without_receipt(self) -> str:
        """The answer as JSON for keeping; a receipt is never stored."""
        return orjson.dumps(replace(self, receipt="")).decode()


@dataclass(frozen=True, slots=True)
class Rehearsed:
    """What a result would be told, had it been stored."""

    chip: ChipTold
    screening: ScreeningTold
    settings: tuple[SettingTold, ...]
    duplicate_of: str | None
    chip_conflict: str | None
    reading_ignored: tuple[IgnoredTold, ...]
    dry_run: bool = True


def rehearsed_from(accepted: Accepted) -> Rehearsed:
    """The answer without what a stored result alone has."""
    return Rehearsed(
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
        chip=ChipTold(**fields["chip"]),
        screening=ScreeningTold(
            fields["screening"]["status"], _reasons(fields["screening"]["reasons"])
        ),
        settings=tuple(_setting(setting) for setting in fields["settings"]),
        thanks=fields["thanks"],
        duplicate_of=fields["duplicate_of"],
        chip_conflict=fields.get("chip_conflict"),
        reading_ignored=tuple(IgnoredTold(**one) for one in fields.get("reading_ignored", ())),
    )


def _reasons(kept: list[dict[str, str]]) -> tuple[ReasonTold, ...]:
    return tuple(ReasonTold(**reason) for reason in kept)


def _setting(kept: dict[str, Any]) -> SettingTold:
    spread = kept["spread"]
    return SettingTold(
        **{
            **kept,
            "moved_with": tuple(kept["moved_with"]),
            "reasons": _reasons(kept["reasons"]),
            "spread": None if spread is None else SpreadTold(**spread),
        }
    )
