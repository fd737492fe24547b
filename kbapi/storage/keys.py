"""Access keys, known only by keyed hashes that are made elsewhere."""

from dataclasses import dataclass
from datetime import date

from sqlalchemy import Connection, insert, select, update

from kbapi.storage.sqlite.engine import HotReads
from kbapi.storage.tables import AccessKey


@dataclass(frozen=True, slots=True)
class KeyRow:
    """An access key without its hash."""

    id: int
    name: str
    scopes: tuple[str, ...]
    created_day: date
    revoked_day: date | None
    fits_secret: bool
    """Whether the instance's secret keyed its hash; with another one nobody can show it."""

    @property
    def is_live(self) -> bool:
        """Whether it opens anything."""
        return self.fits_secret and self.revoked_day is None


@dataclass(frozen=True, slots=True)
class LiveKey:
    """What a key that was shown opens."""

    id: int
    scopes: tuple[str, ...]


def add_key(
    connection: Connection,
    *,
    name: str,
    key_hash: bytes,
    key_id: str,
    scopes: tuple[str, ...],
    today: date,
) -> int:
    """The number of the new key."""
    added = connection.execute(
        insert(AccessKey).values(
            name=name, key_hash=key_hash, key_id=key_id, scopes=",".join(scopes), created_day=today
        )
    )
    return added.inserted_primary_key[0]


_COLUMNS = (
    AccessKey.id,
    AccessKey.name,
    AccessKey.scopes,
    AccessKey.created_day,
    AccessKey.revoked_day,
    AccessKey.key_id,
)


# Asked with every request that shows a key, so written out.
_FIND_LIVE = "SELECT id, scopes FROM access_key WHERE key_hash = ? AND revoked_day IS NULL"


def find_live_key(reads: HotReads, key_hash: bytes) -> LiveKey | None:
    """The key with this hash, unless it was revoked."""
    rows = reads.rows(_FIND_LIVE, (key_hash,))
    return LiveKey(rows[0][0], tuple(rows[0][1].split(","))) if rows else None


def load_keys(connection: Connection, key_id: str) -> list[KeyRow]:
    """Every key that was ever given, in that order, as it stands under the secret of this id."""
    rows = connection.execute(select(*_COLUMNS).order_by(AccessKey.id))
    return [
        KeyRow(number, name, tuple(scopes.split(",")), created, revoked, keyed_by == key_id)
        for number, name, scopes, created, revoked, keyed_by in rows
    ]


def revoke_key(connection: Connection, number: int, today: date) -> bool:
    """Whether there is such a key; one that was revoked before keeps its day."""
    connection.execute(
        update(AccessKey)
        .where(AccessKey.id == number, AccessKey.revoked_day.is_(None))
        .values(revoked_day=today)
    )
    known = select(AccessKey.id).where(AccessKey.id == number)
    return connection.execute(known).one_or_none() is not None
