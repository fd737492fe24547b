"""Backups: a checked copy of a database in use with a manifest, and a copy of the secret apart."""

import re
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Final

from kbapi.clock import Clock, utc_now
from kbapi.errors import StorageFull, StorageUnwritable, UnsafeSetup
from kbapi.instance.file_locks import shared_lock
from kbapi.instance.manifest import describe_backup, manifest_path, write_manifest
from kbapi.instance.secret import (
    load_secret,
    load_secret_of,
    require_no_foreign_secret,
    write_secret,
)
from kbapi.instance.write_gate import require_instance
from kbapi.settings import Settings
from kbapi.storage.files import flush, free_bytes, is_read_only, log_of, size_of
from kbapi.storage.sql import readable_faults
from kbapi.storage.sqlite.database import write_lock_held
from kbapi.storage.sqlite.log_check import require_sound_log
from kbapi.storage.sqlite.whole_file import Condition, Progress, copy_whole, no_progress

_NAME: Final = "kbapi-{:%Y%m%dT%H%M%S.%fZ}.sqlite3"
_IS_BACKUP: Final = re.compile(r"kbapi-\d{8}T\d{6}\.\d{6}Z\.sqlite3\Z")
_IS_PARTIAL: Final = re.compile(r"\.kbapi-\d{8}T\d{6}\.\d{6}Z\.partial")


@dataclass(frozen=True, slots=True)
class BackupMade:
    """A complete and checked backup on the disk."""

    file: Path
    size_bytes: int
    condition: Condition
    removed: tuple[Path, ...]
    """Older backups that were removed because of `keep`."""
    dated_later: tuple[Path, ...]
    """Backups with a later time in their name: not counted and never removed."""


def make_backup(
    settings: Settings,
    target: Path,
    keep: int | None,
    now: Clock = utc_now,
    progress: Progress = no_progress,
) -> BackupMade:
    """A copy of the instance's database in the folder `target`; the newest `keep` stay there.

    A file gets the name of a backup only when it is complete, checked and on the disk, and after
    its manifest. Only files with such a name and an earlier time are removed: a later time means
    that a clock was wrong, so that file may be older or newer.

    Raises
    ------
    UnsafeSetup
        When there is no instance to copy, this user may not open it, or `target` is the instance's
        folder or within it.
    StorageFull, StorageUnwritable
        When `target` has too little free space or cannot be written; older backups stay.
    StorageBusy
        While another process makes a backup in `target`.
    StorageBroken
        When the database is damaged; older backups stay.
    """
    _require_target(settings, target)
    lock = nullcontext() if settings.database else shared_lock(settings.use_lock_path)
    with readable_faults(), lock:
        target.mkdir(mode=0o700, parents=True, exist_ok=True)
        if is_read_only(target):
            raise StorageUnwritable(f"This user may not write to {target}. Nothing was written.")
        with write_lock_held(target / ".kbapi-backup.lock", timeout_s=0):
            _remove_partial_files(target)
            _require_free_space(settings, target)
            file, condition = _copy_with_manifest(settings, target, now(), progress)
            backups = sorted(path for path in target.iterdir() if _IS_BACKUP.match(path.name))
            removed = tuple(_remove_all_but([path for path in backups if path < file], keep))
    later = tuple(path for path in backups if path > file)
    return BackupMade(file, file.stat().st_size, condition, removed, later)


def _copy_with_manifest(
    settings: Settings, target: Path, at: datetime, progress: Progress
) -> tuple[Path, Condition]:
    file = target / _NAME.format(at)
    with _partial(file) as partial:
        condition = _copy(settings, partial, progress)
        made_at, schema = f"{at:%Y-%m-%dT%H:%M:%SZ}", str(condition.revision)
        write_manifest(partial, describe_backup(partial, made_at, schema, progress))
    return file, condition


def _copy(settings: Settings, file: Path, progress: Progress) -> Condition:
    if settings.database:
        from kbapi.storage.postgres.whole_database import copy_to_file

        return copy_to_file(settings.database, file, progress)
    require_sound_log(settings.database_path)
    return copy_whole(settings.database_path, file, progress)


def back_up_secret(settings: Settings, file: Path, target: Path) -> None:
    """Write the secret to a separate file that only its owner can read.

    Raises
    ------
    UnsafeSetup
        When the file is within the folder of the backups or of the instance, or has another
        secret; when the instance has a foreign secret; and when `target` cannot take backups.
    """
    _require_target(settings, target)
    if _is_within(file, target) or _is_within(file, settings.home):
        raise UnsafeSetup(
            "Keep the secret apart from the backups and the instance, because both together open "
            "every result. Name a file elsewhere with --secret."
        )
    require_no_foreign_secret(settings)
    secret = load_secret_of(settings)
    if file.exists() and load_secret(file) != secret:
        raise UnsafeSetup(
            f"{file.name} has another secret and was not overwritten. Name another file."
        )
    with readable_faults():
        file.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        write_secret(file, secret)
        flush(file.parent)


def _require_target(settings: Settings, target: Path) -> None:
    require_instance(settings)
    if target.exists() and not target.is_dir():
        raise UnsafeSetup(f"{target} is a file. Name a folder for the backups.")
    if _is_within(target, settings.home):
        raise UnsafeSetup("Name a folder outside the instance, best on another disk.")


def _is_within(path: Path, folder: Path) -> bool:
    """Whether a copy of the folder includes this file."""
    return path.resolve().is_relative_to(folder.resolve())


def _require_free_space(settings: Settings, target: Path) -> None:
    """Raise if the backup would use the space that must stay free for the instance."""
    size = _bytes_of(settings)
    is_same_disk = settings.home.exists() and (target.stat().st_dev == settings.home.stat().st_dev)
    reserve = settings.min_free_bytes if is_same_disk else 0
    if free_bytes(target) - size < reserve:
        raise StorageFull(
            f"The backup needs {size:,} bytes in {target}, and {reserve:,} bytes must stay free "
            "there for the instance. Nothing was written; older backups are kept."
        )


def _bytes_of(settings: Settings) -> int:
    """Bytes that the instance takes now; on a server, about those of a file with the same rows."""
    if settings.database:
        from kbapi.storage.postgres.whole_database import size_of_database

        return size_of_database(settings.database)
    return size_of(settings.database_path) + size_of(log_of(settings.database_path))


@contextmanager
def _partial(file: Path) -> Iterator[Path]:
    """A temporary path; the file is renamed to `file` on success and removed on failure."""
    partial = file.with_name(f".{file.name.removesuffix('.sqlite3')}.partial")
    try:
        yield partial
        # In this order: no backup is ever without its manifest.
        manifest_path(partial).replace(manifest_path(file))
        partial.replace(file)
        flush(file.parent)
    finally:
        _remove_partial_files(file.parent)


def _remove_partial_files(target: Path) -> None:
    for path in target.iterdir():
        if _IS_PARTIAL.match(path.name):
            path.unlink(missing_ok=True)


def _remove_all_but(older: list[Path], keep: int | None) -> Iterator[Path]:
    if keep is None:
        return
    for old in older[: max(len(older) - keep + 1, 0)]:
        try:
            old.unlink()
            manifest_path(old).unlink(missing_ok=True)
        except OSError as error:
            raise StorageUnwritable(f"{old.name} cannot be removed. Remove it by hand.") from error
        yield old
