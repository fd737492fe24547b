"""The check of an instance: database, secret, evidence and disk space, without any change."""

import os
import stat
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from shlex import quote
from typing import Final

from kbapi.clock import Clock, utc_now
from kbapi.errors import DiskError, InstanceReadOnly, KbapiError, StorageDamaged, UnsafeSetup
from kbapi.instance.clock_repair import count_wrong_days
from kbapi.instance.file_locks import shared_lock
from kbapi.instance.health import LARGE_LOG_BYTES, programs_alive
from kbapi.instance.instance import catalogue_in
from kbapi.instance.manifest import (
    load_manifest,
    require_older_than_manifests,
    require_unchanged_file,
    require_unchanged_rows,
)
from kbapi.instance.move import find_place_moved_to
from kbapi.instance.secret import foreign_secret, load_secret_of
from kbapi.instance.write_gate import WriteGate, no_instance, require_instance
from kbapi.settings import Settings
from kbapi.storage.files import (
    free_bytes,
    is_copied_by_litestream,
    log_of,
    require_may_open,
    size_of,
)
from kbapi.storage.schema import count_older, load_mark, reading_once, require_current_schema
from kbapi.storage.sql import readable_faults
from kbapi.storage.sqlite.log_check import find_log_damage
from kbapi.storage.sqlite.whole_file import (
    ChangedRows,
    Condition,
    Progress,
    look_through,
    no_progress,
)
from kbapi.versions import BUILT_MONTH, RULES_VERSION


@dataclass(frozen=True, slots=True)
class Finding:
    """The result of one check."""

    subject: str
    is_ok: bool
    detail: str


def check_instance(
    settings: Settings, progress: Progress = no_progress, now: Clock = utc_now
) -> tuple[Finding, ...]:
    """The findings of all checks; the server may run.

    The check changes no file and leaves no new file.

    Raises
    ------
    UnsafeSetup
        When there is no instance in the folder, or this user may not open it.
    InstanceInUse
        While a restore replaces the database.
    """
    if settings.database:
        require_instance(settings)
        return tuple(_findings_on_server(settings, progress, now().date()))
    require_may_open(settings.database_path)
    # A new lock file would stay.
    with shared_lock(settings.use_lock_path, makes_file=False):
        try:
            folder = _folder(settings)
        except FileNotFoundError:
            raise no_instance(settings) from None
        return (folder, *_findings(settings, progress, now().date()))


def check_backup(file: Path, progress: Progress = no_progress) -> tuple[Finding, ...]:
    """The findings of a backup and its manifest; no instance is needed, and nothing changes.

    Raises
    ------
    UnsafeSetup
        When there is no such file, or this user may not open it.
    """
    if not file.is_file():
        raise UnsafeSetup(f"{file} is not a backup file. Name a file that 'kbapi backup' wrote.")
    require_may_open(file)
    return tuple(_findings_of_backup(file, progress))


def _findings_of_backup(file: Path, progress: Progress) -> Iterator[Finding]:
    try:
        condition = look_through(file, progress)
    except KbapiError as error:
        yield Finding("database", False, error.detail)
        condition = None
    try:
        manifest = load_manifest(file)
        if manifest is None:
            require_older_than_manifests(file, condition.revision if condition else None)
            yield Finding("manifest", True, "none: an earlier version made this backup")
        else:
            require_unchanged_file(file, manifest, progress)
            require_unchanged_rows(file, manifest, progress)
            yield Finding("manifest", True, f"file and rows are as made at {manifest.made_at}")
    except KbapiError as error:
        yield Finding("manifest", False, error.detail)
    if condition:
        yield from _findings_of_rows(condition)


def _findings_of_rows(condition: Condition, *, on_server: bool = False) -> Iterator[Finding]:
    results = condition.rows_of("submission")
    yield Finding("database", True, f"{results:,} results, schema {condition.revision}")
    damage = "; ".join((*condition.damage, _RESTORE)) if condition.damage else ""
    sound = "all pages and indexes are intact"
    if on_server:
        damage, sound = (
            "; ".join(condition.damage),
            "all indexes, constraints and numbers are valid",
        )
    yield _ok_unless("integrity", damage, sound)
    yield _values(condition)
    yield _ok_unless("references", ", ".join(condition.orphans), "no reference is missing")


def _values(condition: Condition) -> Finding:
    wrong = [_describe(one) for one in condition.changed]
    wrong += [f"the definition of {name}" for name in condition.changed_definitions]
    return _ok_unless(
        "values",
        f"{'; '.join(wrong)} changed after it was written. {_IF_CHANGED}" if wrong else "",
        "every value is as it was written",
    )


def _describe(changed: ChangedRows) -> str:
    rows = f"{changed.rows:,} row{'' if changed.rows == 1 else 's'} of {changed.table}"
    return f"{rows} (result {', '.join(changed.results)})" if changed.results else rows


_IF_CHANGED: Final = (
    "Stop the server, check disk and memory, and restore a backup that 'kbapi check --backup' "
    "finds sound."
)


def _findings(settings: Settings, progress: Progress, today: date) -> Iterator[Finding]:
    yield _free_space(settings)
    yield _log(settings)
    try:
        condition = look_through(settings.database_path, progress)
    except KbapiError as error:
        yield Finding("database", False, _detail_of(error))
        yield _secret(settings, None)
        return
    yield from _findings_of_rows(condition)
    yield from _findings_of_content(settings, condition, today)


def _findings_of_content(
    settings: Settings, condition: Condition, today: date
) -> Iterator[Finding]:
    yield _secret(settings, condition)
    yield _schema(settings)
    yield _rules(settings)
    yield _catalogue(settings, today)
    if settings.database:
        yield find_hosts(settings)
    yield _clock(settings, today)


def _findings_on_server(settings: Settings, progress: Progress, today: date) -> Iterator[Finding]:
    """The findings of an instance on PostgreSQL, which sees to its own disk and its log."""
    from kbapi.storage.postgres.whole_database import look_through as look_through_server

    try:
        yield _server(settings)
        condition = look_through_server(settings.database, progress)
    except KbapiError as error:
        yield Finding("database", False, error.detail)
        yield _secret(settings, None)
        return
    yield from _findings_of_rows(condition, on_server=True)
    yield from _findings_of_content(settings, condition, today)


def _server(settings: Settings) -> Finding:
    """Whether the settings of the server keep an acknowledged result through a crash."""
    from kbapi.storage.postgres.whole_database import find_server_settings

    found = find_server_settings(settings.database)
    wrong = ", ".join(f"{name} is off" for name in found.risks)
    wrong = f"{wrong}: a crash can lose acknowledged results; set it on" if wrong else ""
    kind = "replica, answers questions only" if found.is_replica else "accepts results"
    if find_place_moved_to(settings) is not None:
        kind = "moved, answers questions only"
    information = ", ".join((f"PostgreSQL {found.version}", kind, *found.information))
    return _ok_unless("server", wrong, information)


def _ok_unless(subject: str, wrong: str, detail: str) -> Finding:
    return Finding(subject, not wrong, wrong or detail)


def require_private(settings: Settings) -> None:
    """Nothing, unless other users can read or replace the database.

    They may list the folder: each file in it is for its owner only.

    Raises
    ------
    UnsafeSetup
        With the command that corrects it.
    """
    require_may_open(settings.database_path)
    try:
        exposed = _exposed(settings)
    except FileNotFoundError:  # the server makes what is missing
        return
    if exposed:
        raise UnsafeSetup(f"{exposed[0].upper()}{exposed[1:]}.")


def _exposed(settings: Settings) -> str:
    for path, bits, can, command in (
        (settings.home, 0o022, "change", "chmod go-w"),
        (settings.database_path, 0o077, "read", "chmod go="),
    ):
        if stat.S_IMODE(path.stat().st_mode) & bits:
            return f"other users can {can} {path.name}; run '{command} {quote(str(path))}'"
    return ""


def _folder(settings: Settings) -> Finding:
    return _ok_unless("folder", _exposed(settings), "only the owner can read the database")


def _free_space(settings: Settings) -> Finding:
    try:
        with readable_faults():
            free = free_bytes(settings.home)
            closed = WriteGate(settings).why_closed()
            if closed is None:
                _write_a_byte(settings)
    except KbapiError as fault:
        return Finding("writing", False, f"{fault.title}: {_reason(fault)}; {_REPAIR_DISK}")
    space = f"{free:,} bytes free, at least {settings.min_free_bytes:,} needed"
    detail = f"{closed.title}; {space}" if closed else space
    return Finding("writing", closed in (None, InstanceReadOnly), detail)


_REPAIR_DISK: Final = (
    "look at the log of the system (dmesg), repair or replace the disk, then start the server again"
)
_RESTORE: Final = "stop the server, then restore the latest backup with 'kbapi restore'"


def _detail_of(error: KbapiError) -> str:
    """What is wrong and what to do, for a person who reads a check and sent no request."""
    if isinstance(error, DiskError):
        return f"{error.title}; {_REPAIR_DISK}"
    return f"{error.title}; {_RESTORE}" if isinstance(error, StorageDamaged) else error.detail


def _write_a_byte(settings: Settings) -> None:
    """Nothing, if the disk takes a byte: the file is new, and gone again at its end."""
    with tempfile.TemporaryFile(dir=settings.home) as file:
        file.write(b"\n")
        file.flush()
        os.fsync(file.fileno())


def _reason(fault: KbapiError) -> str:
    cause = fault.__cause__
    return (isinstance(cause, OSError) and cause.strerror) or fault.code


def _log(settings: Settings) -> Finding:
    size = size_of(log_of(settings.database_path))
    if damage := find_log_damage(log_of(settings.database_path)):
        return Finding("log", False, f"{damage}. {_IF_CHANGED}")
    why = (
        "another program reads the database, or the disk fails. 'fuser kbapi.sqlite3' lists the "
        "programs: end the one that is not kbapi"
    )
    if is_copied_by_litestream(settings.database_path):
        why = (
            "Litestream does not empty it. Start Litestream, or remove its folder "
            ".kbapi.sqlite3-litestream if you no longer use it"
        )
    wrong = f"kbapi.sqlite3-wal has {size:,} bytes: {why}"
    sound = f"{size:,} bytes, no frame is damaged"
    return _ok_unless("log", wrong if size > LARGE_LOG_BYTES else "", sound)


def _clock(settings: Settings, today: date) -> Finding:
    try:
        found = count_wrong_days(settings, today)
    except KbapiError as error:
        return Finding("clock", False, _detail_of(error))
    wrong = "; ".join(
        f"{name}: {later:,} rows dated later than {today}, {falling:,} before an earlier row"
        for name, (later, falling) in found.items()
    )
    wrong = f"{wrong}; set the clock, then run 'kbapi check --repair-clock'" if wrong else ""
    if f"{today:%Y-%m}" < BUILT_MONTH:
        wrong = f"it shows {today}, before this program was made ({BUILT_MONTH}); set the clock"
    return _ok_unless("clock", wrong, "no row is dated later than today or out of order")


def _secret(settings: Settings, condition: Condition | None) -> Finding:
    try:
        key_id = load_secret_of(settings).key_id
    except UnsafeSetup as error:
        return Finding("secret", False, error.detail)
    if condition and condition.key_ids and condition.own_key_id not in (None, key_id):
        return Finding("secret", False, foreign_secret(settings))
    foreign = set(condition.key_ids if condition else ()) - {key_id}
    wrong = "another secret made some or all hashes: their receipts and tokens do not work"
    return _ok_unless(
        "secret", wrong if foreign else "", "matches the database; only the owner can read it"
    )


_MOST_DUE: Final = 5


def _catalogue(settings: Settings, today: date) -> Finding:
    """Whether the host's own files can be read, and which facts are due for another look."""
    try:
        due = catalogue_in(settings).due(f"{today:%Y-%m}")
    except KbapiError as error:
        return Finding("catalogue", False, error.detail)
    if not due:
        return Finding("catalogue", True, "every file can be read; no fact is due for review")
    more = f" and {len(due) - _MOST_DUE} more" if len(due) > _MOST_DUE else ""
    return Finding("catalogue", True, f"due for review: {', '.join(due[:_MOST_DUE])}{more}")


def find_hosts(settings: Settings) -> Finding:
    """How many hosts serve the database of the settings, and whether they do so alike."""
    try:
        alive = programs_alive(settings, catalogue_in(settings))
    except KbapiError as error:
        return Finding("hosts", False, _detail_of(error))
    hosts = sum(alive.values())
    each = ", ".join(
        f"{number} with version {one.version} (schema {one.schema}, rules {one.rules})"
        for one, number in sorted(alive.items(), key=lambda item: item[0].version)
    )
    wrong = ""
    if len({one.catalogue for one in alive}) > 1:
        wrong = (
            "the catalogue folders of the hosts differ, so they answer differently and store each "
            "answer twice; copy one folder to all hosts and reload them"
        )
    elif hosts > 1 and not settings.rate_storage:
        wrong = "each host counts requests alone; set KBAPI_RATE_STORAGE on all of them"
    elif len(alive) > 1:
        wrong = "finish the upgrade: install one version on all hosts, then run 'kbapi db upgrade'"
    return Finding("hosts", not wrong, f"{each}; {wrong}" if wrong else each or "none serves now")


def _schema(settings: Settings) -> Finding:
    try:
        require_current_schema(settings.database_at)
    except KbapiError as error:
        return Finding("schema", False, _detail_of(error))
    return Finding("schema", True, "matches the program")


def _rules(settings: Settings) -> Finding:
    try:
        older = count_older(settings.database_at, RULES_VERSION)
        with reading_once(settings.database_at) as connection:
            mark = load_mark(connection)
    except KbapiError as error:
        return Finding("rules", False, _detail_of(error))
    if older:
        wrong = f"{older:,} results were screened by older rules"
    elif mark not in (0, RULES_VERSION):  # without a mark, the next server searches all results
        wrong = f"the header says rules {mark}, the program has {RULES_VERSION}"
    else:
        return Finding("rules", True, "every result was screened by the current rules")
    return Finding("rules", False, f"{wrong}; stop the server and run 'kbapi db upgrade'")
