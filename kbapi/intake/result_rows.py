"""The rows of a screened document: its chip, its pools and their conditions."""

from dataclasses import dataclass
from datetime import UTC, date, datetime

import orjson
import uuid_utils
from sqlalchemy import Connection

from kbapi.chips.chip import ChipName
from kbapi.documents.measurements import Reading
from kbapi.documents.reader import ReadDocument
from kbapi.documents.results import Lock, Platform, SubmittedResult
from kbapi.instance.instance import Instance
from kbapi.intake.screening import ScreenedSetting
from kbapi.storage import pools
from kbapi.storage.contributors import UnitRow
from kbapi.storage.pools import ConditionsKey, PoolKey
from kbapi.storage.readings import NewLock, NewReading
from kbapi.storage.results import Known, NewSetting, NewSubmission, find_known, find_or_add_unit
from kbapi.versions import RULES_VERSION
from kbapi.vocabulary import LIMIT_CONTROLS, PROTECTIONS


@dataclass(frozen=True, slots=True)
class Sender:
    """The sender of a document, by keyed hashes of its tokens."""

    contributor_hash: bytes
    unit_hash: bytes | None
    """None without a unit token."""
    document_hash: bytes
    """Of its unit, or its contributor, and the document."""

    @property
    def content_hash(self) -> bytes | None:
        """What recognises a repeated document of a unit; None without a unit token.

        A repeat must not show a sender without tokens that an equal document is stored.
        """
        return None if self.unit_hash is None else self.document_hash


def new_submission(
    instance: Instance,
    connection: Connection,
    document: ReadDocument,
    screened: tuple[ScreenedSetting, ...],
    sender: Sender,
    known: Known,
) -> NewSubmission:
    """The document with its settings, locks and readings, ready to save under a new id."""
    today = instance.today()
    unit = find_unit_of(instance, connection, sender, known)
    place = Place(_new_public_id(today), today, unit, known.chip)
    return submission_at(instance, connection, document, screened, place, sender.content_hash)


def find_known_of(connection: Connection, document: ReadDocument, sender: Sender) -> Known:
    """What is stored already of the rows that a document of this sender needs."""
    return find_known(
        connection,
        contributor_hash=sender.contributor_hash,
        unit_hash=sender.unit_hash,
        document_hash=sender.document_hash,
        chip_key=document.chip.key,
    )


def find_unit_of(
    instance: Instance, connection: Connection, sender: Sender, known: Known
) -> UnitRow:
    """The unit of the sender, added with its contributor if it is new."""
    return find_or_add_unit(
        connection,
        known,
        contributor_hash=sender.contributor_hash,
        unit_hash=sender.unit_hash,
        document_hash=sender.document_hash,
        key_id=instance.secret.key_id,
        today=instance.today(),
    )


@dataclass(frozen=True, slots=True)
class Place:
    """Under which id, day and unit a document is stored."""

    public_id: str
    received_day: date
    unit: UnitRow
    chip_id: int | None
    """None for a chip that is not here yet."""


def submission_at(
    instance: Instance,
    connection: Connection,
    document: ReadDocument,
    screened: tuple[ScreenedSetting, ...],
    place: Place,
    content_hash: bytes | None,
) -> NewSubmission:
    """The document with its settings, locks and readings, ready to save at this place."""
    measured_month = document.result.measured_in or f"{place.received_day:%Y-%m}"
    return NewSubmission(
        public_id=place.public_id,
        chip_id=place.chip_id or _add_chip(connection, document.chip).id,
        unit=place.unit,
        received_day=place.received_day,
        measured_month=measured_month,
        document=orjson.dumps(document.raw).decode(),
        content_hash=content_hash,
        rules_version=RULES_VERSION,
        settings=tuple(new_setting(instance, document, one) for one in screened),
        locks=rows_of_locks(document.result, measured_month),
        readings=rows_of_readings(document.result),
        reading_ignored=orjson.dumps(document.ignored).decode(),
        chip_conflict=document.chip_conflict or "",
    )


def _new_public_id(today: date) -> str:
    """A version 7 UUID with the day as its time: the moment of arrival is not stored."""
    return str(uuid_utils.uuid7(nanoseconds=_midnight_s(today) * 1_000_000_000))


def least_id_of(day: date) -> str:
    """A text before every id of this day, and after those of earlier days.

    >>> least_id_of(date(2026, 9, 15))
    '01a0a25d-0400'
    """
    digits = f"{_midnight_s(day) * 1_000:012x}"
    return f"{digits[:8]}-{digits[8:]}"


def _midnight_s(day: date) -> int:
    return int(datetime(day.year, day.month, day.day, tzinfo=UTC).timestamp())


def _add_chip(connection: Connection, chip: ChipName) -> pools.ChipRow:
    return pools.add_chip(
        connection,
        key=chip.key,
        name=chip.name,
        kind=chip.kind,
        series=chip.series,
        line=chip.line,
    )


def rows_of_locks(result: SubmittedResult, measured_month: str) -> tuple[NewLock, ...]:
    """The document's lock reports, each with the platform, ready to save."""
    return tuple(_new_lock(lock, result.platform, measured_month) for lock in result.locks)


def _new_lock(lock: Lock, platform: Platform, measured_month: str) -> NewLock:
    protections = {name: getattr(platform, name) or "unknown" for name in PROTECTIONS}
    return NewLock(
        domain=lock.domain,
        control=lock.control,
        status=lock.status,
        found_by=lock.found_by or "owner_says",
        changes=",".join(lock.changes),
        measured_month=measured_month,
        machine=platform.machine or "",
        firmware=platform.firmware or "",
        firmware_month=platform.firmware_month or "",
        microcode=platform.microcode or "",
        os=platform.os or "",
        **protections,
    )


def rows_of_readings(result: SubmittedResult) -> tuple[NewReading, ...]:
    """The document's readings, without implausible numbers, ready to save."""
    return tuple(_new_reading(reading, result) for reading in result.readings)


def _new_reading(reading: Reading, result: SubmittedResult) -> NewReading:
    return NewReading(
        state=reading.state,
        is_below_stock=int(reading.state == "tuned" and _is_below_stock(reading, result)),
        load=reading.load or "",
        # The best of several varies nearly as much as one run does.
        runs=None if reading.runs_summary == "best" else reading.runs,
        minutes=reading.minutes,
        power_w=reading.power_w,
        power_scope=reading.power_scope or "",
        power_cap_w=reading.power_cap_w,
        clock_mhz=reading.clock_mhz,
        clock_spread_mhz=reading.clock_spread_mhz,
        clock_kind=reading.clock_kind or "",
        temp_avg_c=reading.temp_avg_c,
        temp_max_c=reading.temp_max_c,
        temp_sensor=reading.temp_sensor or "",
        ambient_c=reading.ambient_c,
        fan=reading.fan or "",
        noise_dba=reading.noise_dba,
        performance=reading.performance,
        performance_low=reading.performance_low,
        performance_unit=reading.performance_unit or "",
    )


def _is_below_stock(reading: Reading, result: SubmittedResult) -> bool:
    """Whether a setting below stock was in force; without a list, the one in use was."""
    if not reading.settings:
        return bool(result.settings)
    return any(one.control in LIMIT_CONTROLS for one in reading.settings)


def _conditions_of(screened: ScreenedSetting, platform: Platform) -> ConditionsKey:
    return ConditionsKey(
        loads=",".join(screened.loads),
        grade=screened.grade,
        firmware=platform.firmware or "",
        microcode=platform.microcode or "",
        machine=platform.machine or "",
        cooling=",".join(platform.cooling),
        supply=platform.supply or "",
    )


def new_setting(
    instance: Instance, document: ReadDocument, screened: ScreenedSetting
) -> NewSetting:
    """A screened setting with its pool and conditions, ready to save."""
    setting = screened.setting
    band_mhz = 0
    if setting.clock_mhz is not None and setting.control == "fixed_clock_voltage":
        width_mhz = instance.catalogue.clock_band_for(document.chip)
        band_mhz = int(setting.clock_mhz // width_mhz) * width_mhz
    return NewSetting(
        domain=setting.domain,
        pool=PoolKey(setting.control, "+".join(setting.domains), band_mhz),
        conditions=_conditions_of(screened, document.result.platform),
        status=screened.status,
        reasons=orjson.dumps(screened.reasons).decode(),
        stable_steps=screened.stable_steps,
        unstable_steps=screened.unstable_steps,
        early_stop_steps=screened.early_stop_steps,
        clock_mhz=setting.clock_mhz,
        stock_mv=setting.stock_mv,
    )
