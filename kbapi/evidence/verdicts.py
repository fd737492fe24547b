"""A pool's judgement kept for telling: senders read why, curators see what waits for them."""

from collections.abc import Iterator
from dataclasses import dataclass

from sqlalchemy import Connection

from kbapi.chips.catalogue import Catalogue
from kbapi.chips.names import identify_chip
from kbapi.evidence.judge import Judgement, judge_pool
from kbapi.evidence.related import floor_steps
from kbapi.storage.judging_rows import JudgementRow, KeptVerdicts, find_units_of, load_verdicts
from kbapi.storage.pool_rows import PoolSize, load_all_pools
from kbapi.storage.unit_rows import Standing, load_unit_groups


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


def verdicts_of(connection: Connection, pool_id: int, judgement: Judgement) -> KeptVerdicts:
    """A judgement as it is kept, with the units behind its intervals."""
    return KeptVerdicts(
        JudgementRow(
            deepest_steps=judgement.fence.deepest_steps,
            shallowest_steps=judgement.fence.shallowest_steps,
            newcomer_ppm=round(1_000_000 * judgement.newcomer_factor),
            flagged_ppm=round(1_000_000 * judgement.flagged_share),
            is_young=judgement.is_young,
        ),
        tuple(find_units_of(connection, pool_id, judgement.outlying)),
        judgement.unlike,
    )


def rejudge_pools(
    connection: Connection, catalogue: Catalogue, standing: Standing
) -> Iterator[Rejudged]:
    """Every pool with units, judged now, in a fixed order."""
    for pool in load_all_pools(connection):
        chip = identify_chip(pool.chip_key).chip
        if chip is None:
            continue  # a key that today's grammar does not know waits to be read again
        grid = catalogue.grid_for(catalogue.placed(chip), pool.key.control)
        groups = load_unit_groups(connection, pool.id, standing)
        judgement = judge_pool(groups, floor_steps(pool.key.control, grid))
        yield Rejudged(
            pool,
            load_verdicts(connection, pool.id),
            verdicts_of(connection, pool.id, judgement),
        )
