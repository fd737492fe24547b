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
from pathlib import Path
from typing import Final

from kbapi.errors import StorageBusy, StorageUnwritable, UnsafeSetup
from kbapi.settings import SECRET_VARIABLE, Settings
from kbapi.storage.files import give, owner_at, require_may_open
from kbapi.storage.schema import Database, note_first_key_id, note_key_id, read_key_ids
from kbapi.storage.sql import readable_faults
from kbapi.storage.sqlite.database import write_lock_held

_SECRET_BYTES = 32


@dataclass(frozen=True)
class Secret:
    """A random secret; only hashes derived from it are stored."""

    value: bytes = field(repr=False)

    @property
    def key_id(self) -> str:
        """Eight hex digits that identify the secret without revealing it."""
        return self.keyed_hash("key_id", b"")[:4].hex()

    def keyed_hash(self, purpose: str, message: bytes) -> bytes:
        """HMAC-SHA-256 of the message under the key of this purpose (32 bytes)."""
        key = hmac.digest(self.value, purpose.encode(), hashlib.sha256)
        return hmac.digest(key, message, hashlib.sha256)


def load_secret(path: Path, *, is_mounted: bool = False) -> Secret:
    """The secret in this file; a mounted one may be readable by the group of this user.

    Raises
    ------
    UnsafeSetup
        When the file is missing, not readable by this user, readable by others, or not 64 hex
        digits.
    """
    found = find_secret(path, is_mounted=is_mounted)
    if found is None:
        raise UnsafeSetup(f"The secret file {path.name} is missing. {_UNREADABLE}")
    return found


_UNREADABLE: Final = "Check its owner and its mode, or put its backup back."


def load_secret_of(settings: Settings) -> Secret:
    """The secret of this instance: the given one, else the one in its folder.

    Raises
    ------
    UnsafeSetup
        As `load_secret`.
    """
    return find_secret_of(settings) or load_secret(settings.secret_path)


def find_secret_of(settings: Settings) -> Secret | None:
    """The same, None where the folder has no secret yet; a given one must exist."""
    if settings.secret is not None:
        return Secret(bytes.fromhex(settings.secret.get_secret_value()))
    if settings.secret_file is not None:
        return load_secret(settings.secret_file, is_mounted=True)
    return find_secret(settings.secret_path)


def _name_of_secret(settings: Settings) -> str:
    if settings.secret is not None:
        return f"The value of {SECRET_VARIABLE}"
    return (settings.secret_file or settings.secret_path).name


def find_secret(path: Path, *, is_mounted: bool = False) -> Secret | None:
    """The secret in this file, None where there is no file; raises as `load_secret`."""
    require_may_open(path)
    try:
        with path.open(encoding="ascii") as file:
            found = os.fstat(file.fileno())
            text = file.read().strip()
    except FileNotFoundError:
        return None
    except (OSError, UnicodeDecodeError) as error:
        raise UnsafeSetup(f"The secret file {path.name} cannot be read. {_UNREADABLE}") from error
    # Orchestrators mount a file of root for the group of a user that is not root.
    by_group = 0o040 if is_mounted and found.st_uid == 0 and os.geteuid() != 0 else 0
    if found.st_mode & 0o077 & ~by_group:
        advice = "Mount it with mode 0400" if is_mounted else "Run 'chmod 600' on it"
        raise UnsafeSetup(f"Other users can read the secret file {path.name}. {advice}.")
    try:
        value = bytes.fromhex(text)
    except ValueError:
        value = b""
    if len(value) != _SECRET_BYTES:
        raise UnsafeSetup(f"The secret file {path.name} must hold 64 hex digits.")
    return Secret(value)


def random_secret() -> Secret:
    """A new random secret."""
    return Secret(os.urandom(_SECRET_BYTES))


def create_secret(path: Path) -> None:
    """Write a new secret that only the owner can read; an existing one is kept."""
    remove_drafts(path)
    if path.exists():
        return
    with _draft(path, random_secret()) as draft, suppress(FileExistsError):
        # A link appears complete or not at all, and never replaces an existing secret.
        path.hardlink_to(draft)


def write_secret(path: Path, secret: Secret) -> None:
    """Write an existing secret, readable by the owner only; complete or not at all."""
    remove_drafts(path)
    with _draft(path, secret) as draft:
        draft.replace(path)


@contextmanager
def _draft(path: Path, secret: Secret) -> Iterator[Path]:
    """A temporary file with the secret, flushed to the disk, in the folder of `path`."""
    draft = path.with_name(f"{path.name}.{os.urandom(8).hex()}.new")
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC
    with os.fdopen(os.open(draft, flags, 0o600), "w", encoding="ascii") as file:
        try:
            # The kernel frees the lock when the writer ends, so an abandoned draft is unlocked.
            fcntl.flock(file, fcntl.LOCK_EX)
            give(file.fileno(), owner_at(path))
            file.write(secret.value.hex() + "\n")
            file.flush()
            os.fsync(file.fileno())
            yield draft
        finally:
            draft.unlink(missing_ok=True)


def remove_drafts(path: Path) -> None:
    """Remove drafts of this secret whose writer has ended."""
    is_draft = re.compile(rf"{re.escape(path.name)}\.[0-9a-f]+\.new")
    for draft in path.parent.iterdir():
        if is_draft.fullmatch(draft.name):
            with suppress(OSError):
                _remove_if_abandoned(draft)


def _remove_if_abandoned(draft: Path) -> None:
    descriptor = os.open(draft, os.O_RDONLY | os.O_NOFOLLOW | os.O_CLOEXEC)
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        # A writer that has just begun has an empty draft and does not hold its lock yet.
        if os.fstat(descriptor).st_size:
            draft.unlink()
    finally:
        os.close(descriptor)


def contributor_hash(secret: Secret, contributor_token: str | None) -> bytes:
    """The keyed hash of a contributor; all senders without a token share one."""
    # A token has at least sixteen characters, so no contributor has the empty one.
    return secret.keyed_hash("contributor", (contributor_token or "").encode())


_FOREIGN: Final = (
    "{} is not the secret of this database, so no receipt or token would match. If a restore was "
    "interrupted, run it again. Otherwise put the right secret back; a restore keeps the earlier "
    "one as {}.before-... . If it is lost, run 'kbapi backup', then 'kbapi restore' of that "
    "backup with --without-secret."
)


def foreign_secret(settings: Settings) -> str:
    """The message that the secret of an instance is not the one of its database."""
    return _FOREIGN.format(_name_of_secret(settings), settings.secret_path.name)


def record_secret(database: Database, secret: Secret) -> None:
    """Record in the database which secret it is served with; rows of other secrets are lost."""
    note_key_id(database, secret.key_id)


def require_no_foreign_secret(settings: Settings) -> None:
    """Raise if the secret in the folder is not the one that the database is served with.

    Raises
    ------
    UnsafeSetup
        When the secret is another one, or other users can read it.
    """
    secret = find_secret_of(settings)
    if secret is not None:
        _require_own(settings, secret)


def ensure_secret_recorded(
    settings: Settings, secret: Secret, *, has_write_lock: bool = False
) -> None:
    """Record the secret in a database that has no record yet, or no content yet.

    Pass `has_write_lock` when the caller holds the write lock.

    Raises
    ------
    UnsafeSetup
        When the secret is another one.
    """
    is_recorded = _require_own(settings, secret) == secret.key_id
    if not is_recorded and not settings.read_only:
        if settings.database:
            # Two hosts may begin at the same moment with different secrets: one of them is first.
            with readable_faults():
                note_first_key_id(settings.database, secret.key_id)
            _require_own(settings, secret)
            return
        # A failed write is repeated at the next opening: until then the rows show the secret.
        lock = nullcontext() if has_write_lock else write_lock_held(settings.write_lock_path)
        with suppress(StorageUnwritable, StorageBusy), readable_faults(), lock:
            record_secret(settings.database_path, secret)


def _require_own(settings: Settings, secret: Secret) -> str | None:
    """The key id recorded in the database, None without a record.

    Raises
    ------
    UnsafeSetup
        When the database has content that another secret made.
    """
    recorded, latest = read_key_ids(settings.database_at)
    # Another host may have recorded its secret in an empty database on a server.
    if settings.database and recorded is not None:
        latest = [recorded]
    if latest and secret.key_id not in ([recorded] if recorded else latest):
        raise UnsafeSetup(foreign_secret(settings))
    return recorded


RECEIPT_PREFIX = "kbr_"


def receipt_of(secret: Secret, public_id: str) -> str:
    """The receipt of a submission, derived from its id and therefore never stored."""
    made = secret.keyed_hash("receipt", public_id.encode())
    return RECEIPT_PREFIX + base64.urlsafe_b64encode(made[:24]).decode()


def is_receipt_of(secret: Secret, public_id: str, shown: str) -> bool:
    """Whether this is the submission's receipt, compared in constant time."""
    return hmac.compare_digest(receipt_of(secret, public_id).encode(), shown.encode())


def unit_hash(
    secret: Secret, contributor_token: str | None, unit_token: str | None
) -> bytes | None:
    """The keyed hash of a unit, None where each result is a unit of its own.

    It includes the contributor, so that a guessed unit token has no effect.
    """
    if contributor_token is None or unit_token is None:
        return None
    return secret.keyed_hash("unit", f"{contributor_token}\n{unit_token}".encode())
