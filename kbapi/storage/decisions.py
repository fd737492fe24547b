"""What curators decided about single settings, and what each setting stands as because of it."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, Final

from sqlalchemy import Connection, text

from kbapi.storage.pools import EvidenceKey
from kbapi.storage.sqlite.engine import add_rows, change_rows, find_row, find_rows
from kbapi.vocabulary import DecisionAction, ScreeningStatus

_ADD: Final = """
    INSERT INTO decision (submission_id, ordinal, decision, reason_code, decided_by, decided_day)
    VALUES (?, ?, ?, ?, ?, ?)
    """
# A word that would make a setting count needs an end that can: later rules may have taken both.
_APPLY: Final = (
    """
    UPDATE setting_result SET decision = COALESCE((
        SELECT CASE latest.decision WHEN 'undo' THEN '' ELSE latest.decision END
        FROM decision AS latest
        WHERE latest.submission_id = setting_result.submission_id
          AND latest.ordinal = setting_result.ordinal
        ORDER BY latest.id DESC LIMIT 1
    ), '')
    WHERE submission_id = ?
    """,
    """
    UPDATE setting_result SET status = CASE
        WHEN decision = '' THEN status_by_rules
        WHEN decision <> 'include' THEN 'excluded'
        WHEN stable_steps IS NULL AND unstable_steps IS NULL THEN status_by_rules
        ELSE 'counted'
    END
    WHERE submission_id = ?
    """,
)


@dataclass(frozen=True, slots=True)
class DecisionRow:
    """A word about one setting, on its way into the history."""

    submission_id: int
    ordinal: int
    decision: DecisionAction
    reason_code: str
    decided_by: int
    decided_day: date


def add_decisions(connection: Connection, rows: Iterable[DecisionRow]) -> None:
    """Append these to the history; `apply_decisions` makes them hold."""
    add_rows(
        connection,
        _ADD,
        [
            (
                row.submission_id,
                row.ordinal,
                row.decision,
                row.reason_code,
                row.decided_by,
                row.decided_day.isoformat(),
            )
            for row in rows
        ],
    )


def apply_decisions(connection: Connection, submission_id: int) -> None:
    """Make every setting of a document stand as its latest decision says, else as the rules do."""
    for statement in _APPLY:
        change_rows(connection, statement, (submission_id,))


@dataclass(frozen=True, slots=True)
class SettingAt:
    """A setting where somebody may decide."""

    submission_id: int
    public_id: str
    ordinal: int
    contributor_id: int
    line_id: int
    place: EvidenceKey
    status: ScreeningStatus
    decision: str
    """The decision in force, empty where the rules decide."""
    decision_reason: str | None
    has_end: bool
    """Whether screening left a pass or a failure that could count."""


_SETTING_AT: Final = """
    SELECT setting.submission_id, submission.public_id, setting.ordinal, unit.contributor_id,
           chip.line_id, setting.pool_id, setting.unit_id, setting.conditions_id, setting.status,
           setting.decision,
           (SELECT reason_code FROM decision
            WHERE submission_id = setting.submission_id AND ordinal = setting.ordinal
            ORDER BY id DESC LIMIT 1),
           COALESCE(setting.stable_steps, setting.unstable_steps) IS NOT NULL
    FROM setting_result AS setting
    JOIN submission ON submission.id = setting.submission_id
    JOIN unit ON unit.id = setting.unit_id
    JOIN chip ON chip.id = submission.chip_id
    """


def find_setting_at(connection: Connection, public_id: str, ordinal: int) -> SettingAt | None:
    """A setting of the document with this id, if it is here."""
    where = "WHERE submission.public_id = ? AND setting.ordinal = ?"
    row = find_row(connection, _SETTING_AT + where, (public_id, ordinal))
    return None if row is None else _setting_at(row)


def _setting_at(row: Sequence[Any]) -> SettingAt:
    parts = (*row[:5], EvidenceKey(*row[5:8]), *row[8:])
    return SettingAt(*parts)


@dataclass(frozen=True, slots=True)
class Origin:
    """Where results come from; None is any."""

    client: str | None = None
    firmware: str | None = None
    machine: str | None = None


_OF_CONTRIBUTOR: Final = "WHERE unit.contributor_id = :contributor_id"
_OF_ORIGIN: Final = """
    JOIN conditions ON conditions.id = setting.conditions_id
    WHERE (:firmware IS NULL OR conditions.firmware = :firmware)
      AND (:machine IS NULL OR conditions.machine = :machine)
      AND (:client IS NULL OR json_extract(submission.document, '$.client') = :client)
    """
_IN_ORDER: Final = " ORDER BY setting.submission_id, setting.ordinal LIMIT :most"


def find_settings_of_contributor(
    connection: Connection, contributor_id: int, most: int
) -> list[SettingAt]:
    """Settings of all results of a contributor, oldest first."""
    statement = text(_SETTING_AT + _OF_CONTRIBUTOR + _IN_ORDER)
    rows = connection.execute(statement, {"contributor_id": contributor_id, "most": most})
    return [_setting_at(row) for row in rows]


def find_settings_of_origin(connection: Connection, origin: Origin, most: int) -> list[SettingAt]:
    """Settings of all results that a script, a firmware or a machine class brought, oldest first.

    Reads every document: a script's name has no index, as nobody asks for it but here.
    """
    statement = text(_SETTING_AT + _OF_ORIGIN + _IN_ORDER)
    rows = connection.execute(
        statement,
        {
            "client": origin.client,
            "firmware": origin.firmware,
            "machine": origin.machine,
            "most": most,
        },
    )
    return [_setting_at(row) for row in rows]


@dataclass(frozen=True, slots=True)
class DecisionKept:
    """One row of a setting's history."""

    decision: DecisionAction
    reason_code: str
    decided_day: date
    key_number: int
    key_name: str


_HISTORY: Final = """
    SELECT decision.decision, decision.reason_code, decision.decided_day,
           access_key.id, access_key.name
    FROM decision JOIN access_key ON access_key.id = decision.decided_by
    WHERE decision.submission_id = ? AND decision.ordinal = ?
    ORDER BY decision.id
    """


def load_history(connection: Connection, submission_id: int, ordinal: int) -> list[DecisionKept]:
    """Everything that was decided about a setting, oldest first."""
    return [
        DecisionKept(word, reason, date.fromisoformat(day), number, name)
        for word, reason, day, number, name in find_rows(
            connection, _HISTORY, (submission_id, ordinal)
        )
    ]
