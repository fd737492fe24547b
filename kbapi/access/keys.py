"""Access keys: created, shown once, stored as keyed hashes, and revoked."""

import base64
import binascii
import hashlib
import re
import secrets
from dataclasses import dataclass
from typing import Final

from kbapi.documents.personal_data import is_personal_data
from kbapi.errors import AccessKeyWrong, KeyRefused, Problem
from kbapi.instance.instance import Instance
from kbapi.storage import keys
from kbapi.storage.keys import KeyRow, Voucher
from kbapi.vocabulary import SCOPES

KEY_PREFIX: Final = "kbk_"
SUBMIT: Final = "submit"
SUBMIT_FOR_MEMBERS: Final = "submit_for_members"
CURATE: Final = "curate"
ADMIN: Final = "admin"

_RANDOM_BYTES: Final = 32
_CHECK_BYTES: Final = 4
_NAME: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9 ._-]{0,39}")
_NAME_RULE: Final = (
    "A name has up to 40 letters, digits, spaces, dots and hyphens. It does not identify a person."
)


@dataclass(frozen=True, slots=True)
class NewKey:
    """A new key, which is shown only here."""

    id: int
    key: str


@dataclass(frozen=True, slots=True)
class KeyHolder:
    """The holder of a live key: the key's number and scopes."""

    id: int
    scopes: tuple[str, ...]
    has_vouched: bool = False
    """Whether the key vouched for its one contributor."""

    @property
    def voucher(self) -> Voucher | None:
        """The key as one that vouches for contributors; None where it vouches for no more."""
        for_all = not {SUBMIT_FOR_MEMBERS, ADMIN}.isdisjoint(self.scopes)
        if for_all or (SUBMIT in self.scopes and not self.has_vouched):
            return Voucher(self.id, for_all)
        return None


def give_key(instance: Instance, name: str, scopes: tuple[str, ...]) -> NewKey:
    """A new key; only its keyed hash is stored.

    Raises
    ------
    KeyRefused
        When the name is not allowed, or looks like personal data.
    """
    if name and (not _NAME.fullmatch(name) or is_personal_data(name)):
        raise KeyRefused(problems=[Problem("name", "key_name", _NAME_RULE)])
    if not scopes or set(scopes) - set(SCOPES):
        detail = f"Send one or more of: {', '.join(SCOPES)}."
        raise KeyRefused(problems=[Problem("scope", "key_scope", detail)])
    key = _make_key()
    with instance.writing() as connection:
        number = keys.add_key(
            connection,
            name=name,
            key_hash=_hash_of(instance, key),
            key_id=instance.secret.key_id,
            scopes=tuple(dict.fromkeys(scopes)),
            today=instance.today(),
        )
    return NewKey(number, key)


def _make_key() -> str:
    value = secrets.token_bytes(_RANDOM_BYTES)
    return KEY_PREFIX + base64.urlsafe_b64encode(value + _check_of(value)).decode()


def _check_of(value: bytes) -> bytes:
    """A checksum that finds a mistyped key without the database."""
    return hashlib.sha256(value).digest()[:_CHECK_BYTES]


def _has_checksum(sent: str) -> bool:
    try:
        value = base64.b64decode(sent.removeprefix(KEY_PREFIX), altchars=b"-_", validate=True)
    except (binascii.Error, ValueError):
        return False
    return _check_of(value[:_RANDOM_BYTES]) == value[_RANDOM_BYTES:]


def _hash_of(instance: Instance, key: str) -> bytes:
    return instance.secret.keyed_hash("access_key", key.encode())


def find_holder(instance: Instance, sent: str) -> KeyHolder:
    """The holder of this key.

    The look-up uses the hash under the instance's secret, so that its duration reveals nothing
    about similar keys.

    Raises
    ------
    AccessKeyWrong
        For a key that was never created, and for a revoked one.
    """
    if not _has_checksum(sent):
        raise AccessKeyWrong
    key = keys.find_live_key(instance.hot_reads, _hash_of(instance, sent))
    if key is None:
        raise AccessKeyWrong
    return KeyHolder(key.id, key.scopes, key.has_vouched)


def find_holder_by_number(instance: Instance, number: int) -> KeyHolder | None:
    """The holder of the key with this number; None if there is none, or it was revoked."""
    key = keys.find_live_key_by_number(instance.hot_reads, number)
    return None if key is None else KeyHolder(key.id, key.scopes, key.has_vouched)


def has_live_key(instance: Instance) -> bool:
    """Whether any key is live."""
    return any(key.is_live for key in list_keys(instance))


def list_keys(instance: Instance) -> list[KeyRow]:
    """Every key that was ever created, without the keys themselves."""
    with instance.reading() as connection:
        return keys.load_keys(connection, instance.secret.key_id)


def revoke_key(instance: Instance, number: int) -> None:
    """Revoke a key: it allows nothing from now on; decisions made with it stay.

    Raises
    ------
    KeyRefused
        When there is no such key.
    """
    with instance.writing(takes_back=True) as connection:
        if not keys.revoke_key(connection, number, instance.today()):
            detail = "No access key has this number. 'kbapi keys list' shows the numbers."
            raise KeyRefused(problems=[Problem("id", "key_unknown", detail)])
