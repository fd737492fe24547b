"""Manifests: a file beside each backup with the SHA-256 of the backup and of each table's rows."""

import hashlib
import os
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Final

import orjson

from kbapi.errors import StorageBroken, UnsafeSetup
from kbapi.storage.files import flush, give, owner_at
from kbapi.storage.sql import readable_faults
from kbapi.storage.sqlite.whole_file import Progress, TableDigest, digest_tables, no_progress

_ENDING: Final = ".manifest.json"
_FIRST_SCHEMA: Final = "0003"
"""Backups of earlier schemas have no manifest."""
_OWN_DIGEST: Final = "manifest_sha256"
_BYTES_AT_ONCE: Final = 1 << 20


@dataclass(frozen=True, slots=True)
class Manifest:
    """What a backup contained when it was made."""

    made_at: str
    """UTC, in ISO 8601."""
    schema: str
    size_bytes: int
    sha256: str
    """Of the file, in hexadecimal."""
    tables: tuple[TableDigest, ...]


def manifest_path(file: Path) -> Path:
    """Where the manifest of a backup is."""
    return file.with_name(file.name + _ENDING)


def describe_backup(
    file: Path, made_at: str, schema: str, progress: Progress = no_progress
) -> Manifest:
    """The manifest of a finished file."""
    return Manifest(
        made_at=made_at,
        schema=schema,
        size_bytes=file.stat().st_size,
        sha256=_sha256_of(file, progress),
        tables=digest_tables(file, progress),
    )


def write_manifest(file: Path, manifest: Manifest) -> None:
    """Write a new manifest beside a file, readable by the owner only, and flush it."""
    path = manifest_path(file)
    owner = owner_at(file)
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC
    with os.fdopen(os.open(path, flags, 0o600), "wb") as opened:
        opened.write(_text_of(manifest))
    give(path, owner)
    flush(path)


def load_manifest(file: Path) -> Manifest | None:
    """The manifest of a backup, None where there is none.

    Raises
    ------
    StorageBroken
        When it was changed.
    """
    path = manifest_path(file)
    if not path.exists():
        return None
    with readable_faults():
        written = path.read_bytes()
    try:
        manifest = _parse(orjson.loads(written))
    except (ValueError, TypeError, KeyError) as error:
        raise _changed(path) from error
    if written != _text_of(manifest):
        raise _changed(path)
    return manifest


def require_older_than_manifests(file: Path, schema: str | None) -> None:
    """Nothing, if an earlier version made this backup, which wrote no manifest.

    Raises
    ------
    UnsafeSetup
        When its manifest is missing.
    """
    if schema is None or schema >= _FIRST_SCHEMA:
        raise UnsafeSetup(
            f"{manifest_path(file).name} is missing beside the backup. Copy it from the folder of "
            "the backup. If it is lost, restore with --without-manifest."
        )


def require_unchanged_file(
    file: Path, manifest: Manifest, progress: Progress = no_progress
) -> None:
    """Nothing, unless the file differs from its manifest; then StorageBroken."""
    size = file.stat().st_size
    if size != manifest.size_bytes:
        raise StorageBroken(
            f"{file.name} has {size:,} bytes; its manifest says {manifest.size_bytes:,}. Copy it "
            "again, or use another backup."
        )
    if _sha256_of(file, progress) != manifest.sha256:
        raise StorageBroken(
            f"{file.name} was changed after it was made: its SHA-256 differs from its manifest. "
            "Copy it again, or use another backup."
        )


def require_unchanged_rows(
    database: Path, manifest: Manifest, progress: Progress = no_progress
) -> None:
    """Nothing, unless a table has other rows than the manifest says; then StorageBroken."""
    found = digest_tables(database, progress)
    differing = sorted({one.table for one in set(found) ^ set(manifest.tables)})
    if differing:
        raise StorageBroken(
            f"The rows of {', '.join(differing)} differ from the manifest. Use another backup."
        )


def _sha256_of(file: Path, progress: Progress) -> str:
    digest, size, done = hashlib.sha256(), file.stat().st_size, 0
    with readable_faults(), file.open("rb") as opened:
        while part := opened.read(_BYTES_AT_ONCE):
            digest.update(part)
            done += len(part)
            progress("bytes", done, size)
    return digest.hexdigest()


def _text_of(manifest: Manifest) -> bytes:
    """The text of a manifest, whose last field is the SHA-256 of the fields before it."""
    fields = asdict(manifest)
    own = hashlib.sha256(orjson.dumps(fields)).hexdigest()
    options = orjson.OPT_INDENT_2 | orjson.OPT_APPEND_NEWLINE
    return orjson.dumps(fields | {_OWN_DIGEST: own}, option=options)


def _parse(fields: Any) -> Manifest:
    tables: Sequence[dict[str, Any]] = fields["tables"]
    known = {name: fields[name] for name in ("made_at", "schema", "size_bytes", "sha256")}
    return Manifest(**known, tables=tuple(TableDigest(**one) for one in tables))


def _changed(path: Path) -> StorageBroken:
    return StorageBroken(
        f"{path.name} was changed after it was made. Copy it again, or use another backup."
    )
