"""The check of an instance: database, secret, evidence and disk space, without any change."""

import stat
from collections.abc import Iterator
from contextlib import nullcontext
from dataclasses import dataclass
from shlex import quote

from kbapi.errors import InstanceReadOnly, KbapiError, UnsafeSetup
from kbapi.instance.file_locks import shared_lock
from kbapi.instance.secret import FOREIGN, load_secret
from kbapi.instance.write_gate import WriteGate
from kbapi.settings import Settings
from kbapi.storage.files import free_bytes, require_may_open
from kbapi.storage.sqlite.schema import count_older, require_current_schema
from kbapi.storage.sqlite.whole_file import Condition, look_through
from kbapi.versions import RULES_VERSION


@dataclass(frozen=True, slots=True)
class Finding:
    """The result of one check."""

    subject: str
    is_ok: bool
    detail: str


def check_instance(settings: Settings) -> tuple[Finding, ...]:
    """The findings of all checks; the server may run.

    The check changes no file and leaves no new file.

    Raises
    ------
    UnsafeSetup
        When there is no instance in the folder, or this user may not open it.
    InstanceInUse
        While a restore replaces the database.
    """
    require_may_open(settings.database_path)
    if not settings.database_path.exists():
        raise UnsafeSetup(f"There is no instance in {settings.home}. Name its folder with --home.")
    # Without a lock file no process has the instance open, and a new lock file would stay.
    lock = settings.use_lock_path
    with shared_lock(lock) if lock.exists() else nullcontext():
        return tuple(_findings(settings))


def _findings(settings: Settings) -> Iterator[Finding]:
    yield _folder(settings)
    yield _free_space(settings)
    try:
        condition = look_through(settings.database_path)
    except KbapiError as error:
        yield Finding("database", False, error.detail)
        yield _secret(settings, None)
        return
    results = condition.rows_of("submission")
    yield Finding("database", True, f"{results:,} results, schema {condition.revision}")
    yield _ok_unless("integrity", "; ".join(condition.damage), "all pages and indexes are intact")
    yield _ok_unless("references", ", ".join(condition.orphans), "no reference is missing")
    yield _secret(settings, condition)
    yield _schema(settings)
    yield _rules(settings)


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
    if exposed := _exposed(settings):
        raise UnsafeSetup(f"{exposed[0].upper()}{exposed[1:]}.")


def _exposed(settings: Settings) -> str:
    for path, bits, can, command in (
        (settings.home, 0o022, "change", "chmod go-w"),
        (settings.database_path, 0o077, "read", "chmod go="),
    ):
        if path.exists() and stat.S_IMODE(path.stat().st_mode) & bits:
            return f"other users can {can} {path.name}; run '{command} {quote(str(path))}'"
    return ""


def _folder(settings: Settings) -> Finding:
    return _ok_unless("folder", _exposed(settings), "only the owner can read the database")


def _free_space(settings: Settings) -> Finding:
    free = f"{free_bytes(settings.home):,} bytes free, at least {settings.min_free_bytes:,} needed"
    closed = WriteGate(settings).why_closed()
    detail = f"{closed.title}; {free}" if closed else free
    return Finding("writing", closed in (None, InstanceReadOnly), detail)


def _secret(settings: Settings, condition: Condition | None) -> Finding:
    try:
        key_id = load_secret(settings.secret_path).key_id
    except UnsafeSetup as error:
        return Finding("secret", False, error.detail)
    name = settings.secret_path.name
    if condition and condition.key_ids and condition.own_key_id not in (None, key_id):
        return Finding("secret", False, FOREIGN.format(name, name))
    foreign = set(condition.key_ids if condition else ()) - {key_id}
    wrong = "another secret made some or all hashes: their receipts and tokens do not work"
    return _ok_unless(
        "secret", wrong if foreign else "", "matches the database; only the owner can read it"
    )


def _schema(settings: Settings) -> Finding:
    try:
        require_current_schema(settings.database_path)
    except KbapiError as error:
        return Finding("schema", False, error.detail)
    return Finding("schema", True, "matches the program")


def _rules(settings: Settings) -> Finding:
    try:
        older = count_older(settings.database_path, RULES_VERSION)
    except KbapiError as error:
        return Finding("rules", False, error.detail)
    wrong = (
        f"{older:,} results were screened by older rules; stop the server and run "
        "'kbapi db upgrade'"
    )
    return _ok_unless(
        "rules", wrong if older else "", "every result was screened by the current rules"
    )
