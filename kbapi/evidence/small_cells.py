"""Which cells of a breakdown are withheld, and which results wait, so that no one is recognised.

Cells are counted over known contributors, whose tokens are 30 days old: units can be invented, and
people for whom a key vouches as well.
"""

from collections.abc import Collection, Sequence
from dataclasses import asdict, replace
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from kbapi.evidence.units import EVERYTHING, Filters, PoolRows

FEWEST_SHOWN: Final = 5
"""A breakdown into fewer known contributors is withheld: so few could be recognised."""

Flags = NDArray[np.bool_]


class Cell(NamedTuple):
    """Units that a breakdown puts together."""

    units: int
    contributors: Collection[int]
    """The numbers of their known contributors, each once."""

    @property
    def is_small(self) -> bool:
        """Whether it has units, but too few contributors to be shown."""
        return self.units > 0 and len(self.contributors) < FEWEST_SHOWN

    @property
    def shown(self) -> int | None:
        """Its units; None where it has too few contributors to be shown, or none."""
        return None if len(self.contributors) < FEWEST_SHOWN else self.units


NO_CELL: Final = Cell(0, ())


def shown_cells(
    cells: Sequence[Cell], beside: Cell = NO_CELL, withheld: Sequence[int] = ()
) -> tuple[bool, ...]:
    """Which cells may be shown where the sum over all of them is shown as well.

    Small cells are withheld. Where they hold so few contributors together that the sum without the
    shown cells would show them, the smallest of the others goes with them.

    Parameters
    ----------
    cells
        The cells, each unit in one of them.
    beside
        Units of the sum that are in no cell.
    withheld
        Places of cells that are withheld for another reason.

    References
    ----------
    Secondary suppression: Hundepool et al. (2012), *Statistical Disclosure Control*, section 4.3.

    >>> nine, three, seven = Cell(9, range(9)), Cell(3, range(10, 13)), Cell(7, range(20, 27))
    >>> shown_cells([nine, three, seven])
    (True, False, False)
    >>> shown_cells([nine, three, seven], beside=Cell(2, (30, 31)))
    (True, False, True)
    """
    hidden = {place for place, cell in enumerate(cells) if cell.is_small} | set(withheld)
    others = sorted(
        (len(cell.contributors), cell.units, place)
        for place, cell in enumerate(cells)
        if place not in hidden
    )
    for _, units, place in others:
        if not hidden or not _together([beside, *(cells[one] for one in hidden)]).is_small:
            break
        if units:
            hidden.add(place)
    return tuple(place not in hidden for place in range(len(cells)))


def _together(cells: Sequence[Cell]) -> Cell:
    contributors = set().union(*(cell.contributors for cell in cells))
    return Cell(sum(cell.units for cell in cells), contributors)


def is_shown(rows: PoolRows, filters: Filters) -> bool:
    """Whether an answer under this filter may be shown.

    Its results need five known contributors. So do those that each of its conditions leaves
    out, unless they have none: the answers with and without the condition would show them.
    """
    inside = _contributors(rows, filters)
    if len(np.unique(inside[inside > 0])) < FEWEST_SHOWN:
        return False
    for name, value in asdict(filters).items():
        if value is not None:
            wider = _contributors(rows, replace(filters, **{name: None}))
            left_out = len(np.unique(wider[(wider > 0) & (inside == 0)]))
            if 0 < left_out < FEWEST_SHOWN:
                return False
    return True


def _contributors(rows: PoolRows, filters: Filters) -> NDArray[np.int64]:
    """The contributor of each row that a filter admits, 0 for others and unknown ones."""
    merged = rows.merged
    counts = rows.admitted(filters, merged.conditions) & np.isin(merged.contributor, rows.known)
    return np.where(counts, merged.contributor, 0)


def released(rows: PoolRows, filters: Filters = EVERYTHING) -> PoolRows:
    """The rows that percentiles and filtered answers use.

    The results of this day wait until five more contributors have sent some, else for the next
    day: otherwise the answers before and after a result would show it.
    """
    results = rows.results
    everywhere = np.ones(len(results.unit), dtype=np.bool_)
    kept = _are_released(rows, everywhere)
    if filters != EVERYTHING and len(kept):
        inside = rows.admitted(filters, results.conditions)
        kept &= ~inside | _are_released(rows, inside)
    return rows if kept.all() else rows.some(kept)


def _are_released(rows: PoolRows, inside: Flags) -> Flags:
    """Which results do not wait for more contributors among those inside."""
    arrival, contributor = rows.results.arrival, rows.results.contributor
    before = np.unique(contributor[inside & (arrival == 0)])
    is_more = inside & (arrival > 0) & np.isin(contributor, np.setdiff1d(rows.known, before))
    more = np.flatnonzero(is_more)
    more = more[np.argsort(arrival[more], kind="stable")]
    first = np.unique(contributor[more], return_index=True)[1]
    arrivals = np.sort(arrival[more][first])
    groups = len(arrivals) // FEWEST_SHOWN
    last = arrivals[groups * FEWEST_SHOWN - 1] if groups else 0
    return np.asarray(arrival <= last)
