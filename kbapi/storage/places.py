"""Where results belong: the pools of a chip, and the conditions that results were found under."""

from collections.abc import Iterable
from dataclasses import asdict, dataclass
from typing import Final

from sqlalchemy import ColumnElement, Connection, delete, exists, insert, select

from kbapi.storage.statements import find_number
from kbapi.storage.tables import Conditions, FollowUp, Pool, SettingResult
from kbapi.vocabulary import DOMAINS, Domain, Grade, LimitControl

_POOL: Final = """
    SELECT id FROM pool WHERE chip_id = ? AND control = ? AND domains = ? AND clock_band_mhz = ?
    """


_CONDITIONS: Final = """
    SELECT id FROM conditions WHERE loads = ? AND grade = ? AND firmware = ? AND microcode = ?
       AND machine = ? AND cooling = ? AND supply = ?
    """


@dataclass(frozen=True, slots=True)
class PoolKey:
    """What makes results one pool, within a chip."""

    control: LimitControl
    domains: str
    clock_band_mhz: int

    @property
    def rails(self) -> tuple[Domain, ...]:
        """The domains that moved together, in the order of the glossary."""
        return _domains_in(self.domains)


@dataclass(frozen=True, slots=True)
class ConditionsKey:
    """The filter values of a result."""

    loads: str
    grade: Grade
    firmware: str = ""
    microcode: str = ""
    machine: str = ""
    cooling: str = ""
    supply: str = ""


@dataclass(frozen=True, slots=True, order=True)
class EvidenceKey:
    """The place that a setting's outcome is merged into."""

    pool_id: int
    unit_id: int
    conditions_id: int


def moved_with(domain: Domain, domains: str) -> tuple[Domain, ...]:
    """The other domains of a pool, in their fixed order.

    >>> moved_with("core", "core+ring")
    ('ring',)
    """
    return tuple(one for one in _domains_in(domains) if one != domain)


def _domains_in(domains: str) -> tuple[Domain, ...]:
    together = domains.split("+")
    return tuple(code for code in DOMAINS if code in together)


def find_or_add_pool(connection: Connection, chip_id: int, key: PoolKey) -> int:
    """The number of this pool of a chip, added if it had no results before."""
    values = (chip_id, key.control, key.domains, key.clock_band_mhz)
    found = find_number(connection, _POOL, values)
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


def find_or_add_conditions(connection: Connection, key: ConditionsKey) -> int:
    """The number of these conditions, added if nothing was found under them before."""
    found = find_number(
        connection,
        _CONDITIONS,
        (
            key.loads,
            key.grade,
            key.firmware,
            key.microcode,
            key.machine,
            key.cooling,
            key.supply,
        ),
    )
    if found is not None:
        return found
    return connection.execute(insert(Conditions).values(**asdict(key))).inserted_primary_key[0]


def find_places(
    connection: Connection, table: type[SettingResult | FollowUp], submission_id: int
) -> list[EvidenceKey]:
    """The places that the settings or the follow-ups of a document are merged into."""
    rows = connection.execute(
        select(table.pool_id, table.unit_id, table.conditions_id).where(
            table.submission_id == submission_id
        )
    )
    return [EvidenceKey(*row) for row in rows]


def drop_unused_places(connection: Connection, places: Iterable[EvidenceKey]) -> None:
    """Forget pools and conditions that no setting belongs to any more."""
    for place in places:
        if not _are_conditions_used(connection, place.conditions_id):
            connection.execute(delete(Conditions).where(Conditions.id == place.conditions_id))
        if not _is_referred_to(connection, SettingResult.pool_id == place.pool_id):
            connection.execute(delete(Pool).where(Pool.id == place.pool_id))


def _are_conditions_used(connection: Connection, conditions_id: int) -> bool:
    return any(
        _is_referred_to(connection, table.conditions_id == conditions_id)
        for table in (SettingResult, FollowUp)
    )


def _is_referred_to(connection: Connection, condition: ColumnElement[bool]) -> bool:
    return connection.execute(select(exists().where(condition))).scalar_one()
