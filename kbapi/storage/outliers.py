"""What the latest outlier check of a pool excluded."""

from collections.abc import Sequence
from dataclasses import dataclass

from sqlalchemy import Connection
from sqlmodel import Session, col, select

from kbapi.storage.sqlite.engine import session_on
from kbapi.storage.tables_evidence import CONTRIBUTOR_CODES, DifferingContributor, OutlierUnit


@dataclass(frozen=True, slots=True)
class ExcludedUnit:
    """A unit that an outlier check excluded, and why."""

    unit_id: int
    code: str


@dataclass(frozen=True, slots=True)
class StoredOutliers:
    """The units and the contributors that a check excluded, ascending."""

    units: tuple[ExcludedUnit, ...]
    differing: tuple[int, ...]


def load_outliers(connection: Connection, pool_id: int) -> StoredOutliers:
    """What the last stored check of a pool excluded."""
    with session_on(connection) as session:
        return StoredOutliers(
            tuple(ExcludedUnit(row.unit_id, row.code) for row in _units(session, pool_id)),
            tuple(row.contributor_id for row in _contributors(session, pool_id)),
        )


def save_outliers(connection: Connection, pool_id: int, found: StoredOutliers) -> None:
    """Store what a check excluded; only rows that differ are written."""
    with session_on(connection) as session:
        units = {ExcludedUnit(row.unit_id, row.code): row for row in _units(session, pool_id)}
        contributors = {row.contributor_id: row for row in _contributors(session, pool_id)}
        for unit in units.keys() - set(found.units):
            session.delete(units[unit])
        for contributor in contributors.keys() - set(found.differing):
            session.delete(contributors[contributor])
        session.add_all(
            OutlierUnit(pool_id=pool_id, unit_id=one.unit_id, code=one.code)
            for one in found.units
            if one not in units
        )
        session.add_all(
            DifferingContributor(pool_id=pool_id, contributor_id=one, code=CONTRIBUTOR_CODES[0])
            for one in found.differing
            if one not in contributors
        )
        session.flush()


def _units(session: Session, pool_id: int) -> Sequence[OutlierUnit]:
    return session.exec(
        select(OutlierUnit).where(OutlierUnit.pool_id == pool_id).order_by(col(OutlierUnit.unit_id))
    ).all()


def _contributors(session: Session, pool_id: int) -> Sequence[DifferingContributor]:
    return session.exec(
        select(DifferingContributor)
        .where(DifferingContributor.pool_id == pool_id)
        .order_by(col(DifferingContributor.contributor_id))
    ).all()
