"""What questions about time meet in the database: follow-ups of a series, and a pool's drift."""

from dataclasses import dataclass

from sqlalchemy import Connection

from kbapi.chips.catalogue import Catalogue
from kbapi.chips.chip import ChipName
from kbapi.evidence.drift import PoolDrift, load_drift
from kbapi.evidence.lasting import LastingEvidence, grids_of, lasting_evidence
from kbapi.storage import chip_rows
from kbapi.storage.chip_rows import LineRow
from kbapi.storage.drift_rows import find_largest_pool
from kbapi.storage.lasting_rows import FollowedRow, load_followed_of_series
from kbapi.vocabulary import LIMIT_CONTROLS, LimitControl


@dataclass(frozen=True)
class TimeFound:
    """Everything in the database that an answer about time stands on."""

    line: LineRow | None
    control: LimitControl
    rows: tuple[FollowedRow, ...]
    """Follow-ups of the chip's series on this control and on rails that hold the domain."""
    has_results: bool
    """Whether the chip itself has any in such a pool."""
    drift: PoolDrift | None
    """Of the chip's largest pool; None without one."""

    @property
    def revision(self) -> str:
        """The line's revision, as answers tell it."""
        return chip_rows.revision_told(self.line)


def find_time(
    connection: Connection,
    chip: ChipName,
    domain: str,
    control: LimitControl | None,
    catalogue: Catalogue,
) -> TimeFound:
    """What stands in the database; a control that was not asked for is the one most followed."""
    line = chip_rows.find_line(connection, chip.line)
    rows = [
        row
        for row in load_followed_of_series(connection, chip.series)
        if domain in row.domains.split("+")
    ]
    told = control or _usual_control(rows, chip, catalogue)
    pool_id = find_largest_pool(connection, chip.key, told, domain)
    return TimeFound(
        line=line,
        control=told,
        rows=tuple(row for row in rows if row.control == told),
        has_results=pool_id is not None,
        drift=None if pool_id is None else load_drift(connection, pool_id),
    )


def _usual_control(rows: list[FollowedRow], chip: ChipName, catalogue: Catalogue) -> LimitControl:
    units = {
        control: len({row.unit_id for row in rows if row.control == control})
        for control in LIMIT_CONTROLS
    }
    known = catalogue.controls_for(chip)
    return max(LIMIT_CONTROLS, key=lambda control: (units[control], control in known))


def lasting_of(found: TimeFound, chip: ChipName, catalogue: Catalogue) -> LastingEvidence:
    """The settings in use of the chip, or of its series."""
    grid_of = grids_of(catalogue, found.control)
    return lasting_evidence(found.rows, chip.key, found.control, grid_of)
