"""A backup put in the place of an instance's database, while nobody has it open."""

from contextlib import ExitStack
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Final

from kbapi.clock import Clock, utc_now
from kbapi.errors import KbapiError, StorageBroken, UnsafeSetup
from kbapi.instance.file_locks import alone
from kbapi.instance.secret import Secret, load_secret, note_secret, random_secret, write_secret
from kbapi.instance.write_gate import BESIDE, WriteGate, draft_beside, remove_database
from kbapi.settings import Settings
from kbapi.storage.files import (
    flush,
    give,
    give_files,
    log_of,
    owner_at,
    require_may_open,
    require_may_replace,
)
from kbapi.storage.sqlite import schema
from kbapi.storage.sqlite.commits import waiting_in_line
from kbapi.storage.sqlite.engine import fold_in_log, readable_faults, unwritable_as
from kbapi.storage.sqlite.whole_file import Condition, copy_whole


@dataclass(frozen=True, slots=True)
class Restored:
    """A backup that is in place."""

    condition: Condition
    excluded: tuple[Path, ...]
    """What was in its place before, kept under these names."""
    fits_secret: bool
    """Whether the secret in place is the one that keyed the hashes of the backup."""
    needs_upgrade: bool
    """Whether `kbapi db upgrade` must run before it can be served."""


_NOT_PUT: Final = (
    "Nothing was replaced. Free disk space for a second database and KBAPI_MIN_FREE_BYTES, allow "
    "writing to the folder, and unset KBAPI_READ_ONLY. Then try again."
)


def restore_backup(
    settings: Settings,
    file: Path,
    secret_file: Path | None = None,
    *,
    without_secret: bool = False,
    now: Clock = utc_now,
) -> Restored:
    """The instance stands as the backup has it; what was there before is set aside.

    The file is copied and checked before anything is touched, and the name of the database holds
    the old one or the new one at every moment. Both say which secret they are served with: broken
    off between secret and database, the instance is refused until the restore is run again. What
    root puts in place belongs to whom the old one did, or the folder does.

    Raises
    ------
    InstanceInUse
        While a server or a command has the instance open.
    StorageBroken
        When the file is not a database of kbapi, or is damaged.
    SchemaMismatch
        When a newer program made it.
    UnsafeSetup
        When there is no such file, when another user's files would be replaced, or when the secret
        that belongs to it is not there, and it was not said that it is lost (`without_secret`).
    """
    for place in (settings.database_path, file):
        require_may_open(place)
    database, secret_path = _real(settings.database_path), _real(settings.secret_path)
    for place in (database, secret_path):
        require_may_replace(place)
    _require_backup(file, database)
    with unwritable_as(_NOT_PUT), ExitStack() as held, readable_faults():
        settings.home.mkdir(mode=0o700, parents=True, exist_ok=True)
        WriteGate(settings).require_open()
        held.enter_context(alone(settings.use_lock_path))
        held.enter_context(waiting_in_line(settings.write_lock_path))
        draft = draft_beside(database)
        held.callback(remove_database, draft)
        remove_database(draft)
        owner = owner_at(database)
        condition = copy_whole(file, draft)
        secret = _secret_for(settings, condition, secret_file, without_secret)
        note_secret(draft, secret)
        give(draft, owner)
        flush(draft)
        aside = _put_secret(secret_path, secret, now())
        give_files(settings, owner)
        aside += _put_database(database, draft, now())
    return Restored(
        condition=condition,
        excluded=tuple(aside),
        fits_secret=_fits(secret, condition),
        needs_upgrade=condition.revision != schema.head_revision(),
    )


def _real(path: Path) -> Path:
    """The file itself, where a link leads to it: what is put in place goes beside it."""
    real = path.resolve()
    if path.is_symlink() and not real.parent.is_dir():
        raise UnsafeSetup(
            f"{path.name} links to {real.parent}, which does not exist. Mount it first."
        )
    return real


def _require_backup(file: Path, database: Path) -> None:
    if not file.is_file() or file.resolve() == database:
        raise UnsafeSetup(f"{file} is not a backup file. Name a file that 'kbapi backup' wrote.")
    revision = schema.current_revision(file)
    if revision is None:
        raise StorageBroken(f"{file.name} is an empty database, not a backup of kbapi.")
    schema.require_no_newer_schema(revision)


def _secret_for(
    settings: Settings, condition: Condition, secret_file: Path | None, without_secret: bool
) -> Secret:
    """The secret that is to be in place: the one given, the one that is there, or a new one."""
    if secret_file is not None:
        given = load_secret(secret_file)
        if not _fits(given, condition):
            raise UnsafeSetup(
                f"{secret_file.name} is not the secret of this backup. Name "
                "another file with --secret."
            )
        return given
    there = load_secret(settings.secret_path) if settings.secret_path.exists() else None
    if without_secret or (there is not None and _fits(there, condition)):
        return there or random_secret()
    raise UnsafeSetup(
        "The folder does not have the secret of this backup. Name its copy with --secret. If it "
        "is lost, use --without-secret. " + LOST_WITH_IT
    )


LOST_WITH_IT: Final = (
    "Without the secret, senders cannot read or withdraw the results in the backup. Contributors "
    "and their units count as new ones. All access keys must be created again."
)
"""What is lost with the secret."""


def _fits(secret: Secret, condition: Condition) -> bool:
    """Whether nothing is lost with this secret that was not lost before."""
    known = (condition.own_key_id,) if condition.own_key_id else condition.key_ids
    return not condition.key_ids or secret.key_id in known


def _put_secret(path: Path, secret: Secret, at: datetime) -> list[Path]:
    aside = []
    if path.exists():
        if path.read_bytes().strip() == secret.value.hex().encode():
            return []
        aside = [_aside(path, at)]
        aside[0].hardlink_to(path)
    write_secret(path, secret)
    flush(path.parent)
    return aside


def _put_database(database: Path, draft: Path, at: datetime) -> list[Path]:
    aside = _set_database_aside(database, at) if database.exists() else []
    flush(database.parent)
    for ending in BESIDE:
        database.with_name(database.name + ending).unlink(missing_ok=True)
    draft.replace(database)
    flush(database.parent)
    return aside


def _set_database_aside(database: Path, at: datetime) -> list[Path]:
    """Further names of the database, and of its log where that cannot be taken in."""
    kept = _aside(database, at)
    log, kept_log = log_of(database), log_of(kept)
    kept.hardlink_to(database)
    if not log.exists():
        return [kept]
    kept_log.hardlink_to(log)
    try:
        fold_in_log(database)
    except KbapiError:
        return [kept, kept_log]  # of a damaged database nothing is lost
    if kept_log.stat().st_size:
        return [kept, kept_log]  # another program reads at this moment what is in it
    kept_log.unlink()
    return [kept]


def _aside(path: Path, at: datetime) -> Path:
    return path.with_name(f"{path.name}.before-{at:%Y%m%dT%H%M%S.%fZ}")
