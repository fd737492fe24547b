"""What waits for a curator: settings, a page at a constant cost, and pools."""

from dataclasses import asdict, dataclass
from datetime import date
from typing import Any, Final

import orjson
from sqlalchemy import (
    Boolean,
    Connection,
    Integer,
    Select,
    String,
    bindparam,
    literal_column,
    update,
)
from sqlalchemy import select as select_columns
from sqlmodel import and_, case, col, func, literal, or_, select, tuple_

from kbapi.storage.pools import counted_in
from kbapi.storage.sql import materialized, position_of, session_on
from kbapi.storage.tables import Chip, Line, Pool, SettingResult, Submission, Unit
from kbapi.storage.tables_evidence import DifferingContributor, OutlierUnit, PoolCheck
from kbapi.vocabulary import PoolCode

PARTS: Final = ("screening", "statistics", "contributors")
"""What excluded it, in the order of the queue."""


@dataclass(frozen=True, slots=True)
class WaitingAt:
    """A place in the queue."""

    part: str
    key: tuple[int, int, int, int]


BEGIN: Final = (0, 0, 0, 0)
"""Before the first place of a part: numbers of rows begin at 1."""


@dataclass(frozen=True, slots=True)
class WaitingFilters:
    """Which settings are wanted; None is any."""

    chip_key: str | None = None
    code: str | None = None
    contributor_id: int | None = None


@dataclass(frozen=True, slots=True)
class Waiting:
    """A setting that was read, and whether it is one of those wanted."""

    at: WaitingAt
    submission_id: int
    ordinal: int
    fits: bool


_KEYS: Final = ("k1", "k2", "k3", "k4")
_K1, _K2, _K3, _K4 = (bindparam(name, type_=Integer) for name in _KEYS)
_LOOK: Final = bindparam("look", type_=Integer)
_FLAGGED_STANDS: Final = and_(
    col(SettingResult.status) == "counted", col(SettingResult.decision) == ""
)


def _looked(*key: Any, codes: Any) -> Select[*tuple[Any, ...]]:
    """The next settings of a part, in the order of its key."""
    shown = [*key, *[literal(0)] * (len(_KEYS) - len(key))]
    return (
        select_columns(
            *(column.label(name) for name, column in zip(_KEYS, shown, strict=True)),
            col(SettingResult.submission_id),
            col(SettingResult.ordinal),
            col(SettingResult.unit_id),
            codes.label("codes"),
        )
        .order_by(*key)
        .limit(_LOOK)
    )


# Each part walks an index of its own from the last place on and stops after `look` rows, so that
# a page costs the same at the beginning and the end, and does not depend on the other results.
# CROSS after a table makes SQLite keep the order of the JOIN that follows.
def _excluded_by_screening() -> Select[*tuple[Any, ...]]:
    key = col(SettingResult.submission_id), col(SettingResult.ordinal)
    return (
        _looked(*key, codes=col(SettingResult.reasons))
        .with_hint(SettingResult, "INDEXED BY ix_setting_result_waiting", "sqlite")
        .where(
            # Literals: only with them SQLite sees that the partial index holds these rows.
            col(SettingResult.status) == literal_column("'excluded'"),
            col(SettingResult.decision) == literal_column("''"),
            tuple_(*key) > tuple_(_K1, _K2),
        )
    )


def _excluded_by_outlier_check() -> Select[*tuple[Any, ...]]:
    place = col(OutlierUnit.unit_id), col(OutlierUnit.pool_id)
    key = (*place, col(SettingResult.id))
    return (
        _looked(*key, codes=_in_quotes(col(OutlierUnit.code)))
        .select_from(OutlierUnit)
        .join(
            SettingResult,
            and_(
                col(SettingResult.unit_id) == col(OutlierUnit.unit_id),
                col(SettingResult.pool_id) == col(OutlierUnit.pool_id),
            ),
        )
        .with_hint(OutlierUnit, "INDEXED BY ix_outlier_unit_values CROSS", "sqlite")
        .with_hint(SettingResult, "INDEXED BY ix_setting_result_values", "sqlite")
        .where(
            tuple_(*place) >= tuple_(_K1, _K2),
            tuple_(*key) > tuple_(_K1, _K2, _K3),
            _FLAGGED_STANDS,
        )
    )


def _of_differing_contributors() -> Select[*tuple[Any, ...]]:
    place = col(DifferingContributor.pool_id), col(DifferingContributor.contributor_id)
    key = (*place, col(Unit.id), col(SettingResult.id))
    first_unit = case((tuple_(*place) == tuple_(_K1, _K2), _K3), else_=0)
    return (
        _looked(*key, codes=_in_quotes(col(DifferingContributor.code)))
        .select_from(DifferingContributor)
        .join(
            Unit,
            and_(
                col(Unit.contributor_id) == col(DifferingContributor.contributor_id),
                col(Unit.id) >= first_unit,
            ),
        )
        .join(
            SettingResult,
            and_(
                col(SettingResult.unit_id) == col(Unit.id),
                col(SettingResult.pool_id) == col(DifferingContributor.pool_id),
            ),
        )
        .with_hint(DifferingContributor, "CROSS", "sqlite")
        .with_hint(Unit, "INDEXED BY ix_unit_contributor_id", "sqlite")
        .with_hint(SettingResult, "INDEXED BY ix_setting_result_values", "sqlite")
        .where(
            tuple_(*place) >= tuple_(_K1, _K2),
            tuple_(*key) > tuple_(_K1, _K2, _K3, _K4),
            _FLAGGED_STANDS,
        )
    )


def _in_quotes(code: Any) -> Any:
    """A code as it is written in the list of reasons of a setting."""
    return literal('"') + code + literal('"')


_LOOKED: Final = {
    "screening": _excluded_by_screening(),
    "statistics": _excluded_by_outlier_check(),
    "contributors": _of_differing_contributors(),
}


_CHIP_KEY: Final = bindparam("chip_key", type_=String)
_CODE: Final = bindparam("code", type_=String)
_CONTRIBUTOR_ID: Final = bindparam("contributor_id", type_=Integer)


def _waiting(part: Select[*tuple[Any, ...]]) -> Select[*tuple[Any, ...]]:
    looked = materialized(part, "looked")
    keys = [looked.c[name] for name in _KEYS]
    fits = and_(
        or_(_CHIP_KEY.is_(None), col(Chip.key) == _CHIP_KEY),
        or_(_CODE.is_(None), position_of(looked.c.codes, _in_quotes(_CODE)) > 0),
        or_(_CONTRIBUTOR_ID.is_(None), col(Unit.contributor_id) == _CONTRIBUTOR_ID),
    )
    return (
        select_columns(*keys, looked.c.submission_id, looked.c.ordinal, fits.label("fits"))
        .select_from(looked)
        .join(Submission, col(Submission.id) == looked.c.submission_id)
        .join(Chip, col(Chip.id) == col(Submission.chip_id))
        .join(Unit, col(Unit.id) == looked.c.unit_id)
        .order_by(*keys)
    )


WAITING: Final = {part: _waiting(looked) for part, looked in _LOOKED.items()}
"""The statement of each part that reads its settings from a place on, fitting or not."""

_MOST_COUNTED: Final = 10_000
"""To count a longer queue would cost as much as the queue is long."""


def count_waiting(connection: Connection) -> dict[str, int]:
    """How many settings, and how many pools, wait in each part; counting ends at 10,000."""
    values = {**dict.fromkeys(_KEYS, 0), "look": _MOST_COUNTED}
    pools = select_columns(col(PoolCheck.pool_id)).where(_POOL_WAITS).limit(_MOST_COUNTED)
    return {
        part: connection.execute(
            select(func.count()).select_from(looked.subquery()), values
        ).scalar_one()
        for part, looked in {**_LOOKED, "pools": pools}.items()
    }


def _counts_units(pool_id: str) -> Any:
    """Whether any result or follow-up with an end counts in the pool of this column."""
    parts = (f"EXISTS (SELECT 1 {part})" for part in counted_in(pool_id))
    return literal_column(f"({' OR '.join(parts)})", Boolean)


_POOL_WAITS: Final = and_(
    col(PoolCheck.codes) != "[]",
    col(PoolCheck.settled) != col(PoolCheck.evidence),
    # No answer checks a pool after its last result was excluded, so its reasons would stay.
    _counts_units("pool_check.pool_id"),
)


@dataclass(frozen=True, slots=True)
class CheckedPool:
    """What was found about a pool, and what a curator has settled."""

    pool_id: int
    day: date
    codes: tuple[PoolCode, ...]
    contributor_id: int | None
    moves_by: float | None
    evidence: str
    settled: str
    waits: bool
    """Whether a curator should look at it."""


def find_waiting_pools(connection: Connection, most: int) -> list[CheckedPool]:
    """The pools that a curator should look at, by number."""
    return _checked(connection, _POOL_WAITS, most)


def find_checked_pool(connection: Connection, pool_id: int) -> CheckedPool | None:
    """The check of a pool; None where no answer has checked it."""
    return next(iter(_checked(connection, col(PoolCheck.pool_id) == pool_id, 1)), None)


def _checked(connection: Connection, which: Any, most: int) -> list[CheckedPool]:
    statement = (
        select_columns(
            col(PoolCheck.pool_id),
            col(PoolCheck.day),
            col(PoolCheck.codes),
            col(PoolCheck.contributor_id),
            col(PoolCheck.moves_by),
            col(PoolCheck.evidence),
            col(PoolCheck.settled),
            _POOL_WAITS,
        )
        .where(which)
        .order_by(col(PoolCheck.pool_id))
        .limit(most)
    )
    return [
        CheckedPool(row[0], row[1], tuple(orjson.loads(row[2])), *row[3:-1], waits=bool(row[-1]))
        for row in connection.execute(statement)
    ]


def settle_pool(
    connection: Connection,
    pool_id: int,
    settled: str,
    reason_code: str,
    decided_by: int | None,
    today: date,
) -> None:
    """Store what a curator decided: the pool waits again when its evidence is another one."""
    statement = update(PoolCheck).where(col(PoolCheck.pool_id) == pool_id)
    decided = {"settled": settled, "reason_code": reason_code, "decided_by": decided_by}
    connection.execute(statement.values(**decided, decided_day=today))


@dataclass(frozen=True, slots=True)
class UncheckedPool:
    """A pool to check, and the revision of its line."""

    pool_id: int
    revision: int


def find_unchecked_pools(
    connection: Connection, today: date, most: int, pool_id: int | None = None
) -> list[UncheckedPool]:
    """At most so many pools that were not checked today since the last change of their line.

    Their units count. Those that wait come first, then those that were checked longest ago. With
    `pool_id`, only this pool, if it is one of them.
    """
    is_current = and_(col(PoolCheck.revision) == col(Line.revision), col(PoolCheck.day) == today)
    statement = (
        select_columns(col(Pool.id), col(Line.revision))
        .join(Chip, col(Chip.id) == col(Pool.chip_id))
        .join(Line, col(Line.id) == col(Chip.line_id))
        .outerjoin(PoolCheck, col(PoolCheck.pool_id) == col(Pool.id))
        .where(or_(col(PoolCheck.pool_id).is_(None), ~is_current), _counts_units("pool.id"))
        .order_by(
            func.coalesce(col(PoolCheck.evidence), "") == "",
            col(PoolCheck.day).asc().nulls_first(),
            col(Pool.id),
        )
        .limit(most)
    )
    if pool_id is not None:
        statement = statement.where(col(Pool.id) == pool_id)
    return [UncheckedPool(*row) for row in connection.execute(statement)]


def find_waiting(
    connection: Connection, after: WaitingAt, filters: WaitingFilters, look: int
) -> list[Waiting]:
    """The next settings of a part after a place, `look` at most, fitting or not."""
    values = {**dict(zip(_KEYS, after.key, strict=True)), **asdict(filters), "look": look}
    return [
        Waiting(
            at=WaitingAt(after.part, (row.k1, row.k2, row.k3, row.k4)),
            submission_id=row.submission_id,
            ordinal=row.ordinal,
            fits=bool(row.fits),
        )
        for row in connection.execute(WAITING[after.part], values)
    ]


def count_results_of(connection: Connection, contributor_id: int, most: int) -> int:
    """How many results a contributor has; counting ends at `most`."""
    results = (
        select(Submission.id)
        .join(Unit, col(Unit.id) == col(Submission.unit_id))
        .where(Unit.contributor_id == contributor_id)
        .limit(most)
    )
    with session_on(connection) as session:
        return session.exec(select(func.count()).select_from(results.subquery())).one()
