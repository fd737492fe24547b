"""Follow-ups as answers about time take them: what was in use, for how long, what had changed."""

from dataclasses import dataclass
from typing import Any, Final

import orjson
from sqlalchemy import Connection

from kbapi.storage.statements import find_rows


@dataclass(frozen=True, slots=True)
class FollowedRow:
    """A follow-up beside the setting that it is about."""

    chip_key: str
    control: str
    domains: str
    pool_id: int
    unit_id: int
    contributor_id: int
    status: str
    """How the setting itself was screened."""
    stable_steps: int | None
    """The deepest that had passed when the result was sent."""
    stock_mv: float | None
    outcome: str
    days: int
    """In use; where that was not told, the days between the arrivals of result and follow-up."""
    value: float | None
    """The setting as it is written on the wire; None where neither told it."""
    failure: str
    is_effect_shown: bool
    changed: frozenset[str]


# Of a document that sent a setting twice in one pool (two clocks of a band), the one of the
# follow-up's clock; MIN makes SQLite take the other columns from that row.
_FOLLOWED: Final = """
    SELECT MIN(setting.ordinal), chip.key, pool.control, pool.domains, pool.id, follow.unit_id,
           unit.contributor_id, setting.status, setting.stable_steps, setting.stock_mv,
           follow.outcome,
           COALESCE(follow.days,
                    MAX(0, CAST(julianday(follow.received_day)
                                - julianday(submission.received_day) AS INTEGER))),
           COALESCE(json_extract(follow.document, '$.setting'),
                    json_extract(submission.document,
                                 '$.settings[' || setting.ordinal || '].in_use')),
           COALESCE(json_extract(follow.document, '$.failure'), ''),
           CASE json_extract(follow.document, '$.effect.shown_by')
               WHEN 'failed_deeper' THEN 0
               WHEN 'rail_voltage'
                   THEN json_extract(follow.document, '$.effect.rail_mv') IS NOT NULL
               ELSE json_extract(follow.document, '$.effect.shown_by') IS NOT NULL END,
           COALESCE(json_extract(follow.document, '$.changed'), '[]')
    FROM chip
    JOIN pool ON pool.chip_id = chip.id
    JOIN follow_up AS follow ON follow.pool_id = pool.id
    JOIN submission ON submission.id = follow.submission_id
    JOIN unit ON unit.id = follow.unit_id
    JOIN setting_result AS setting
      ON setting.submission_id = follow.submission_id AND setting.pool_id = follow.pool_id
     AND (pool.control <> 'fixed_clock_voltage'
          OR setting.clock_mhz = json_extract(follow.document, '$.clock_mhz'))
    WHERE chip.series = ?
    GROUP BY follow.id
    ORDER BY chip.key, pool.id, follow.unit_id, follow.id
    """


def load_followed_of_series(connection: Connection, series: str) -> list[FollowedRow]:
    """Every follow-up on the chips of a series."""
    return [_followed(row) for row in find_rows(connection, _FOLLOWED, (series,))]


def _followed(row: tuple[Any, ...]) -> FollowedRow:
    parts = (*row[1:14], bool(row[14]), frozenset(orjson.loads(row[15])))
    return FollowedRow(*parts)
