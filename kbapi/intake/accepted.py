"""The answer to an accepted result: how it was understood, what counts and why."""

from dataclasses import dataclass, replace
from typing import Any, Literal

import orjson

from kbapi.chips.chip import ChipSummary
from kbapi.storage.answers import Peers
from kbapi.vocabulary import Domain, Grade, LimitControl, ScreeningStatus


@dataclass(frozen=True, slots=True)
class Reason:
    """One reason for a status or an outcome."""

    code: str
    """Code of the rule or of the decision."""
    text: str
    """What the code means, and what would change the status."""


@dataclass(frozen=True, slots=True)
class ScreenedSetting:
    """How one setting was screened."""

    domain: Domain
    """The supply rail that was adjusted."""
    control: LimitControl
    """How it was adjusted."""
    moved_with: tuple[Domain, ...]
    """Other domains that were adjusted together with this one; empty for the domain alone."""
    status: ScreeningStatus
    """`counted`: part of every answer. `unverified`: stored, without proof that the setting took
    effect. `excluded`: stored, and not counted for the reasons given."""
    reasons: tuple[Reason, ...]
    """Every reason for the status, the main reason first; also remarks on a counted setting."""
    grade: Grade
    """How strongly the passed setting was tested: `short` (under 10 minutes) or `quick` (10 minutes
    or more). `long` is 30 minutes or more under two loads or with checked results."""
    peers: Peers | None
    """How many units of the same pool are stable at this setting; null until the pool was first
    evaluated, and where no setting passed."""


@dataclass(frozen=True, slots=True)
class Screening:
    """How the whole result was screened."""

    status: ScreeningStatus
    """`counted` if any setting counts, else the status of the first setting. A result with locks
    alone counts unless a curator invalidated it."""
    reasons: tuple[Reason, ...]
    """Why no setting counts; empty for a counted result."""


@dataclass(frozen=True, slots=True)
class IgnoredReading:
    """A number of a reading that was not used because it cannot be right."""

    pointer: str
    """JSON pointer to the number in the result."""
    code: str
    """Code of the rule."""
    text: str
    """Why the number cannot be right."""


@dataclass(frozen=True, slots=True)
class Accepted:
    """The whole answer to an accepted result."""

    id: str
    """Id of the stored result, a UUID."""
    receipt: str
    """Secret that reads, follows up and withdraws the result; shown once and not stored."""
    chip: ChipSummary
    """The chip that the result was understood to be about."""
    screening: Screening
    """How the whole result was screened."""
    settings: tuple[ScreenedSetting, ...]
    """How each setting was screened, in the order of the document."""
    thanks: str
    """A sentence of thanks for a person."""
    duplicate_of: str | None = None
    """Id of the earlier result with the same content, which this answer describes; null for a new
    result."""
    chip_conflict: str | None = None
    """How `chip_ids` contradicts the name of the chip; null where they agree."""
    reading_ignored: tuple[IgnoredReading, ...] = ()
    """Numbers of readings that cannot be right and were not used; the rest of the result counts."""

    def without_receipt(self) -> str:
        """The answer as JSON for keeping; a receipt is never stored."""
        return orjson.dumps(replace(self, receipt="")).decode()


@dataclass(frozen=True, slots=True)
class DryRunResponse:
    """The answer to a dry run: how the result would be screened; nothing was stored."""

    chip: ChipSummary
    """The chip that the result was understood to be about."""
    screening: Screening
    """How the whole result would be screened."""
    settings: tuple[ScreenedSetting, ...]
    """How each setting would be screened, in the order of the document."""
    duplicate_of: str | None
    """Id of the stored result with the same content; null for a new result."""
    chip_conflict: str | None
    """How `chip_ids` contradicts the name of the chip; null where they agree."""
    reading_ignored: tuple[IgnoredReading, ...]
    """Numbers of readings that cannot be right and would not be used."""
    dry_run: Literal[True] = True
    """Always true: nothing was stored."""


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
