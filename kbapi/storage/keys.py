"""Access keys, known only by keyed hashes that are made elsewhere.

Hot path, so written out: every request with a key runs `find_live_key`. It takes 8 us CPU, and took
390 us through a session.
"""

from dataclasses import dataclass
from datetime import date
from typing import Final

from sqlalchemy import Connection
from sqlmodel import col, select, update

from kbapi.storage.sql import HotReads, session_on
from kbapi.storage.tables_reports import AccessKey


@dataclass(frozen=True, slots=True)
class KeyRow:
    """An access key without its hash."""

    id: int
    name: str
    scopes: tuple[str, ...]
    created_day: date
    revoked_day: date | None
    fits_secret: bool
    """Whether the present secret made its hash; with another one no request matches it."""

    @property
    def is_live(self) -> bool:
        """Whether requests with it are accepted."""
        return self.fits_secret and self.revoked_day is None


@dataclass(frozen=True, slots=True)
class LiveKey:
    """A key that was not revoked, and its scopes."""

    id: int
    scopes: tuple[str, ...]
    has_vouched: bool


@dataclass(frozen=True, slots=True)
class Voucher:
    """A key that vouches for the contributors whose results it sends."""

    key_id: int
    for_all: bool
    """Whether it vouches for each of them; otherwise for the first one alone."""


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
    key = AccessKey(
        name=name, key_hash=key_hash, key_id=key_id, scopes=",".join(scopes), created_day=today
    )
    with session_on(connection) as session:
        session.add(key)
    return key.id


_FIND_LIVE: Final = (
    "SELECT id, scopes, has_vouched FROM access_key WHERE key_hash = ? AND revoked_day IS NULL"
)
_FIND_LIVE_NUMBER: Final = _FIND_LIVE.replace("key_hash", "id")


def find_live_key(reads: HotReads, key_hash: bytes) -> LiveKey | None:
    """The key with this hash, unless it was revoked."""
    return _live_key(reads, _FIND_LIVE, key_hash)


def find_live_key_by_number(reads: HotReads, number: int) -> LiveKey | None:
    """The key with this number, unless it was revoked."""
    return _live_key(reads, _FIND_LIVE_NUMBER, number)


def _live_key(reads: HotReads, statement: str, asked: bytes | int) -> LiveKey | None:
    for number, scopes, has_vouched in reads.rows(statement, (asked,)):
        return LiveKey(number, tuple(scopes.split(",")), has_vouched == 1)
    return None


def use_vouch(connection: Connection, voucher: Voucher) -> bool:
    """Whether the key vouches for one more contributor; one that vouches once has done so now."""
    if voucher.for_all:
        return True
    used = connection.execute(
        update(AccessKey)
        .where(
            col(AccessKey.id) == voucher.key_id,
            col(AccessKey.has_vouched) == 0,
            col(AccessKey.revoked_day).is_(None),
        )
        .values(has_vouched=1)
    )
    return used.rowcount == 1


def load_keys(connection: Connection, key_id: str) -> list[KeyRow]:
    """Every issued key, oldest first; `fits_secret` compares with the secret of this id."""
    with session_on(connection) as session:
        keys = session.exec(select(AccessKey).order_by(col(AccessKey.id))).all()
    return [
        KeyRow(
            id=key.id,
            name=key.name,
            scopes=tuple(key.scopes.split(",")),
            created_day=key.created_day,
            revoked_day=key.revoked_day,
            fits_secret=key.key_id == key_id,
        )
        for key in keys
    ]


def revoke_key(connection: Connection, number: int, today: date) -> bool:
    """Whether the key exists; one that was revoked before keeps its day."""
    with session_on(connection) as session:
        key = session.get(AccessKey, number)
        if key is not None and key.revoked_day is None:
            key.revoked_day = today
    return key is not None
