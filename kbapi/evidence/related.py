"""What the chips around a chip say of it, for a pool that has few units of its own, or none."""

from typing import Final

from sqlalchemy import Connection

from kbapi.chips.catalogue import Catalogue
from kbapi.chips.names import identify_chip
from kbapi.evidence.pools import PoolFound, load_related_intervals
from kbapi.evidence.units import Standing
from kbapi.stats.grid import Grid
from kbapi.stats.scale import COUNT_OFFSET, FIXED_CLOCK_VOLTAGE, VOLTAGE_OFFSET, PriorScale
from kbapi.stats.siblings import FEWEST_UNITS, Sibling, Siblings, summarise_sibling
from kbapi.storage.pool_rows import PoolSize

SCALES: Final[dict[str, PriorScale]] = {
    "voltage_offset": VOLTAGE_OFFSET,
    "count_offset": COUNT_OFFSET,
    "fixed_clock_voltage": FIXED_CLOCK_VOLTAGE,
}
_MOST_SIBLINGS: Final = 8
"""More chips hardly narrow what one more among them may be, and each costs a fit."""


def floor_steps(control: str, grid: Grid) -> float:
    """The spread in grid steps below which nothing in a pool counts as far away."""
    return SCALES[control].least_spread / float(grid.step)


def load_siblings(
    connection: Connection, found: PoolFound, catalogue: Catalogue, standing: Standing
) -> Siblings:
    """The chips of the series that have enough units; only without any, those of the line."""
    series = _summaries(connection, found.series, catalogue, standing)
    if series:
        return Siblings(series)
    return Siblings((), _summaries(connection, found.line, catalogue, standing))


def _summaries(
    connection: Connection, pools: tuple[PoolSize, ...], catalogue: Catalogue, standing: Standing
) -> tuple[Sibling, ...]:
    summaries = []
    for pool in pools[:_MOST_SIBLINGS]:
        chip = identify_chip(pool.chip_key).chip
        # A key that today's grammar does not know waits for the chips to be read again.
        if chip is not None and pool.units >= FEWEST_UNITS:
            grid = catalogue.grid_for(catalogue.placed(chip), pool.key.control)
            floor = floor_steps(pool.key.control, grid)
            intervals = load_related_intervals(connection, pool, standing, floor)
            scale = SCALES[pool.key.control]
            summaries.append(summarise_sibling(intervals, float(grid.step), scale))
    return tuple(summaries)
