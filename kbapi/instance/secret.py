"""The secret of an instance, the keys and receipts derived from it, and its key id."""

import base64
import fcntl
import hashlib
import hmac
import os
import re
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext, suppress
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Final

from kbapi.errors import StorageBusy, StorageUnwritable, UnsafeSetup
from kbapi.settings import Settings
from kbapi.storage.files import give, owner_at, require_may_open
from kbapi.storage.sqlite.commits import waiting_in_line
from kbapi.storage.sqlite.engine import readable_faults
from kbapi.storage.sqlite.schema import note_key_id, read_key_ids

_SECRET_BYTES = 32


@dataclass(frozen=True)
class Secret:
    """A random secret; what is stored is only what comes out of it."""

    value: bytes = field(repr=False)

    @cached_property
    def key_id(self) -> str:
        """Eight hex digits that say which secret made a hash, and nothing about it."""
        return self.keyed_hash("key_id", b"")[:4].hex()

    def keyed_hash(self, purpose: str, message: bytes) -> bytes:
        """HMAC-SHA-256 of the message under the key of this purpose (32 bytes)."""
        return hmac.digest(self._key_of(purpose), message, hashlib.sha256)

    def _key_of(self, purpose: str) -> bytes:
        # A handful of purposes, each with the same key for ever, and several in every result.
        key = self._keys.get(purpose)
        if key is None:
            key = self._keys[purpose] = hmac.digest(self.value, purpose.encode(), hashlib.sha256)
        return key

    @cached_property
    def _keys(self) -> dict[str, bytes]:
        return {}


def load_secret(path: Path) -> Secret:
    """The secret in this file.

    Raises
    ------
    UnsafeSetup
        When the file is missing, closed to this user, readable by others, or not 64 hex digits.
    """
    require_may_open(path)
    try:
        mode = path.stat().st_mode
        text = path.read_text(encoding="ascii").strip()
    except (OSError, UnicodeDecodeError) as error:
        raise UnsafeSetup(
            f"The secret file {path.name} cannot be read. Check its owner and its mode."
        ) from error
    if mode & 0o077:
        raise UnsafeSetup(
            f"Other users can read the secret file {path.name}. Run 'chmod 600' on it."
        )
    try:
        value = bytes.fromhex(text)
    except ValueError:
        value = b""
    if len(value) != _SECRET_BYTES:
        raise UnsafeSetup(f"The secret file {path.name} must hold 64 hex digits.")
    return Secret(value)


def random_secret() -> Secret:
    """A secret that nobody has had before."""
    return Secret(os.urandom(_SECRET_BYTES))


def create_secret(path: Path) -> None:
    """Write a new secret for the owner's eyes only; an existing one is left alone."""
    remove_drafts(path)
    if path.exists():
        return
    with _draft(path, random_secret()) as draft, suppress(FileExistsError):
        # A link appears whole or not at all, and never replaces a secret that is there.
        path.hardlink_to(draft)


def write_secret(path: Path, secret: Secret) -> None:
    """Put a secret that exists at this place, for the owner's eyes only; whole or not at all."""
    remove_drafts(path)
    with _draft(path, secret) as draft:
        draft.replace(path)


@contextmanager
def _draft(path: Path, secret: Secret) -> Iterator[Path]:
    """A new file beside the place that holds the secret and is on the disk; gone at the end."""
    draft = path.with_name(f"{path.name}.{os.urandom(8).hex()}.new")
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC
    with os.fdopen(os.open(draft, flags, 0o600), "w", encoding="ascii") as file:
        try:
            # The kernel frees the lock of whoever dies: so a left-over is told from work.
            fcntl.flock(file, fcntl.LOCK_EX)
            give(file.fileno(), owner_at(path))
            file.write(secret.value.hex() + "\n")
            file.flush()
            os.fsync(file.fileno())
            yield draft
        finally:
            draft.unlink(missing_ok=True)


def remove_drafts(path: Path) -> None:
    """Take away what was to become the secret at this place, and whose writer has died."""
    is_draft = re.compile(rf"{re.escape(path.name)}\.[0-9a-f]+\.new")
    for draft in path.parent.iterdir():
        if is_draft.fullmatch(draft.name):
            with suppress(OSError):
                _remove_if_dead(draft)


def _remove_if_dead(draft: Path) -> None:
    descriptor = os.open(draft, os.O_RDONLY | os.O_NOFOLLOW | os.O_CLOEXEC)
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        # An empty one is locked by its writer in a moment, and would tell nobody anything.
        if os.fstat(descriptor).st_size:
            draft.unlink()
    finally:
        os.close(descriptor)


def contributor_hash(secret: Secret, contributor_token: str | None) -> bytes:
    """The keyed hash that stands for a contributor; all without a token are one."""
    # No token is shorter than sixteen characters, so the empty one is nobody else's.
    return secret.keyed_hash("contributor", (contributor_token or "").encode())


FOREIGN: Final = (
    "{} is not the secret of this database, so no receipt or token would match. If a restore was "
    "interrupted, run it again. Otherwise put the right secret back; a restore keeps the earlier "
    "one as {}.before-... . If it is lost, run 'kbapi backup', then 'kbapi restore' of that "
    "backup with --without-secret."
)


def note_secret(database: Path, secret: Secret) -> None:
    """Let the database say that it is served with this secret; rows of others are given up."""
    note_key_id(database, secret.key_id)


def require_no_foreign_secret(settings: Settings) -> None:
    """Nothing, unless the secret beside the database is another than it is served with.

    Raises
    ------
    UnsafeSetup
        When it is, or when others can read it.
    """
    if settings.secret_path.exists():
        _require_own(settings, load_secret(settings.secret_path))


def keep_own_secret(settings: Settings, secret: Secret, *, is_in_line: bool = False) -> None:
    """Let a database that does not say so yet, or holds nothing yet, say which secret it has.

    `is_in_line` says that the caller holds the write lock.

    Raises
    ------
    UnsafeSetup
        When the secret is another one.
    """
    is_noted = _require_own(settings, secret) == secret.key_id
    if not is_noted and not settings.read_only:
        # What cannot be written now is written when it is next opened: the rows tell meanwhile.
        line = nullcontext() if is_in_line else waiting_in_line(settings.write_lock_path)
        with suppress(StorageUnwritable, StorageBusy), readable_faults(), line:
            note_secret(settings.database_path, secret)


def _require_own(settings: Settings, secret: Secret) -> str | None:
    """What the database says of its secret, which is this one if there is anything to lose."""
    noted, latest = read_key_ids(settings.database_path)
    if latest and secret.key_id not in ([noted] if noted else latest):
        name = settings.secret_path.name
        raise UnsafeSetup(FOREIGN.format(name, name))
    return noted


RECEIPT_PREFIX = "kbr_"


def receipt_of(secret: Secret, public_id: str) -> str:
    """The receipt of a submission: derived from its id, so never stored anywhere."""
    made = secret.keyed_hash("receipt", public_id.encode())
    return RECEIPT_PREFIX + base64.urlsafe_b64encode(made[:24]).decode()


def is_receipt_of(secret: Secret, public_id: str, shown: str) -> bool:
    """Whether this is the submission's receipt, compared in constant time."""
    return hmac.compare_digest(receipt_of(secret, public_id).encode(), shown.encode())


def unit_hash(
    secret: Secret, contributor_token: str | None, unit_token: str | None
) -> bytes | None:
    """The keyed hash that stands for a unit, None where each result is a unit of its own.

    The contributor is part of it, so that a stranger who guesses a unit token changes nothing.
    """
    if contributor_token is None or unit_token is None:
        return None
    return secret.keyed_hash("unit", f"{contributor_token}\n{unit_token}".encode())
