"""The secret that a database is served with: its key id stands in the header of the database."""

from contextlib import nullcontext, suppress
from pathlib import Path
from typing import Final

from kbapi.errors import StorageBusy, StorageUnwritable, UnsafeSetup
from kbapi.settings import Settings
from kbapi.storage.faults import readable_faults
from kbapi.storage.secret import Secret, load_secret
from kbapi.storage.secret_mark import note_key_id, read_key_ids
from kbapi.storage.write_queue import waiting_in_line

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
