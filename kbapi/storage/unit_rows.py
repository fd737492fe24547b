"""The units of a pool: rows chosen by filters, merged by unit, weighed, grouped by SQL."""

from dataclasses import asdict, dataclass
from datetime import date
from typing import Any, Final

from sqlalchemy import Connection, text

from kbapi.stats.interval import NEVER_FAILED
from kbapi.storage.tables import MAX_STEPS
from kbapi.vocabulary import GRADES


@dataclass(frozen=True, slots=True)
class Filters:
    """Which conditions rows are read under; None is any."""

    load: str | None = None
    grade: str | None = None
    """At least this strength of testing."""
    cooling: str | None = None
    firmware: str | None = None
    microcode: str | None = None
    machine: str | None = None
    supply: str | None = None


EVERYTHING: Final = Filters()

# Filters select rows first. Of what is left, each unit speaks for its latest era: the one with the
# latest month and, of several, the one whose microcode and firmware sort last, so that the order
# of arrival never matters.
CHOSEN_ROWS: Final = """
    era AS (
        SELECT id, loads, grade,
               printf('%08d', DENSE_RANK() OVER (ORDER BY microcode, firmware)) AS era
        FROM conditions
    ),
    wanted AS (
        SELECT era.id, era.loads, era.grade, era.era
        FROM era JOIN conditions ON conditions.id = era.id
        WHERE (:load IS NULL OR instr(',' || conditions.loads || ',', ',' || :load || ',') > 0)
          AND (:cooling IS NULL
               OR instr(',' || conditions.cooling || ',', ',' || :cooling || ',') > 0)
          AND (:grade IS NULL
               OR instr(:grades, conditions.grade) >= instr(:grades, :grade))
          AND (:firmware IS NULL OR conditions.firmware = :firmware)
          AND (:microcode IS NULL OR conditions.microcode = :microcode)
          AND (:machine IS NULL OR conditions.machine = :machine)
          AND (:supply IS NULL OR conditions.supply = :supply)
    ),
    filtered AS MATERIALIZED (
        SELECT level.unit_id, level.contributor_id, level.stable_steps, level.unstable_steps,
               level.early_stop_steps, level.latest_month, level.vouched, level.conditions_id,
               wanted.loads, wanted.grade, wanted.era
        FROM evidence_row AS level JOIN wanted ON wanted.id = level.conditions_id
        WHERE level.pool_id = :pool_id
    ),
    newest AS (
        SELECT unit_id, substr(MAX(latest_month || era), 8) AS era
        FROM filtered GROUP BY unit_id
    ),
    chosen AS (
        SELECT filtered.* FROM filtered
        JOIN newest ON newest.unit_id = filtered.unit_id AND newest.era = filtered.era
    )
"""


def of_pool(pool_id: int, filters: Filters) -> dict[str, Any]:
    """The parameters of the statements about a pool's units."""
    return {
        "pool_id": pool_id,
        "grades": ",".join(GRADES),
        "packing": MAX_STEPS + 1,
        "never_failed": NEVER_FAILED,
        **asdict(filters),
    }


@dataclass(frozen=True, slots=True)
class UnitGroup:
    """Units of a pool that share one limit interval and all that judging asks of them."""

    stable_steps: int
    unstable_steps: int
    contributor_id: int
    """0 for all contributors that have too few units to be looked at one by one."""
    is_established: bool
    is_vouched: bool
    weight_ppm: int
    """Sum of the units' weights in millionths: integers add up the same in any order."""
    units: int
    latest_month: str


@dataclass(frozen=True, slots=True)
class Standing:
    """Who weighs how much, before any verdict."""

    units_of_full_weight: int
    """How many units of one contributor weigh one each; more share that."""
    units_told_apart: int
    """A contributor of this many units or more is looked at alone."""
    established_by: date
    """Who was first seen later is not established."""
    others_needed: int
    """With fewer other contributors in the pool nobody is established."""
    nobody: bytes
    """Hash that stands for all who send without a token; never established."""


# Two steps, because the deepest pass that counts is the deepest one short of the unit's
# shallowest failure, and that failure may stand in another row. Depth and early stop are packed
# into one number so that MAX brings the early stop of the deepest pass (the smallest one at ties).
COUNTED_UNITS: Final = f"""
    {CHOSEN_ROWS},
    failed AS (
        SELECT unit_id, MIN(unstable_steps) AS unstable FROM chosen GROUP BY unit_id
    ),
    merged AS (
        SELECT level.unit_id, level.contributor_id, failed.unstable,
               MAX(CASE WHEN level.stable_steps < failed.unstable
                        THEN level.stable_steps * :packing + (:packing - 1 - level.early_stop_steps)
                        ELSE :packing - 1 END) AS packed,
               MAX(level.latest_month) AS latest_month, MAX(level.vouched) AS vouched
        FROM chosen AS level JOIN failed ON failed.unit_id = level.unit_id
        GROUP BY level.unit_id, level.contributor_id, failed.unstable
    ),
    held AS (
        SELECT unit_id, contributor_id, unstable, latest_month, vouched,
               packed / :packing AS stable, :packing - 1 - packed % :packing AS early_stop
        FROM merged
    ),
    counted AS (
        SELECT unit_id, contributor_id, unstable, latest_month, vouched,
               CASE WHEN unstable < :never_failed THEN stable
                    WHEN stable > early_stop THEN stable - early_stop
                    ELSE 0 END AS stable
        FROM held
    )
"""  # noqa: S608 - put together from constants of this file

# A contributor's one counted unit in a pool with five others is this very pool, or the pool is too
# small to have established weight anyway: nothing is asked of other pools.
SENDERS: Final = """
    share AS (
        SELECT contributor_id,
               CASE WHEN COUNT(*) <= :full_units THEN 1000000
                    ELSE 1000000 * :full_units / COUNT(*) END AS weight_ppm,
               CASE WHEN COUNT(*) >= :told_apart THEN contributor_id ELSE 0 END AS alone,
               COUNT(*) OVER () > :others_needed AS in_company
        FROM counted GROUP BY contributor_id
    ),
    sender AS (
        SELECT share.contributor_id, share.weight_ppm, share.alone,
               share.in_company AND contributor.first_seen_day <= :established_by
               AND contributor.token_hash <> :nobody AS established
        FROM share JOIN contributor ON contributor.id = share.contributor_id
    )
"""

_UNIT_GROUPS: Final = text(
    f"""
    WITH {COUNTED_UNITS},
    {SENDERS}
    SELECT stable, unstable, alone, established, vouched, SUM(weight_ppm), COUNT(*),
           MAX(latest_month)
    FROM counted JOIN sender ON sender.contributor_id = counted.contributor_id
    GROUP BY stable, unstable, alone, established, vouched
    ORDER BY stable, unstable, alone, established, vouched
    """  # noqa: S608 - put together from constants of this file
)


def of_standing(pool_id: int, standing: Standing, filters: Filters) -> dict[str, Any]:
    """The same with those of who weighs how much."""
    return {
        **of_pool(pool_id, filters),
        "full_units": standing.units_of_full_weight,
        "told_apart": standing.units_told_apart,
        "established_by": standing.established_by.isoformat(),
        "others_needed": standing.others_needed,
        "nobody": standing.nobody,
    }


def load_unit_groups(
    connection: Connection, pool_id: int, standing: Standing, filters: Filters = EVERYTHING
) -> list[UnitGroup]:
    """The units of a pool, each merged over its rows, grouped by all that judging asks of them."""
    rows = connection.execute(_UNIT_GROUPS, of_standing(pool_id, standing, filters))
    return [
        UnitGroup(*row[:3], *(bool(flag) for flag in row[3:5]), *row[5:])
        for row in map(tuple, rows)
    ]
