"""What is known of one control on one domain, as it goes over the wire."""

from dataclasses import dataclass

from kbapi.advice import wording
from kbapi.evidence.locks import CountOf, LockShares, Split


@dataclass(frozen=True, slots=True)
class StatusTold:
    """The share of units with one status."""

    status: str
    share: float
    units: int


@dataclass(frozen=True, slots=True)
class CountTold:
    """How many units."""

    value: str
    units: int


@dataclass(frozen=True, slots=True)
class SplitTold:
    """The open share among units that have something in common."""

    value: str
    share_open: float
    interval: tuple[float, float]
    units: int


@dataclass(frozen=True, slots=True)
class ControlLocks:
    """What is known of one control on one domain."""

    domain: str
    control: str
    status: str
    """In one word: the status with the largest share, mixed, or unknown without reports."""
    in_words: str
    share_open: float
    """Open, or open in the firmware's own menu."""
    interval: tuple[float, float]
    confidence: float
    n: float
    """Weight of the chip's own reports; hearsay counts one half."""
    level: str
    """chip, series where siblings alone speak, none."""
    statuses: tuple[StatusTold, ...]
    found_by: tuple[CountTold, ...]
    changes: tuple[CountTold, ...]
    """What had been changed where it was open: history, never a recommendation."""
    by_machine: tuple[SplitTold, ...]
    by_firmware_month: tuple[SplitTold, ...]
    by_protection: tuple[SplitTold, ...]
    withheld_cells: int
    """Cells of fewer than five units, which are not shown."""


def control_told(shares: LockShares) -> ControlLocks:
    """What the reports say, as it goes over the wire."""
    return ControlLocks(
        domain=shares.domain,
        control=shares.control,
        status=shares.word,
        in_words=wording.status_in_words(shares.word),
        share_open=round(shares.open.share, 4),
        interval=(round(shares.open.low, 4), round(shares.open.high, 4)),
        confidence=shares.open.confidence,
        n=round(shares.open.units, 2),
        level=shares.level,
        statuses=tuple(
            StatusTold(one.status, round(one.share, 4), one.units) for one in shares.statuses
        ),
        found_by=_counts_told(shares.found_by),
        changes=_counts_told(shares.changes),
        by_machine=_splits_told(shares.by_machine),
        by_firmware_month=_splits_told(shares.by_firmware_month),
        by_protection=_splits_told(shares.by_protection),
        withheld_cells=shares.withheld_cells,
    )


def _counts_told(counts: tuple[CountOf, ...]) -> tuple[CountTold, ...]:
    return tuple(CountTold(count.value, count.units) for count in counts)


def _splits_told(splits: tuple[Split, ...]) -> tuple[SplitTold, ...]:
    return tuple(
        SplitTold(
            split.value,
            round(split.share_open, 4),
            (round(split.interval[0], 4), round(split.interval[1], 4)),
            split.units,
        )
        for split in splits
    )
