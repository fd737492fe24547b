"""Restores: a backup replaces the database of an instance that no process has open."""

import re
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Final

from kbapi.clock import Clock, utc_now
from kbapi.errors import KbapiError, StorageBroken, UnsafeSetup
from kbapi.instance.file_locks import exclusive_lock
from kbapi.instance.manifest import (
    Manifest,
    load_manifest,
    require_older_than_manifests,
    require_unchanged_file,
    require_unchanged_rows,
)
from kbapi.instance.secret import (
    Secret,
    find_secret_of,
    load_secret,
    random_secret,
    record_secret,
    write_secret,
)
from kbapi.instance.write_gate import (
    SIDE_FILE_ENDINGS,
    WriteGate,
    draft_beside,
    move_state,
    remove_database,
)
from kbapi.settings import Settings
from kbapi.storage import schema
from kbapi.storage.files import (
    Owner,
    flush,
    give,
    give_files,
    log_of,
    owner_at,
    require_may_open,
    require_may_replace,
)
from kbapi.storage.sql import readable_faults, unwritable_as
from kbapi.storage.sqlite.database import write_lock_held
from kbapi.storage.sqlite.engine import fold_in_log
from kbapi.storage.sqlite.whole_file import (
    Condition,
    Progress,
    copy_whole,
    look_through,
    no_progress,
    reason_of,
)


@dataclass(frozen=True, slots=True)
class Restored:
    """What a restore did."""

    condition: Condition
    excluded: tuple[Path, ...]
    """The replaced files, kept under these names."""
    fits_secret: bool
    """Whether the secret of the instance made the hashes of the backup."""
    needs_upgrade: bool
    """Whether `kbapi db upgrade` must run before the instance can be served."""
    is_proved: bool
    """Whether the backup was compared with its manifest."""
    schema_of_old: str | None = None
    """The schema of a database on a server that keeps the replaced tables."""


_NOT_REPLACED: Final = (
    "Nothing was replaced. Free disk space for a second database and KBAPI_MIN_FREE_BYTES, allow "
    "writing to the folder, and unset KBAPI_READ_ONLY. Then try again."
)


def restore_backup(
    settings: Settings,
    file: Path,
    secret_file: Path | None = None,
    *,
    without_secret: bool = False,
    without_manifest: bool = False,
    now: Clock = utc_now,
    progress: Progress = no_progress,
) -> Restored:
    """Replace the database by the backup `file`; the replaced files are kept under other names.

    Nothing is replaced before file and copy were compared with the manifest. The database path
    always has a whole database. A restore that was cut off between secret and database must be
    repeated to open the instance. New files get the owner of the old ones, or of the folder.

    Raises
    ------
    InstanceInUse
        While a server or a command has the instance open.
    StorageBroken, SchemaMismatch
        When the file is not a database of kbapi, is damaged, differs from its manifest, or was made
        by a newer program.
    UnsafeSetup
        When the file, its manifest or its secret is missing, unless the caller does without the
        last two, and when another user's files would be replaced.
    """
    database, secret_path = _replaceable_paths(settings, file)
    manifest = None if without_manifest else load_manifest(file)
    _require_backup(file, manifest, progress, without_manifest=without_manifest)
    with locked_to_replace(settings), draft_of(database) as draft:
        condition, owner = _copy(file, draft, manifest, progress), owner_at(database)
        secret = _secret_for(settings, condition, secret_file, without_secret)
        _finish_draft(draft, secret, owner)
        replaced = [] if settings.has_given_secret else put_secret(secret_path, secret, now())
        give_files(settings, owner)
        replaced += put_database(database, draft, now())
    needs_upgrade = condition.revision != schema.head_revision()
    fits_secret, is_proved = _fits(secret, condition), manifest is not None
    return Restored(condition, tuple(replaced), fits_secret, needs_upgrade, is_proved)


def restore_on_server(
    settings: Settings,
    file: Path,
    secret_file: Path | None = None,
    *,
    without_secret: bool = False,
    without_manifest: bool = False,
    replaces: bool = False,
    now: Clock = utc_now,
    progress: Progress = no_progress,
) -> Restored:
    """Fill the database on a server from the backup `file`; raises as `restore_backup`.

    Until all rows are there and compared, no server opens the database. An instance that it has is
    replaced only with `replaces`, and kept in a schema of its own.
    """
    from kbapi.storage.postgres import whole_database

    url, at = settings.database, now()
    _require_file(file)
    manifest = None if without_manifest else load_manifest(file)
    _require_backup(file, manifest, progress, without_manifest=without_manifest)
    content = whole_database.content_of(url)
    if not (content.is_empty or content.is_unfinished or replaces):
        raise UnsafeSetup(
            "KBAPI_DATABASE has an instance of its own. Name an empty database, or keep the "
            "instance aside with --replace. Nothing was changed."
        )
    whole_database.require_no_server(url, has_pooler=settings.database_pooler)
    with _locked_home(settings), _readable(file, settings, manifest, progress) as (rows, found):
        secret = _secret_for(settings, found, secret_file, without_secret)
        whole_database.copy_from_file(rows, url, secret.key_id, at, progress)
        replaced = [] if settings.has_given_secret else put_secret(settings.secret_path, secret, at)
        whole_database.finish(url)
    schema_of_old = whole_database.name_of_replaced(at) if content.is_to_keep else None
    fits, is_proved = _fits(secret, found), manifest is not None
    return Restored(found, tuple(replaced), fits, False, is_proved, schema_of_old)


@contextmanager
def _locked_home(settings: Settings) -> Iterator[None]:
    """Hold the folder of an instance on a server: no process of this host has it open."""
    with readable_faults():
        settings.home.mkdir(mode=0o700, parents=True, exist_ok=True)
        with exclusive_lock(settings.use_lock_path):
            yield


@contextmanager
def _readable(
    file: Path, settings: Settings, manifest: Manifest | None, progress: Progress
) -> Iterator[tuple[Path, Condition]]:
    """A sound file of the present schema with the rows of the backup, and its condition."""
    found = look_through(file, progress)
    if not found.is_sound:
        raise StorageBroken(reason_of(found))
    if manifest:
        require_unchanged_rows(file, manifest, progress)
    if found.revision == schema.head_revision():
        yield file, found
        return
    with draft_of(settings.database_path) as draft:
        copy_whole(file, draft, progress)
        schema.upgrade_to_head(draft)
        yield draft, found


def _copy(file: Path, draft: Path, manifest: Manifest | None, progress: Progress) -> Condition:
    condition = copy_whole(file, draft, progress)
    if manifest:
        require_unchanged_rows(draft, manifest, progress)
    return condition


def _replaceable_paths(settings: Settings, file: Path) -> tuple[Path, Path]:
    """The real paths of the database and the secret, which this user may replace by `file`."""
    for path in (settings.database_path, file):
        require_may_open(path)
    database, secret_path = _real(settings.database_path), _real(settings.secret_path)
    for path in (database, secret_path):
        require_may_replace(path)
    _require_file(file, database)
    return database, secret_path


def _require_file(file: Path, database: Path | None = None) -> None:
    require_may_open(file)
    if not file.is_file() or file.resolve() == database:
        raise UnsafeSetup(f"{file} is not a backup file. Name a file that 'kbapi backup' wrote.")


@contextmanager
def locked_to_replace(settings: Settings, *, may_be_moved: bool = False) -> Iterator[None]:
    """Hold both locks of the instance; no other process has it open meanwhile."""
    with unwritable_as(_NOT_REPLACED), ExitStack() as held, readable_faults():
        settings.home.mkdir(mode=0o700, parents=True, exist_ok=True)
        gate = WriteGate(settings)
        gate.require_writable()
        if not may_be_moved and move_state(settings.move_lock_path) is not None:
            raise UnsafeSetup(
                "The instance in this folder was moved to another database, or a move runs. Run "
                "'kbapi move --undo' before you restore here."
            )
        held.enter_context(exclusive_lock(settings.use_lock_path))
        held.enter_context(write_lock_held(settings.write_lock_path))
        yield


@contextmanager
def draft_of(database: Path) -> Iterator[Path]:
    """The path for the copy, without an old copy before and without a rest of it after."""
    draft = draft_beside(database)
    remove_database(draft)
    try:
        yield draft
    finally:
        remove_database(draft)


def _finish_draft(draft: Path, secret: Secret, owner: Owner) -> None:
    """Record the secret in the draft, set its owner, and flush it to the disk."""
    record_secret(draft, secret)
    give(draft, owner)
    flush(draft)


def _real(path: Path) -> Path:
    """The target of a link: the new file is written into its folder."""
    real = path.resolve()
    if path.is_symlink() and not real.parent.is_dir():
        raise UnsafeSetup(
            f"{path.name} links to {real.parent}, which does not exist. Mount it first."
        )
    return real


def _require_backup(
    file: Path, manifest: Manifest | None, progress: Progress, *, without_manifest: bool
) -> None:
    """Nothing, if the file is a backup of kbapi that its manifest fits, or that needs none."""
    if manifest:
        require_unchanged_file(file, manifest, progress)
    revision = schema.current_revision(file)
    if revision is None:
        raise StorageBroken(f"{file.name} is an empty database, not a backup of kbapi.")
    schema.require_no_newer_schema(revision)
    if not (manifest or without_manifest or _IS_REPLACED.search(file.name)):
        require_older_than_manifests(file, revision)


def _secret_for(
    settings: Settings, condition: Condition, secret_file: Path | None, without_secret: bool
) -> Secret:
    """The secret of the restored instance: the given one, the present one, or a new one."""
    if secret_file is not None:
        given = load_secret(secret_file)
        if not _fits(given, condition):
            raise UnsafeSetup(
                f"{secret_file.name} is not the secret of this backup. Name "
                "another file with --secret."
            )
        if settings.has_given_secret and given != find_secret_of(settings):
            raise UnsafeSetup(
                "KBAPI_SECRET or KBAPI_SECRET_FILE gives another secret. Give it the secret of "
                f"{secret_file.name}, or unset it."
            )
        return given
    present = find_secret_of(settings)
    if without_secret or (present is not None and _fits(present, condition)):
        return present or random_secret()
    raise UnsafeSetup(
        "The folder does not have the secret of this backup. Name its copy with --secret. If it "
        "is lost, use --without-secret. " + LOST_WITH_IT
    )


LOST_WITH_IT: Final = (
    "Without the secret, senders cannot read or withdraw the results in the backup. Contributors "
    "and their units count as new ones. All access keys must be created again."
)
"""The consequences of a lost secret."""


def _fits(secret: Secret, condition: Condition) -> bool:
    """Whether this secret is the one of the backup, or the backup needs none."""
    known = (condition.own_key_id,) if condition.own_key_id else condition.key_ids
    return not condition.key_ids or secret.key_id in known


def put_secret(path: Path, secret: Secret, at: datetime) -> list[Path]:
    """Write the secret; a list with the new name of another one that was there."""
    kept = []
    if path.exists():
        if path.read_bytes().strip() == secret.value.hex().encode():
            return []
        kept = [_name_of_replaced(path, at)]
        kept[0].hardlink_to(path)
    write_secret(path, secret)
    flush(path.parent)
    return kept


def put_database(database: Path, draft: Path, at: datetime) -> list[Path]:
    """Put the finished draft in place; the new names of the files that were there."""
    kept = _keep_database(database, at) if database.exists() else []
    flush(database.parent)
    for ending in SIDE_FILE_ENDINGS:
        database.with_name(database.name + ending).unlink(missing_ok=True)
    draft.replace(database)
    flush(database.parent)
    return kept


def _keep_database(database: Path, at: datetime) -> list[Path]:
    """New names for the old database, and for its log if the log cannot be folded in."""
    kept = _name_of_replaced(database, at)
    log, kept_log = log_of(database), log_of(kept)
    kept.hardlink_to(database)
    if not log.exists():
        return [kept]
    kept_log.hardlink_to(log)
    try:
        fold_in_log(database)
    except KbapiError:
        return [kept, kept_log]  # the database is damaged, so its log is kept as well
    if kept_log.stat().st_size:
        return [kept, kept_log]  # another program reads the log now
    kept_log.unlink()
    return [kept]


_IS_REPLACED: Final = re.compile(r"\.before-\d{8}T\d{6}\.\d{6}Z\Z")
"""The names of databases that a restore replaced; they have no manifest."""


def _name_of_replaced(path: Path, at: datetime) -> Path:
    return path.with_name(f"{path.name}.before-{at:%Y%m%dT%H%M%S.%fZ}")
