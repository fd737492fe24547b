"""Accepted documents and what each of their settings says."""

from collections.abc import Iterable
from dataclasses import asdict, dataclass
from datetime import date

from sqlalchemy import ColumnElement, Connection, delete, exists, insert, select

from kbapi.errors import StorageBroken
from kbapi.storage.lock_rows import NewLock, save_locks
from kbapi.storage.people import UnitRow
from kbapi.storage.tables import Chip, Conditions, Line, Pool, SettingResult, Submission, Unit


@dataclass(frozen=True, slots=True)
class PoolKey:
    """What makes results one pool, within a chip."""

    control: str
    domains: str
    clock_band_mhz: int


@dataclass(frozen=True, slots=True)
class ConditionsKey:
    """The filter values of a result."""

    loads: str
    grade: str
    firmware: str = ""
    microcode: str = ""
    machine: str = ""
    cooling: str = ""
    supply: str = ""


@dataclass(frozen=True, slots=True)
class NewSetting:
    """A screened setting, on its way into the database."""

    domain: str
    pool: PoolKey
    conditions: ConditionsKey
    status: str
    reasons: str
    stable_steps: int | None
    unstable_steps: int | None
    early_stop_steps: int
    clock_mhz: float | None
    stock_mv: float | None


@dataclass(frozen=True, slots=True)
class NewSubmission:
    """A screened document, on its way into the database."""

    public_id: str
    chip_id: int
    unit: UnitRow
    received_day: date
    measured_month: str
    document: str
    content_hash: bytes | None
    rules_version: int
    grammar_version: int
    settings: tuple[NewSetting, ...]
    locks: tuple[NewLock, ...] = ()
    reading_ignored: str = "[]"
    chip_conflict: str = ""


@dataclass(frozen=True, slots=True, order=True)
class EvidenceKey:
    """The place that a setting's outcome is merged into."""

    pool_id: int
    unit_id: int
    conditions_id: int


@dataclass(frozen=True, slots=True)
class StoredSetting:
    """A setting as it was screened."""

    pool_id: int
    domain: str
    control: str
    domains: str
    status: str
    reasons: str
    grade: str
    stable_steps: int | None
    unstable_steps: int | None


@dataclass(frozen=True, slots=True)
class StoredSubmission:
    """A document as it stands in the database, its settings in the order of the document."""

    id: int
    public_id: str
    chip_id: int
    chip_key: str
    chip_name: str
    chip_kind: str
    series: str
    line: str
    line_id: int
    unit: UnitRow
    document: str
    measured_month: str
    rules_version: int
    reading_ignored: str
    chip_conflict: str
    settings: tuple[StoredSetting, ...]


def save_submission(connection: Connection, new: NewSubmission) -> tuple[int, list[EvidenceKey]]:
    """The number of the saved document and the places where its settings belong."""
    submission_id = connection.execute(
        insert(Submission).values(
            public_id=new.public_id,
            chip_id=new.chip_id,
            unit_id=new.unit.id,
            received_day=new.received_day,
            measured_month=new.measured_month,
            document=new.document,
            content_hash=new.content_hash,
            rules_version=new.rules_version,
            grammar_version=new.grammar_version,
            reading_ignored=new.reading_ignored,
            chip_conflict=new.chip_conflict,
        )
    ).inserted_primary_key[0]
    save_locks(connection, submission_id, new.chip_id, new.unit, new.locks)
    keys = [
        _save_setting(connection, new, submission_id, place) for place in range(len(new.settings))
    ]
    return submission_id, keys


def _save_setting(
    connection: Connection, new: NewSubmission, submission_id: int, ordinal: int
) -> EvidenceKey:
    setting = new.settings[ordinal]
    key = EvidenceKey(
        pool_id=_find_or_add_pool(connection, new.chip_id, setting.pool),
        unit_id=new.unit.id,
        conditions_id=_find_or_add_conditions(connection, setting.conditions),
    )
    connection.execute(
        insert(SettingResult).values(
            submission_id=submission_id,
            ordinal=ordinal,
            domain=setting.domain,
            pool_id=key.pool_id,
            unit_id=key.unit_id,
            conditions_id=key.conditions_id,
            status=setting.status,
            reasons=setting.reasons,
            stable_steps=setting.stable_steps,
            unstable_steps=setting.unstable_steps,
            early_stop_steps=setting.early_stop_steps,
            measured_month=new.measured_month,
            clock_mhz=setting.clock_mhz,
            stock_mv=setting.stock_mv,
        )
    )
    return key


def _find_or_add_pool(connection: Connection, chip_id: int, key: PoolKey) -> int:
    found = connection.execute(
        select(Pool.id).where(
            Pool.chip_id == chip_id,
            Pool.control == key.control,
            Pool.domains == key.domains,
            Pool.clock_band_mhz == key.clock_band_mhz,
        )
    ).scalar_one_or_none()
    if found is not None:
        return found
    return connection.execute(
        insert(Pool).values(
            chip_id=chip_id,
            control=key.control,
            domains=key.domains,
            clock_band_mhz=key.clock_band_mhz,
        )
    ).inserted_primary_key[0]


def _find_or_add_conditions(connection: Connection, key: ConditionsKey) -> int:
    values = asdict(key)
    found = connection.execute(select(Conditions.id).filter_by(**values)).scalar_one_or_none()
    if found is not None:
        return found
    return connection.execute(insert(Conditions).values(**values)).inserted_primary_key[0]


def find_submission(connection: Connection, public_id: str) -> StoredSubmission | None:
    """The document with this id, unless it was withdrawn or never existed."""
    return _find_submission(connection, Submission.public_id == public_id)


def find_by_content(connection: Connection, content_hash: bytes) -> StoredSubmission | None:
    """The document with this content by this contributor, if it is here."""
    return _find_submission(connection, Submission.content_hash == content_hash)


def load_submission(connection: Connection, submission_id: int) -> StoredSubmission:
    """The document with this number, which must be here."""
    found = _find_submission(connection, Submission.id == submission_id)
    if found is None:
        raise StorageBroken
    return found


def _find_submission(
    connection: Connection, condition: ColumnElement[bool]
) -> StoredSubmission | None:
    row = connection.execute(
        select(
            Submission.id,
            Submission.public_id,
            Submission.chip_id,
            Chip.key.label("chip_key"),
            Chip.name.label("chip_name"),
            Chip.kind.label("chip_kind"),
            Chip.series,
            Line.key.label("line"),
            Chip.line_id,
            Submission.unit_id,
            Unit.contributor_id,
            Submission.document,
            Submission.measured_month,
            Submission.rules_version,
            Submission.reading_ignored,
            Submission.chip_conflict,
        )
        .join(Chip, Chip.id == Submission.chip_id)
        .join(Line, Line.id == Chip.line_id)
        .join(Unit, Unit.id == Submission.unit_id)
        .where(condition)
    ).one_or_none()
    if row is None:
        return None
    fields = dict(row._mapping)
    unit = UnitRow(fields.pop("unit_id"), fields.pop("contributor_id"))
    return StoredSubmission(**fields, unit=unit, settings=_load_settings(connection, row.id))


def _load_settings(connection: Connection, submission_id: int) -> tuple[StoredSetting, ...]:
    rows = connection.execute(
        select(
            SettingResult.pool_id,
            SettingResult.domain,
            Pool.control,
            Pool.domains,
            SettingResult.status,
            SettingResult.reasons,
            Conditions.grade,
            SettingResult.stable_steps,
            SettingResult.unstable_steps,
        )
        .join(Pool, Pool.id == SettingResult.pool_id)
        .join(Conditions, Conditions.id == SettingResult.conditions_id)
        .where(SettingResult.submission_id == submission_id)
        .order_by(SettingResult.ordinal)
    )
    return tuple(StoredSetting(*row) for row in rows)


def delete_submission(connection: Connection, submission_id: int) -> list[EvidenceKey]:
    """The places that the deleted document's settings had been merged into."""
    keys = connection.execute(
        select(SettingResult.pool_id, SettingResult.unit_id, SettingResult.conditions_id).where(
            SettingResult.submission_id == submission_id
        )
    ).all()
    connection.execute(delete(Submission).where(Submission.id == submission_id))
    return [EvidenceKey(*key) for key in keys]


def drop_unused_places(connection: Connection, places: Iterable[EvidenceKey]) -> None:
    """Forget pools and conditions that no setting belongs to any more."""
    for place in places:
        if not _is_referred_to(connection, SettingResult.conditions_id == place.conditions_id):
            connection.execute(delete(Conditions).where(Conditions.id == place.conditions_id))
        if not _is_referred_to(connection, SettingResult.pool_id == place.pool_id):
            connection.execute(delete(Pool).where(Pool.id == place.pool_id))


def _is_referred_to(connection: Connection, condition: ColumnElement[bool]) -> bool:
    return connection.execute(select(exists().where(condition))).scalar_one()
