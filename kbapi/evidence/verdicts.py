"""A pool's judgement kept for telling: senders read why, curators see what waits for them."""

from dataclasses import dataclass

from sqlalchemy import Connection

from kbapi.chips.catalogue import Catalogue
from kbapi.chips.names import identify_chip
from kbapi.evidence.judge import Judgement, judge_pool
from kbapi.evidence.related import floor_steps
from kbapi.evidence.units import Standing, load_pool_rows, units_of
from kbapi.storage.judging_rows import (
    JudgementRow,
    KeptVerdicts,
    UnitSetAside,
    load_verdicts,
)
from kbapi.storage.judging_tables import UNIT_CODES
from kbapi.storage.pool_rows import PoolSize

FAR_TOO_DEEP, FAR_TOO_SHALLOW = UNIT_CODES


@dataclass(frozen=True, slots=True)
class Rejudged:
    """A pool with what was kept of its judgement and what judging it now finds."""

    pool: PoolSize
    before: KeptVerdicts
    now: KeptVerdicts

    @property
    def has_changed(self) -> bool:
        """Whether anything is different."""
        return self.before != self.now


def verdicts_of(judgement: Judgement) -> KeptVerdicts:
    """A judgement as it is kept."""
    return KeptVerdicts(
        JudgementRow(
            deep_cutoff_steps=judgement.fence.deepest_steps,
            shallow_cutoff_steps=judgement.fence.shallowest_steps,
            newcomer_weight_ppm=round(1_000_000 * judgement.newcomer_factor),
            excluded_weight_ppm=round(1_000_000 * judgement.flagged_share),
            is_young=judgement.is_young,
        ),
        _set_aside(judgement),
        tuple(judgement.unlike.tolist()),
    )


def _set_aside(judgement: Judgement) -> tuple[UnitSetAside, ...]:
    deep = [UnitSetAside(unit, FAR_TOO_DEEP) for unit in judgement.outlier_deep.tolist()]
    shallow = [UnitSetAside(unit, FAR_TOO_SHALLOW) for unit in judgement.outlier_shallow.tolist()]
    return tuple(sorted([*deep, *shallow], key=lambda one: one.unit_id))


def rejudge_pool(
    connection: Connection, pool: PoolSize, catalogue: Catalogue, standing: Standing
) -> Rejudged | None:
    """A pool judged now beside what was kept of it.

    None where today's grammar does not know the chip's key: it waits to be read again.
    """
    chip = identify_chip(pool.chip_key).chip
    if chip is None:
        return None
    grid = catalogue.grid_for(catalogue.placed(chip), pool.key.control)
    units = units_of(load_pool_rows(connection, pool.id, standing))
    judgement = judge_pool(units, floor_steps(pool.key.control, grid))
    return Rejudged(pool, load_verdicts(connection, pool.id), verdicts_of(judgement))
