"""Moves of an instance to another database: copied whole from one state, and compared row by row.

Nothing writes to the old place from the beginning of a move on, and after it the old place accepts
no results for good. The new place is finished last: until then no server opens it, so that at no
moment two places accept results.
"""

import os
import shutil
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, Final

from sqlalchemy import Connection

from kbapi.clock import Clock, utc_now
from kbapi.errors import StorageBroken, StorageBusy, UnsafeSetup
from kbapi.instance.file_locks import shared_lock
from kbapi.instance.restore import draft_of, locked_to_replace, put_database, put_secret
from kbapi.instance.secret import (
    Secret,
    find_secret,
    load_secret_of,
    record_secret,
    require_no_foreign_secret,
)
from kbapi.instance.write_gate import move_state, require_instance, require_nothing_lost
from kbapi.settings import Settings
from kbapi.storage.files import Owner, flush, give, give_files, owner_at, require_may_open
from kbapi.storage.schema import (
    find_moved_to,
    head_revision,
    read_key_ids,
    reading_once,
    require_current_schema,
    save_moved_to,
)
from kbapi.storage.sql import readable_faults, unwritable_as
from kbapi.storage.sqlite.database import write_lock_held
from kbapi.storage.sqlite.log_check import require_sound_log
from kbapi.storage.sqlite.whole_file import (
    Progress,
    TableDigest,
    filling,
    look_through,
    no_progress,
    reason_of,
)

_MOVE_LOCK_TIMEOUT_S: Final = 1.0


@dataclass(frozen=True, slots=True)
class Moved:
    """What a move did."""

    place: str
    """Where the instance is now: a folder, or a URL without user and password."""
    tables: tuple[TableDigest, ...]
    """Of the rows, which are the same in both databases."""
    kept: tuple[str, ...]
    """What was in the new place before, under its new names."""

    def rows_of(self, table: str) -> int:
        """How many rows of this table were copied."""
        return sum(one.rows for one in self.tables if one.table == table)


def move_instance(
    settings: Settings, to: str, *, now: Clock = utc_now, progress: Progress = no_progress
) -> Moved:
    """Copy the instance to `to`, the URL of a database or a folder, and close the old place.

    Results get 503 meanwhile; questions are answered. An interrupted move is begun anew.

    Raises
    ------
    UnsafeSetup
        When there is no instance, or the new place has one of its own.
    InstanceInUse
        When a server uses the new place.
    StorageBusy
        When another move runs, or a writer does not end.
    StorageBroken, SchemaMismatch
        When the old database is damaged or has another schema, or the copy differs from it.
    StorageFull, StorageUnwritable, StorageUnreachable
        When the new place cannot be written.
    """
    secret = _secret_of_whole_instance(settings)
    source = _ServerSource(settings) if settings.database else _FileSource(settings)
    target = _target_of(settings, to)
    _require_not_moved(settings, target, secret)
    at = now()
    with readable_faults(), target.held(secret):
        source.require_sound(progress)
        with source.held() as original:
            with target.filled(at) as copy:
                tables = _copy_all(original, copy, progress)
            target.prepare(secret)
            source.close(target.place)
        # From here on the old place accepts no results.
        kept = target.finish(secret, at)
    return Moved(target.place, tables, kept)


def _require_not_moved(settings: Settings, target: Any, secret: Secret) -> None:
    """Raise UnsafeSetup after a move, unless it did not finish and was to the same place."""
    moved_to = find_place_moved_to(settings)
    if moved_to == target.place and target.is_open_with(secret):
        raise UnsafeSetup(
            f"The move to {moved_to} is complete: start the servers there. Nothing was changed."
        )
    if moved_to not in (None, target.place):
        raise UnsafeSetup(
            f"This instance was moved to {moved_to}. Move it from there, or run 'kbapi move "
            "--undo' first."
        )


def _copy_all(
    original: Connection, copy: Connection, progress: Progress
) -> tuple[TableDigest, ...]:
    from kbapi.storage.postgres.whole_database import copy_all

    return copy_all(original, copy, progress)


def _secret_of_whole_instance(settings: Settings) -> Secret:
    """The secret of an instance that can be served as it is."""
    require_nothing_lost(settings)
    require_instance(settings)
    require_current_schema(settings.database_at)
    require_no_foreign_secret(settings)
    return load_secret_of(settings)


def find_place_moved_to(settings: Settings) -> str | None:
    """Where the instance was moved to, None while it is in use."""
    if not settings.database:
        try:
            return settings.move_lock_path.read_text("utf-8").strip() or None
        except FileNotFoundError:
            return None
    with reading_once(settings.database) as connection:
        return find_moved_to(connection)


def undo_move(settings: Settings) -> str | None:
    """Let the old place accept results again; where it was moved to, None if it was not.

    Raises
    ------
    StorageBusy
        When a move runs.
    """
    with readable_faults():
        if settings.database:
            with _server_held(settings) as connection:
                place = find_moved_to(connection)
                save_moved_to(connection, None)
            return place
        if not settings.move_lock_path.exists():
            return None
        with _move_lock(settings) as descriptor:
            place = find_place_moved_to(settings)
            os.ftruncate(descriptor, 0)
            os.fsync(descriptor)
        return place


@contextmanager
def _move_lock(settings: Settings) -> Iterator[int]:
    try:
        with write_lock_held(settings.move_lock_path, _MOVE_LOCK_TIMEOUT_S) as descriptor:
            yield descriptor
    except StorageBusy:
        raise StorageBusy(_OTHER_MOVE) from None


_OTHER_MOVE: Final = "Another move of this instance runs. Wait for its end, or stop it."


@contextmanager
def _server_held(settings: Settings) -> Iterator[Connection]:
    from kbapi.storage.postgres.whole_database import held_for_move

    with held_for_move(settings.database) as connection:
        yield connection


class _FileSource:
    """A SQLite file that is moved away."""

    def __init__(self, settings: Settings) -> None:
        self._settings = settings
        self._descriptor = -1

    def require_sound(self, progress: Progress) -> None:
        """Raise StorageBroken when the file is damaged."""
        require_sound_log(self._settings.database_path)
        condition = look_through(self._settings.database_path, progress)
        if not condition.is_sound:
            raise StorageBroken(reason_of(condition))

    @contextmanager
    def held(self) -> Iterator[Connection]:
        """One state of the file, to which nothing writes until the end of the block."""
        settings = self._settings
        with ExitStack() as held:
            with self._recording():
                held.enter_context(shared_lock(settings.use_lock_path))
                self._descriptor = held.enter_context(_move_lock(settings))
                # A writer that found no move may wait for this lock: it looks again with it.
                held.enter_context(write_lock_held(settings.write_lock_path))
            yield held.enter_context(reading_once(settings.database_path))

    @contextmanager
    def _recording(self) -> Iterator[None]:
        with (
            unwritable_as(
                f"The move records in {self._settings.home} that the instance was moved. Allow "
                "writing there, and free some disk space. Then run the move again."
            ),
            readable_faults(),
        ):
            yield

    def close(self, place: str) -> None:
        """Record where the instance is now, so that the file accepts no results any more."""
        with self._recording():
            os.pwrite(self._descriptor, f"{place}\n".encode(), 0)
            os.fsync(self._descriptor)
            flush(self._settings.home)


class _ServerSource:
    """A database on a server that is moved away."""

    def __init__(self, settings: Settings) -> None:
        self._settings = settings
        self._locked: Connection

    def require_sound(self, progress: Progress) -> None:
        """Raise StorageBroken when the database is damaged."""
        from kbapi.storage.postgres.whole_database import look_through

        condition = look_through(self._settings.database, progress)
        if not condition.is_sound:
            raise StorageBroken(reason_of(condition))

    @contextmanager
    def held(self) -> Iterator[Connection]:
        """One state of the database, to which nothing writes until the end of the block."""
        from kbapi.storage.postgres.whole_database import read_for_long

        with (
            _server_held(self._settings) as self._locked,
            read_for_long(self._settings.database) as connection,
        ):
            yield connection

    def close(self, place: str) -> None:
        """Record where the instance is now; the end of the block commits that."""
        save_moved_to(self._locked, place)


class _ServerTarget:
    """A database on a server that an instance is moved to."""

    def __init__(self, settings: Settings, url: str) -> None:
        from kbapi.storage.postgres import whole_database

        self._whole = whole_database
        self._url, self._has_pooler = url, settings.database_pooler
        self.place = whole_database.name_of_url(url)

    def is_same_database_as(self, url: str) -> bool:
        """Whether this URL names the same database; it may name another schema."""
        return self.place == self._whole.name_of_url(url)

    def is_open_with(self, secret: Secret) -> bool:
        """Whether servers open the database with this secret, and it accepts results."""
        found = self._whole.content_of(self._url)
        is_open = not (found.is_empty or found.is_unfinished or found.moved_to)
        return is_open and found.key_id == secret.key_id

    @contextmanager
    def held(self, secret: Secret) -> Iterator[None]:
        """Raise unless the database is free: empty, moved away, or unfinished."""
        found = self._whole.content_of(self._url)
        if not (found.is_empty or found.is_unfinished or found.moved_to):
            raise UnsafeSetup(f"{self.place} has an instance of its own. {_NAME_EMPTY_DATABASE}")
        if not found.is_empty and found.key_id != secret.key_id:
            raise UnsafeSetup(f"{self.place} has another instance. {_NAME_EMPTY_DATABASE}")
        self._whole.require_no_server(self._url, has_pooler=self._has_pooler)
        with (
            unwritable_as(
                f"{self.place} has too little disk space for the copy, or the role may not create "
                "tables there. The instance stays where it is. Mend this and run the move again."
            ),
            readable_faults(),
        ):
            yield

    @contextmanager
    def filled(self, at: datetime) -> Iterator[Connection]:
        """Empty tables, which are committed after the block."""
        with self._whole.new_content(self._url, at) as connection:
            yield connection

    def prepare(self, secret: Secret) -> None:
        """Do nothing: the copied marks say which secret it is."""

    def finish(self, secret: Secret, at: datetime) -> tuple[str, ...]:
        """Let servers open the database; the schemas that keep its old tables, if any."""
        _ = secret, at
        self._whole.finish(self._url)
        return tuple(f"schema {name}" for name in self._whole.kept_schemas(self._url))


_NAME_EMPTY_DATABASE: Final = "Name an empty database. Nothing was changed."


class _FileTarget:
    """A folder that an instance is moved to."""

    def __init__(self, settings: Settings, folder: Path) -> None:
        self._old = settings
        self._new = settings.model_copy(update={"home": folder, "database": ""})
        self.place = str(folder.resolve())
        self._draft = Path()

    def is_open_with(self, secret: Secret) -> bool:
        """Whether a server opens the folder with this secret, and it accepts results."""
        new = self._new
        is_open = new.database_path.exists() and move_state(new.move_lock_path) is None
        return is_open and read_key_ids(new.database_path)[0] == secret.key_id

    @contextmanager
    def held(self, secret: Secret) -> Iterator[None]:
        """Hold the folder, which has no instance, or the one that was moved away from it."""
        new = self._new
        require_may_open(new.database_path)
        if new.database_path.exists():
            is_ours = read_key_ids(new.database_path)[0] == secret.key_id
            if move_state(new.move_lock_path) != "moved" or not is_ours:
                raise UnsafeSetup(f"{new.home} has an instance of its own. {_NAME_EMPTY_FOLDER}")
        if not new.has_given_secret and find_secret(new.secret_path) not in (None, secret):
            raise UnsafeSetup(f"{new.home} has the secret of another one. {_NAME_EMPTY_FOLDER}")
        with locked_to_replace(new, may_be_moved=True), draft_of(new.database_path) as self._draft:
            yield

    @contextmanager
    def filled(self, at: datetime) -> Iterator[Connection]:
        """Empty tables in a draft, which is on the disk after the block."""
        _ = at
        with filling(self._draft, head_revision()) as connection:
            yield connection

    def prepare(self, secret: Secret) -> None:
        """Record the secret in the draft, and check the draft as a whole."""
        record_secret(self._draft, secret)
        give(self._draft, owner_at(self._new.database_path))
        condition = look_through(self._draft)
        if not condition.is_sound:
            raise StorageBroken(reason_of(condition))
        flush(self._draft)

    def finish(self, secret: Secret, at: datetime) -> tuple[str, ...]:
        """Put secret, catalogue and draft in place; the new names of what was there."""
        old, new = self._old, self._new
        owner = owner_at(new.database_path)
        if not new.has_given_secret:
            put_secret(new.secret_path, secret, at)
        if old.catalogue_path.is_dir() and not new.catalogue_path.exists():
            _copy_folder(old.catalogue_path, new.catalogue_path, owner)
        give_files(new, owner)
        kept = put_database(new.database_path, self._draft, at)
        with _move_lock(new) as descriptor:
            os.ftruncate(descriptor, 0)
            os.fsync(descriptor)
        return tuple(path.name for path in kept)


_NAME_EMPTY_FOLDER: Final = "Name an empty folder. Nothing was changed."


def _copy_folder(folder: Path, copy: Path, owner: Owner) -> None:
    """Copy a folder; the copy has its name only when it is whole and on the disk."""
    draft = copy.with_name(f"{copy.name}.copying")
    shutil.rmtree(draft, ignore_errors=True)
    shutil.copytree(folder, draft)
    for path in (*draft.rglob("*"), draft):
        give(path, owner)
        flush(path)
    draft.rename(copy)
    flush(copy.parent)


def _target_of(settings: Settings, to: str) -> Any:
    if to.startswith(("postgresql://", "postgres://")):
        target = _ServerTarget(settings, to)
        # Two instances in one database would share its locks, also in schemas of their own.
        if settings.database and target.is_same_database_as(settings.database):
            raise UnsafeSetup(
                f"The instance is in {target.place}. Create another database and name it: another "
                "schema of the same one is not enough. Nothing was changed."
            )
        return target
    if "://" in to:
        raise UnsafeSetup("Name a folder, or a database as postgresql://host/name.")
    if not settings.database:
        raise UnsafeSetup(
            "The instance is in a folder already. To copy it to another folder, use 'kbapi "
            "backup' and 'kbapi restore'."
        )
    return _FileTarget(settings, Path(to))
