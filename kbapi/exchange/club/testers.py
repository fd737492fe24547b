"""How people search for the limit of their unit, in what they type.

First setting uniform 50 to 80 mV below stock, steps of 5, 10 or 25 mV; 35 % stop at a planned
depth 0 to 80 mV past the first setting, the others at the first failure. Rails and controls with
another scale are searched on that scale.
"""

from dataclasses import dataclass
from fractions import Fraction
from random import Random
from typing import Final

from kbapi.exchange.club import shares
from kbapi.exchange.club.truth import PoolTruth, typing_unit

_FIRST_MV: Final = (50.0, 80.0)
_STEPS_MV: Final = (5, 10, 25)
_FURTHEST_PLAN_MV: Final = 80.0
_ROOM_MV: Final = 240.0
"""The controls of the invented makers go no deeper; few units are so good that it matters."""
_CLAIMED_END_MV: Final = (60.0, 150.0)


@dataclass(frozen=True, slots=True)
class Search:
    """What a tester tried and saw, in what people type below stock (`typing_unit`)."""

    pool: PoolTruth
    first: int
    stable: int | None
    unstable: int | None
    planned: int | None
    """Told only by those who planned where to stop."""

    @property
    def failed(self) -> bool:
        """Whether any setting failed."""
        return self.unstable is not None


@dataclass(frozen=True, slots=True)
class _Plan:
    first: int
    step: int
    planned: int | None
    feels_wrong: bool


def search_limit(rng: Random, pool: PoolTruth, limit_steps: int) -> Search:
    """The search of one honest tester whose unit's limit is this grid step."""
    plan = _draw_plan(rng, pool)
    room = _typed(_ROOM_MV, pool, typing_unit(pool.grid))
    stable, depth = None, plan.first
    while steps_of(pool, depth) <= limit_steps:
        stable, depth = depth, depth + plan.step
        if depth > (room if plan.planned is None else plan.planned):
            # Who runs out of room has arrived as well.
            return Search(pool, plan.first, stable, None, plan.planned or stable)
        if plan.feels_wrong and steps_of(pool, depth) > limit_steps:
            return Search(pool, plan.first, stable, None, None)
    return Search(pool, plan.first, stable, depth, plan.planned)


def search_without_effect(rng: Random, pool: PoolTruth) -> Search:
    """The search of somebody whose settings change nothing: all of them pass."""
    first = _draw_plan(rng, pool).first
    end = round(rng.uniform(*_CLAIMED_END_MV) * pool.scale / float(typing_unit(pool.grid)))
    return Search(pool, first, max(first, end), None, None)


def steps_of(pool: PoolTruth, typed: int) -> int:
    """The whole grid step that the control makes of what was typed."""
    return pool.grid.stable_steps(float(typed * typing_unit(pool.grid)))


def _draw_plan(rng: Random, pool: PoolTruth) -> _Plan:
    unit = typing_unit(pool.grid)
    first = _typed(rng.uniform(*_FIRST_MV), pool, unit)
    step = _typed(rng.choice(_STEPS_MV), pool, unit)
    if rng.random() < shares.ROUND_NUMBERS and unit == 1 and pool.control != "count_offset":
        first, step = max(10, round(first, -1)), 10
    if rng.random() < shares.PLANNED_END:
        furthest = first + _typed(rng.uniform(0, _FURTHEST_PLAN_MV), pool, unit)
        return _Plan(first, step, furthest - (furthest - first) % step, feels_wrong=False)
    return _Plan(first, step, None, feels_wrong=rng.random() < shares.FEELS_WRONG)


def _typed(core_rail_mv: float, pool: PoolTruth, unit: Fraction) -> int:
    return max(1, round(core_rail_mv * pool.scale / float(unit)))
