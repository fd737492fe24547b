"""A manifest says what a backup contains, and shows that it was not changed itself."""

import hashlib
import stat
from pathlib import Path

import orjson
import pytest

from kbapi.errors import StorageBroken
from kbapi.instance.backup import make_backup
from kbapi.instance.instance import Instance
from kbapi.instance.manifest import load_manifest, manifest_path
from kbapi.storage.schema import head_revision
from tests.makers import HandMovedClock, a_submission, row_counts, send


@pytest.fixture
def backup(instance: Instance, tmp_path: Path) -> Path:
    send(instance, a_submission())
    return make_backup(instance.settings, tmp_path / "backups", None, HandMovedClock()).file


def test_a_manifest_says_what_its_backup_contains(instance: Instance, backup: Path) -> None:
    path = manifest_path(backup)
    assert path.name == f"{backup.name}.manifest.json"
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    said = orjson.loads(path.read_bytes())
    assert said["sha256"] == hashlib.sha256(backup.read_bytes()).hexdigest()
    assert (said["size_bytes"], said["schema"]) == (backup.stat().st_size, head_revision())
    assert said["made_at"] == "2026-09-15T12:00:00Z"
    counted = {one["table"]: one["rows"] for one in said["tables"] if one["rows"]}
    assert counted == row_counts(instance) | {"alembic_version": 1}


def test_every_changed_bit_of_a_manifest_is_found(backup: Path) -> None:
    path = manifest_path(backup)
    written = path.read_bytes()
    assert load_manifest(backup) is not None
    for place in range(len(written)):
        changed = bytearray(written)
        changed[place] ^= 1 << place % 8
        path.write_bytes(changed)
        with pytest.raises(StorageBroken, match="changed after it was made"):
            load_manifest(backup)


def test_a_missing_manifest_is_none(backup: Path) -> None:
    manifest_path(backup).unlink()
    assert load_manifest(backup) is None
