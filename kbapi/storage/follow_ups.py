"""Follow-ups, and the histories of settings that they make."""

from dataclasses import asdict, dataclass
from datetime import date
from typing import Any, Final

import orjson
from sqlalchemy import Connection, delete, insert, select

from kbapi.storage.contributors import UnitRow
from kbapi.storage.pools import TAKEN_OUT, ConditionsKey, EvidenceKey, find_or_add_conditions
from kbapi.storage.sqlite.engine import find_rows
from kbapi.storage.tables import Conditions, FollowUp, Pool, SettingResult, Unit
from kbapi.vocabulary import (
    Domain,
    FollowUpOutcome,
    FollowUpStatus,
    LimitControl,
    ScreeningStatus,
)


@dataclass(frozen=True, slots=True)
class FollowedSetting:
    """A setting of a submission that a follow-up may be about."""

    ordinal: int
    domain: Domain
    control: LimitControl
    domains: str
    clock_mhz: float | None
    stock_mv: float | None
    status: ScreeningStatus
    early_stop_steps: int
    pool_id: int
    unit: UnitRow
    conditions: ConditionsKey


def load_followed(connection: Connection, submission_id: int) -> list[FollowedSetting]:
    """The settings of a submission in the order of its document."""
    rows = connection.execute(
        select(
            SettingResult.ordinal,
            SettingResult.domain,
            Pool.control,
            Pool.domains,
            SettingResult.clock_mhz,
            SettingResult.stock_mv,
            SettingResult.status,
            SettingResult.early_stop_steps,
            SettingResult.pool_id,
            Unit.id,
            Unit.contributor_id,
            Conditions.loads,
            Conditions.grade,
            Conditions.firmware,
            Conditions.microcode,
            Conditions.machine,
            Conditions.cooling,
            Conditions.supply,
        )
        .join(Pool, Pool.id == SettingResult.pool_id)
        .join(Unit, Unit.id == SettingResult.unit_id)
        .join(Conditions, Conditions.id == SettingResult.conditions_id)
        .where(SettingResult.submission_id == submission_id)
        .order_by(SettingResult.ordinal)
    )
    return [_followed(tuple(row)) for row in rows]


def _followed(row: tuple[Any, ...]) -> FollowedSetting:
    parts = (*row[:9], UnitRow(row[9], row[10]), ConditionsKey(*row[11:]))
    return FollowedSetting(*parts)


@dataclass(frozen=True, slots=True)
class NewFollowUp:
    """A screened follow-up, on its way into the database."""

    submission_id: int
    pool_id: int
    unit_id: int
    received_day: date
    measured_month: str
    outcome: FollowUpOutcome
    status: FollowUpStatus
    reasons: str
    document: str
    days: int | None
    steps: int
    stable_steps: int | None
    unstable_steps: int | None
    early_stop_steps: int


def save_follow_up(
    connection: Connection, new: NewFollowUp, conditions: ConditionsKey
) -> EvidenceKey:
    """The place that the saved follow-up belongs to."""
    conditions_id = find_or_add_conditions(connection, conditions)
    connection.execute(insert(FollowUp).values(**asdict(new), conditions_id=conditions_id))
    return EvidenceKey(new.pool_id, new.unit_id, conditions_id)


def drop_still_stable(
    connection: Connection, unit_id: int, pool_id: int, steps: int, month: str
) -> list[EvidenceKey]:
    """The places of what a script has said before of this unit, setting and month."""
    said = (
        (FollowUp.unit_id == unit_id)
        & (FollowUp.pool_id == pool_id)
        & (FollowUp.steps == steps)
        & (FollowUp.measured_month == month)
        & (FollowUp.outcome == "still_stable")
    )
    places = connection.execute(
        select(FollowUp.pool_id, FollowUp.unit_id, FollowUp.conditions_id).where(said)
    ).all()
    connection.execute(delete(FollowUp).where(said))
    return [EvidenceKey(*place) for place in places]


@dataclass(frozen=True, slots=True)
class StoredFollowUp:
    """A follow-up as it was screened."""

    document: str
    measured_month: str
    status: FollowUpStatus
    reasons: str
    is_taken_out: bool
    """By a curator's word for the setting that it is about."""


_FOLLOW_UPS: Final = f"""
    SELECT document, measured_month, status, reasons, {TAKEN_OUT}
    FROM follow_up WHERE submission_id = ? ORDER BY id
    """  # noqa: S608 - put together from constants


def load_follow_ups(connection: Connection, submission_id: int) -> list[StoredFollowUp]:
    """The follow-ups of a submission in the order of their arrival."""
    return [
        StoredFollowUp(document, month, status, reasons, bool(is_taken_out))
        for document, month, status, reasons, is_taken_out in find_rows(
            connection, _FOLLOW_UPS, (submission_id,)
        )
    ]


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
      ON setting.submission_id = follow.submission_id AND +setting.pool_id = follow.pool_id
     AND (pool.control <> 'fixed_clock_voltage'
          OR setting.clock_mhz = json_extract(follow.document, '$.clock_mhz'))
    WHERE chip.series = ?
    GROUP BY follow.id
    ORDER BY chip.key, pool.id, follow.unit_id, follow.id
    """


def load_followed_of_series(connection: Connection, series: str) -> list[FollowedRow]:
    """Every follow-up on the chips of a series."""
    return [_histories_of(row) for row in find_rows(connection, _FOLLOWED, (series,))]


def _histories_of(row: tuple[Any, ...]) -> FollowedRow:
    parts = (*row[1:14], bool(row[14]), frozenset(orjson.loads(row[15])))
    return FollowedRow(*parts)
