"""The settings that wait for a curator: a page of them at a constant price."""

from dataclasses import asdict, dataclass
from typing import Final

from sqlalchemy import Connection, text

from kbapi.storage.sqlite.engine import find_number

PARTS: Final = ("screening", "statistics", "contributors")
"""Who set it aside, in the order of the queue."""


@dataclass(frozen=True, slots=True)
class WaitingAt:
    """A place in the queue."""

    part: str
    key: tuple[int, int, int, int]


BEGIN: Final = (0, 0, 0, 0)
"""Before the first place of a part: numbers of rows begin at 1."""


@dataclass(frozen=True, slots=True)
class WaitingFilters:
    """What is looked for; None is anything."""

    chip_key: str | None = None
    code: str | None = None
    contributor_id: int | None = None


@dataclass(frozen=True, slots=True)
class Waiting:
    """A setting that was looked at, and whether it is one of those looked for."""

    at: WaitingAt
    submission_id: int
    ordinal: int
    fits: bool


# Each part walks an index of its own from the last place on and stops after `look` rows, so that
# a page costs the same at the beginning and the end, and however much lies beside the queue.
_LOOKED: Final = {
    "screening": """
        SELECT submission_id AS k1, ordinal AS k2, 0 AS k3, 0 AS k4,
               submission_id, ordinal, unit_id, reasons AS codes
        FROM setting_result INDEXED BY ix_setting_result_waiting
        WHERE status = 'excluded' AND decision = ''
          AND (submission_id, ordinal) > (:k1, :k2)
        ORDER BY submission_id, ordinal LIMIT :look
        """,
    "statistics": """
        SELECT flagged.unit_id AS k1, flagged.pool_id AS k2, setting.id AS k3, 0 AS k4,
               setting.submission_id, setting.ordinal, setting.unit_id,
               json_array(flagged.code) AS codes
        FROM outlier_unit AS flagged INDEXED BY ix_outlier_unit_unit_id
        CROSS JOIN setting_result AS setting INDEXED BY ix_setting_result_unit_pool
          ON setting.unit_id = flagged.unit_id AND setting.pool_id = flagged.pool_id
        WHERE (flagged.unit_id, flagged.pool_id) >= (:k1, :k2)
          AND (flagged.unit_id, flagged.pool_id, setting.id) > (:k1, :k2, :k3)
          AND setting.status = 'counted' AND setting.decision = ''
        ORDER BY flagged.unit_id, flagged.pool_id, setting.id LIMIT :look
        """,
    "contributors": """
        SELECT flagged.pool_id AS k1, flagged.contributor_id AS k2, unit.id AS k3, setting.id AS k4,
               setting.submission_id, setting.ordinal, setting.unit_id,
               json_array(flagged.code) AS codes
        FROM differing_contributor AS flagged
        CROSS JOIN unit INDEXED BY ix_unit_contributor_id
          ON unit.contributor_id = flagged.contributor_id
         AND unit.id >= CASE WHEN (flagged.pool_id, flagged.contributor_id) = (:k1, :k2)
                             THEN :k3 ELSE 0 END
        CROSS JOIN setting_result AS setting INDEXED BY ix_setting_result_unit_pool
          ON setting.unit_id = unit.id AND setting.pool_id = flagged.pool_id
        WHERE (flagged.pool_id, flagged.contributor_id) >= (:k1, :k2)
          AND (flagged.pool_id, flagged.contributor_id, unit.id, setting.id)
              > (:k1, :k2, :k3, :k4)
          AND setting.status = 'counted' AND setting.decision = ''
        ORDER BY flagged.pool_id, flagged.contributor_id, unit.id, setting.id LIMIT :look
        """,
}
_FITTING: Final = """
    SELECT k1, k2, k3, k4, looked.submission_id, looked.ordinal,
           (:chip_key IS NULL OR chip.key = :chip_key)
           AND (:code IS NULL OR instr(looked.codes, '"' || :code || '"') > 0)
           AND (:contributor_id IS NULL OR unit.contributor_id = :contributor_id)
    FROM looked
    JOIN submission ON submission.id = looked.submission_id
    JOIN chip ON chip.id = submission.chip_id
    JOIN unit ON unit.id = looked.unit_id
    ORDER BY k1, k2, k3, k4
    """


def waiting_statement(part: str) -> str:
    """The statement that looks at the settings of a part behind a place."""
    return f"WITH looked AS MATERIALIZED ({_LOOKED[part]}) {_FITTING}"


_MOST_COUNTED: Final = 10_000
"""More than anybody looks through; counting them all would cost as much as the queue is long."""


def count_waiting(connection: Connection) -> dict[str, int]:
    """How many settings wait in each part of the queue; counting ends at 10,000."""
    values = {**dict.fromkeys(("k1", "k2", "k3", "k4"), 0), "look": _MOST_COUNTED}
    return {
        part: connection.execute(text(f"SELECT COUNT(*) FROM ({looked})"), values).scalar_one()  # noqa: S608 - constants of this file
        for part, looked in _LOOKED.items()
    }


def find_waiting(
    connection: Connection, after: WaitingAt, filters: WaitingFilters, look: int
) -> list[Waiting]:
    """The next settings of a part behind a place, `look` at most, fitting or not."""
    keys = dict(zip(("k1", "k2", "k3", "k4"), after.key, strict=True))
    rows = connection.execute(
        text(waiting_statement(after.part)), {**keys, **asdict(filters), "look": look}
    )
    return [
        Waiting(
            WaitingAt(after.part, (row[0], row[1], row[2], row[3])), row[4], row[5], bool(row[6])
        )
        for row in rows
    ]


_RESULTS_OF: Final = """
    SELECT COUNT(*) FROM (
        SELECT 1 FROM unit JOIN submission ON submission.unit_id = unit.id
        WHERE unit.contributor_id = ? LIMIT ?
    )
    """


def count_results_of(connection: Connection, contributor_id: int, most: int) -> int:
    """How many results a contributor has; counting ends at `most`."""
    return find_number(connection, _RESULTS_OF, (contributor_id, most)) or 0
