"""A restore replaces a database completely, or changes nothing."""

import shutil
import signal
import stat
import subprocess
import sys
from collections.abc import Callable
from contextlib import closing
from datetime import timedelta
from pathlib import Path

import pytest

from kbapi.errors import (
    InstanceInUse,
    InstanceReadOnly,
    KbapiError,
    ReceiptWrong,
    SchemaMismatch,
    StorageBroken,
    UnsafeSetup,
)
from kbapi.instance import restore as restoring
from kbapi.instance.backup import back_up_secret, make_backup
from kbapi.instance.check import check_instance
from kbapi.instance.instance import (
    Instance,
    create_or_open_instance,
    open_instance,
    upgrade_instance,
)
from kbapi.instance.manifest import manifest_path
from kbapi.instance.restore import Restored, restore_backup, restore_on_server
from kbapi.instance.secret import Secret, create_secret, load_secret
from kbapi.intake.my_submissions import read_own_result
from kbapi.intake.responses import Accepted
from kbapi.settings import Settings
from kbapi.storage.postgres.whole_database import content_of
from kbapi.storage.schema import find_key_id, reading_once
from kbapi.storage.sqlite.driver import dbapi2
from kbapi.storage.sqlite.engine import reading_untouched
from kbapi.storage.sqlite.whole_file import Condition, copy_whole
from tests.makers import HandMovedClock, a_submission, an_instance, rows_of, send
from tests.postgres import an_empty_database
from tests.storage.later_schema import CREATE_A_TABLE
from tests.storage.test_schema import add_migrations
from tests.storage.test_schema_upgrades import database_at


@pytest.fixture
def stored(instance: Instance) -> Accepted:
    return send(instance, a_submission(number=1))


@pytest.fixture
def backup(instance: Instance, stored: Accepted, tmp_path: Path) -> Path:
    """A backup of one result; the instance gets a second one and is closed."""
    made = make_backup(instance.settings, tmp_path / "backups", None)
    back_up_secret(instance.settings, tmp_path / "safe" / "secret", made.file.parent)
    send(instance, a_submission(number=2))
    instance.close()
    return made.file


@pytest.fixture
def secret_file(tmp_path: Path) -> Path:
    return tmp_path / "safe" / "secret"


def content(home: Path) -> dict[str, bytes]:
    """The content of all files in the folder, except locks."""
    return {path.name: path.read_bytes() for path in home.iterdir() if path.is_file()}


def units(settings: Settings) -> int:
    opened = open_instance(settings, HandMovedClock())
    rows = rows_of(opened)["unit"]
    opened.close()
    return len(rows)


def set_version(database: Path, revision: str) -> None:
    with closing(dbapi2.connect(database)) as connection, connection:
        connection.execute("UPDATE alembic_version SET version_num = ?", (revision,))


def restore(settings: Settings, file: Path, **more: object) -> Restored:
    return restore_backup(settings, file, **more, now=HandMovedClock())


def test_a_restore_brings_back_the_rows_of_the_backup_and_keeps_the_old_files(
    instance: Instance, backup: Path, stored: Accepted
) -> None:
    settings = instance.settings
    assert units(settings) == 2
    done = restore(settings, backup)
    assert (units(settings), done.fits_secret, done.needs_upgrade) == (1, True, False)
    (kept,) = done.excluded
    with closing(dbapi2.connect(kept)) as before:
        assert before.execute("SELECT COUNT(*) FROM unit").fetchone() == (2,)
    assert stat.S_IMODE(settings.database_path.stat().st_mode) == 0o600
    opened = open_instance(settings, HandMovedClock())
    assert read_own_result(opened, stored.id, stored.receipt).id == stored.id
    opened.close()
    later = HandMovedClock()
    later.moment += timedelta(seconds=1)
    assert restore_backup(settings, kept, now=later).condition.rows_of("unit") == 2


def test_the_old_log_is_folded_into_the_old_database_only(
    instance: Instance, backup: Path, tmp_path: Path
) -> None:
    # As after a killed server: the result is only in the log.
    settings = Settings(home=tmp_path / "killed")
    alive = open_instance(instance.settings, HandMovedClock())
    send(alive, a_submission(number=3))
    shutil.copytree(instance.settings.home, settings.home)
    alive.close()
    assert (settings.home / "kbapi.sqlite3-wal").stat().st_size > 0
    (kept,) = restore(settings, backup).excluded
    assert not (settings.home / "kbapi.sqlite3-wal").exists()
    assert not (settings.home / "kbapi.sqlite3-shm").exists()
    with closing(dbapi2.connect(kept)) as before:
        assert before.execute("SELECT COUNT(*) FROM unit").fetchone() == (3,)
    assert units(settings) == 1


def test_an_unreadable_database_is_kept_with_its_log(instance: Instance, backup: Path) -> None:
    settings = instance.settings
    settings.database_path.write_bytes(b"no database" * 999)
    log = settings.home / "kbapi.sqlite3-wal"
    log.write_bytes(b"no log")
    kept = restore(settings, backup).excluded
    assert [path.read_bytes() for path in kept] == [b"no database" * 999, b"no log"]
    assert not log.exists()
    assert units(settings) == 1


def test_a_log_that_another_program_reads_is_kept(instance: Instance, backup: Path) -> None:
    settings = instance.settings
    with closing(dbapi2.connect(settings.database_path, isolation_level=None)) as other:
        other.execute("BEGIN")
        other.execute("SELECT COUNT(*) FROM unit").fetchall()
        opened = open_instance(settings, HandMovedClock())
        send(opened, a_submission(number=3))
        opened.close()
        kept, kept_log = restore(settings, backup).excluded
    assert kept_log.name == f"{kept.name}-wal"
    with closing(dbapi2.connect(kept)) as before:
        assert before.execute("SELECT COUNT(*) FROM unit").fetchone() == (3,)
    assert units(settings) == 1


def test_restores_replace_the_targets_of_links(
    instance: Instance, backup: Path, secret_file: Path, tmp_path: Path
) -> None:
    settings, disk = instance.settings, tmp_path / "disk"
    disk.mkdir()
    for path in (settings.database_path, settings.secret_path):
        path.rename(disk / path.name)
        path.symlink_to(disk / path.name)
    (disk / "secret.key").unlink()
    create_secret(disk / "secret.key")
    done = restore(settings, backup, secret_file=secret_file)
    assert {path.parent for path in done.excluded} == {disk}
    assert settings.database_path.is_symlink()
    assert settings.secret_path.is_symlink()
    assert {path.name for path in settings.home.iterdir() if path.is_symlink()} == {
        "kbapi.sqlite3",
        "secret.key",
    }
    assert units(settings) == 1
    assert load_secret(disk / "secret.key") == load_secret(secret_file)


def test_a_link_to_a_missing_disk_is_refused(
    instance: Instance, backup: Path, tmp_path: Path
) -> None:
    settings = instance.settings
    settings.database_path.unlink()
    settings.database_path.symlink_to(tmp_path / "away" / "kbapi.sqlite3")
    before = content(settings.home)
    with pytest.raises(UnsafeSetup, match="Mount it first"):
        restore(settings, backup)
    assert content(settings.home) == before
    assert not (tmp_path / "away").exists()


def test_a_backup_and_a_secret_are_restored_into_an_empty_folder(
    backup: Path, secret_file: Path, stored: Accepted, tmp_path: Path
) -> None:
    settings = Settings(home=tmp_path / "new" / "home")
    done = restore(settings, backup, secret_file=secret_file)
    assert (done.excluded, done.fits_secret) == ((), True)
    assert stat.S_IMODE(settings.home.stat().st_mode) == 0o700
    assert stat.S_IMODE(settings.secret_path.stat().st_mode) == 0o600
    opened = open_instance(settings, HandMovedClock())
    assert read_own_result(opened, stored.id, stored.receipt).id == stored.id
    opened.close()


@pytest.mark.parametrize("names_copy", [False, True])
def test_a_restore_uses_the_secret_that_is_given_from_outside_and_writes_none(
    backup: Path, stored: Accepted, secret_file: Path, tmp_path: Path, names_copy: bool
) -> None:
    settings = Settings(home=tmp_path / "other", secret=secret_file.read_text().strip())
    assert restore(settings, backup, secret_file=secret_file if names_copy else None).fits_secret
    opened = open_instance(settings, HandMovedClock())
    assert read_own_result(opened, stored.id, stored.receipt).id == stored.id
    opened.close()
    assert not settings.secret_path.exists()


def test_a_restore_with_another_given_secret_is_refused_and_replaces_nothing(
    backup: Path, secret_file: Path, tmp_path: Path
) -> None:
    settings = Settings(home=tmp_path / "other", secret="ab" * 32)
    with pytest.raises(UnsafeSetup, match="does not have the secret"):
        restore(settings, backup)
    with pytest.raises(UnsafeSetup, match="KBAPI_SECRET_FILE gives another secret"):
        restore(settings, backup, secret_file=secret_file)
    assert not settings.database_path.exists()
    assert not restore(settings, backup, without_secret=True).fits_secret
    assert noted(settings) == Secret(b"\xab" * 32).key_id


def test_a_restore_without_its_secret_needs_without_secret(
    backup: Path, stored: Accepted, tmp_path: Path
) -> None:
    settings = Settings(home=tmp_path / "other")
    with pytest.raises(UnsafeSetup, match="senders cannot read or withdraw"):
        restore(settings, backup)
    assert not settings.database_path.exists()
    done = restore(settings, backup, without_secret=True)
    assert not done.fits_secret
    opened = open_instance(settings, HandMovedClock())
    with pytest.raises(ReceiptWrong):
        read_own_result(opened, stored.id, stored.receipt)
    # The same contributor is a new one now.
    assert send(opened, a_submission(number=1)).id != stored.id
    assert len(rows_of(opened)["contributor"]) == 2
    opened.close()


def test_an_accepted_loss_needs_no_second_confirmation(
    backup: Path, secret_file: Path, tmp_path: Path
) -> None:
    settings = Settings(home=tmp_path / "other")
    restore(settings, backup, without_secret=True)
    units(settings)  # open, without a row of the new secret
    own = tmp_path / "other-safe" / "secret"
    later = make_backup(settings, tmp_path / "later", None, HandMovedClock()).file
    back_up_secret(settings, own, later.parent)
    elsewhere = Settings(home=tmp_path / "elsewhere")
    with pytest.raises(UnsafeSetup, match="not the secret"):
        restore(elsewhere, later, secret_file=secret_file)
    assert restore(elsewhere, later, secret_file=own).fits_secret
    assert units(elsewhere) == 1


def foreign(settings: Settings) -> bool:
    """Whether every way to open refuses the present secret and changes nothing."""
    before = content(settings.home)
    for open_it in (open_instance, create_or_open_instance, upgrade_instance):
        with pytest.raises(UnsafeSetup, match="not the secret of this database"):
            open_it(settings)
    assert content(settings.home) == before
    return True


@pytest.mark.parametrize("is_recorded", [True, False])
def test_a_foreign_secret_is_refused_until_the_right_one_is_back(
    instance: Instance, stored: Accepted, tmp_path: Path, is_recorded: bool
) -> None:
    settings = instance.settings
    instance.close()
    if not is_recorded:  # as an older program created it, without a record
        with closing(dbapi2.connect(settings.database_path)) as connection:
            connection.execute("PRAGMA application_id = 0")
    right = settings.secret_path.read_bytes()
    settings.secret_path.unlink()
    create_secret(settings.secret_path)
    assert foreign(settings)
    (found,) = (one for one in check_instance(settings) if one.subject == "secret")
    assert not found.is_ok
    with pytest.raises(UnsafeSetup, match="not the secret of this database"):
        back_up_secret(settings, tmp_path / "safe" / "secret", tmp_path / "backups")
    settings.secret_path.write_bytes(right)
    opened = open_instance(settings, HandMovedClock())
    assert read_own_result(opened, stored.id, stored.receipt).id == stored.id
    opened.close()
    assert noted(settings) == load_secret(settings.secret_path).key_id


def noted(settings: Settings) -> str | None:
    with reading_untouched(settings.database_path) as connection:
        return find_key_id(connection)


@pytest.mark.parametrize("open_it", [open_instance, create_or_open_instance])
def test_a_database_without_hashes_accepts_the_present_secret(
    instance: Instance, open_it: Callable[[Settings], Instance]
) -> None:
    settings = instance.settings
    instance.close()
    first = noted(settings)
    settings.secret_path.unlink()
    create_secret(settings.secret_path)
    open_instance(Settings(home=settings.home, read_only=True)).close()
    assert noted(settings) == first
    opened = open_it(settings)
    send(opened, a_submission())
    opened.close()
    assert noted(settings) == load_secret(settings.secret_path).key_id != first
    open_instance(settings).close()


_KILLED = """
import os, signal, sys
from pathlib import Path
from kbapi.instance import restore
from kbapi.settings import Settings

def die(*_told):
    os.kill(os.getpid(), signal.SIGKILL)

home, file, secret, where = sys.argv[1:]
if where == "between":
    restore.put_database = die
else:
    rename = os.replace
    restore.Path.replace = lambda old, new: die() if new.suffix == ".sqlite3" else rename(old, new)
restore.restore_backup(Settings(home=Path(home)), Path(file), Path(secret))
"""


@pytest.mark.parametrize("where", ["between", "before the rename"])
def test_a_killed_restore_is_refused_and_repaired_by_the_next(
    backup: Path, secret_file: Path, stored: Accepted, tmp_path: Path, where: str
) -> None:
    other = an_instance(tmp_path / "other")
    theirs = send(other, a_submission(number=7))
    other.close()
    settings = other.settings
    before = settings.secret_path.read_bytes()
    words = [str(settings.home), str(backup), str(secret_file), where]
    killed = subprocess.run([sys.executable, "-c", _KILLED, *words], check=False)
    assert killed.returncode == -signal.SIGKILL
    assert settings.secret_path.read_bytes() == secret_file.read_bytes() != before
    assert foreign(settings)
    assert (settings.home / "kbapi.sqlite3.restoring").exists()
    restore(settings, backup, secret_file=secret_file)
    assert not list(settings.home.glob("*.restoring*"))
    opened = open_instance(settings, HandMovedClock())
    assert read_own_result(opened, stored.id, stored.receipt).id == stored.id
    opened.close()
    # Nothing of the other instance is lost: database and secret were both kept.
    (kept,) = settings.home.glob("secret.key.before-*")
    assert kept.read_bytes() == before
    theirs_again = Settings(home=tmp_path / "again")
    database = next(settings.home.glob("kbapi.sqlite3.before-*"))
    restore(theirs_again, database, secret_file=kept)
    opened = open_instance(theirs_again, HandMovedClock())
    assert read_own_result(opened, theirs.id, theirs.receipt).id == theirs.id
    opened.close()


def test_opening_removes_the_files_of_a_killed_restore(instance: Instance) -> None:
    settings = instance.settings
    left = [settings.home / f"kbapi.sqlite3.restoring{ending}" for ending in ("", "-wal")]
    left.append(settings.home / "secret.key.4711.new")
    for path in left:
        path.write_bytes(b"half")
    # A read-only instance and a check remove nothing.
    open_instance(Settings(home=settings.home, read_only=True)).close()
    check_instance(settings)
    assert all(path.exists() for path in left)
    open_instance(settings).close()
    assert not [path for path in left if path.exists()]


def test_a_replaced_secret_is_kept(backup: Path, secret_file: Path, tmp_path: Path) -> None:
    settings = Settings(home=tmp_path / "other")
    settings.home.mkdir()
    create_secret(settings.secret_path)
    before = settings.secret_path.read_bytes()
    with pytest.raises(UnsafeSetup):
        restore(settings, backup)
    (kept,) = restore(settings, backup, secret_file=secret_file).excluded
    assert kept.read_bytes() == before
    assert stat.S_IMODE(kept.stat().st_mode) == 0o600
    assert settings.secret_path.read_bytes() == secret_file.read_bytes()


def test_a_secret_of_another_instance_is_refused(
    instance: Instance, backup: Path, tmp_path: Path
) -> None:
    create_secret(tmp_path / "wrong")
    before = content(instance.settings.home)
    with pytest.raises(UnsafeSetup, match="not the secret"):
        restore(instance.settings, backup, secret_file=tmp_path / "wrong")
    assert content(instance.settings.home) == before


def test_a_restore_of_an_open_instance_changes_nothing(instance: Instance, backup: Path) -> None:
    opened = open_instance(instance.settings, HandMovedClock())
    with pytest.raises(InstanceInUse):
        restore(instance.settings, backup)
    assert len(rows_of(opened)["unit"]) == 2
    opened.close()


def spoil_as_text(backup: Path) -> None:
    backup.write_bytes(b"a shopping list\n" * 400)


def spoil_as_empty(backup: Path) -> None:
    backup.write_bytes(b"")


def spoil_as_other_program(backup: Path) -> None:
    backup.unlink()
    with closing(dbapi2.connect(backup)) as foreign:
        foreign.execute("CREATE TABLE recipes (name TEXT)")


def spoil_a_page(backup: Path) -> None:
    index = "SELECT rootpage FROM sqlite_schema WHERE type = 'index' AND tbl_name = 'submission'"
    with closing(dbapi2.connect(backup)) as connection:
        page = connection.execute(index).fetchone()
    whole = bytearray(backup.read_bytes())
    whole[(page[0] - 1) * 4096 + 8 : page[0] * 4096] = b"\x7f" * 4088
    backup.write_bytes(whole)


def spoil_a_reference(backup: Path) -> None:
    with closing(dbapi2.connect(backup)) as connection, connection:
        connection.execute("UPDATE unit SET contributor_id = 99")


def cut_off(backup: Path) -> None:
    backup.write_bytes(backup.read_bytes()[: backup.stat().st_size // 2])


def make_newer(backup: Path) -> None:
    set_version(backup, "9999")


def change_a_document(backup: Path) -> None:
    with closing(dbapi2.connect(backup)) as connection, connection:
        connection.execute("UPDATE submission SET document = document || ' '")


def change_a_value_and_no_index(backup: Path) -> None:
    with closing(dbapi2.connect(backup)) as connection:
        (page,) = connection.execute(
            "SELECT rootpage FROM sqlite_schema WHERE name = 'contributor'"
        ).fetchone()
        (day,) = connection.execute("SELECT first_seen_day FROM contributor").fetchone()
    whole = backup.read_bytes()
    place = whole.index(day.encode(), (page - 1) * 4096)
    backup.write_bytes(whole[:place] + b"2016" + whole[place + 4 :])


INVALID = [
    (spoil_as_text, StorageBroken),
    (spoil_as_empty, StorageBroken),
    (spoil_as_other_program, StorageBroken),
    (spoil_a_page, StorageBroken),
    (spoil_a_reference, StorageBroken),
    (change_a_document, StorageBroken),
    (change_a_value_and_no_index, StorageBroken),
    (cut_off, StorageBroken),
    (make_newer, SchemaMismatch),
    (Path.unlink, UnsafeSetup),
]


@pytest.mark.parametrize(("spoil", "fault"), INVALID)
def test_an_invalid_backup_is_refused_without_its_manifest_too(
    instance: Instance, backup: Path, spoil: object, fault: type[KbapiError]
) -> None:
    spoil(backup)
    before = content(instance.settings.home)
    with pytest.raises(fault):
        restore(instance.settings, backup, without_manifest=True)
    assert content(instance.settings.home) == before
    assert units(instance.settings) == 2


@pytest.mark.parametrize("spoil", [spoil for spoil, _ in INVALID if spoil is not Path.unlink])
def test_a_backup_that_differs_from_its_manifest_is_refused_and_nothing_is_changed(
    instance: Instance, backup: Path, spoil: object
) -> None:
    spoil(backup)
    before = content(instance.settings.home)
    with pytest.raises(StorageBroken, match="manifest"):
        restore(instance.settings, backup)
    assert content(instance.settings.home) == before


def test_a_missing_manifest_is_an_error_unless_it_is_given_up(
    instance: Instance, backup: Path
) -> None:
    manifest_path(backup).unlink()
    with pytest.raises(UnsafeSetup, match=r"manifest\.json is missing"):
        restore(instance.settings, backup)
    assert not restore(instance.settings, backup, without_manifest=True).is_proved


def test_a_changed_manifest_is_refused(instance: Instance, backup: Path) -> None:
    manifest = manifest_path(backup)
    written = manifest.read_bytes()
    for place in range(0, len(written), 7):
        changed = bytearray(written)
        changed[place] ^= 1
        manifest.write_bytes(changed)
        with pytest.raises(StorageBroken, match="changed after it was made"):
            restore(instance.settings, backup)
    manifest.write_bytes(written)
    assert restore(instance.settings, backup).is_proved


def test_a_copy_that_differs_from_the_manifest_replaces_nothing(
    instance: Instance, backup: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def copy_and_change(source: Path, copy: Path, progress: object) -> Condition:
        condition = copy_whole(source, copy)
        with closing(dbapi2.connect(copy)) as connection, connection:
            connection.execute("UPDATE line SET revision = revision + 1")
        return condition

    monkeypatch.setattr(restoring, "copy_whole", copy_and_change)
    before = content(instance.settings.home)
    with pytest.raises(StorageBroken, match="The rows of line differ"):
        restore(instance.settings, backup)
    assert content(instance.settings.home) == before


def test_a_backup_of_an_earlier_schema_needs_no_manifest(tmp_path: Path) -> None:
    old = tmp_path / "old.sqlite3"
    database_at("0002", old)
    settings = Settings(home=tmp_path / "home")
    done = restore(settings, old, without_secret=True)
    assert (done.is_proved, done.needs_upgrade) == (False, True)


def test_an_instance_is_not_restored_from_itself(instance: Instance, backup: Path) -> None:
    with pytest.raises(UnsafeSetup):
        restore(instance.settings, instance.settings.database_path)


def test_an_older_schema_is_restored_and_needs_an_upgrade(
    instance: Instance, backup: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    add_migrations(tmp_path, monkeypatch, CREATE_A_TABLE.format(name="later"))
    assert restore(instance.settings, backup).needs_upgrade
    with pytest.raises(SchemaMismatch, match="kbapi db upgrade"):
        open_instance(instance.settings)


def test_a_read_only_instance_is_not_restored(instance: Instance, backup: Path) -> None:
    settings = Settings(home=instance.settings.home, read_only=True)
    with pytest.raises(InstanceReadOnly):
        restore(settings, backup)


def test_two_restores_keep_both_databases(instance: Instance, backup: Path) -> None:
    clock = HandMovedClock()
    first = restore_backup(instance.settings, backup, now=clock)
    clock.moment += timedelta(seconds=1)
    second = restore_backup(instance.settings, backup, now=clock)
    assert len({*first.excluded, *second.excluded}) == 2
    assert all(path.exists() for path in (*first.excluded, *second.excluded))


def test_a_backup_is_restored_into_an_empty_database_on_a_server(
    instance: Instance, backup: Path, stored: Accepted, tmp_path: Path
) -> None:
    with an_empty_database() as url:
        settings = instance.settings.model_copy(update={"database": url})
        done = restore_on_server(settings, backup)
        assert (done.fits_secret, done.is_proved, done.schema_of_old) == (True, True, None)
        assert units(settings) == 1
        again = open_instance(settings, HandMovedClock())
        assert read_own_result(again, stored.id, stored.receipt).id == stored.id
        send(again, a_submission(number=5))
        again.close()
        with pytest.raises(UnsafeSetup, match="instance of its own"):
            restore_on_server(settings, backup)
        assert units(settings) == 2
        kept = restore_on_server(settings, backup, replaces=True).schema_of_old
        assert units(settings) == 1
        with reading_once(url) as connection:
            count = connection.exec_driver_sql(f"SELECT count(*) FROM {kept}.unit").scalar_one()
        assert count == 2


def test_a_restore_on_a_server_that_breaks_off_leaves_nothing_to_serve(
    instance: Instance, backup: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with an_empty_database() as url:
        settings = instance.settings.model_copy(update={"database": url})
        with monkeypatch.context() as patched:
            patched.setattr(restoring, "put_secret", lambda *_: 1 / 0)
            with pytest.raises(ZeroDivisionError):
                restore_on_server(settings, backup)
        with pytest.raises(StorageBroken, match="did not finish"):
            create_or_open_instance(settings)
        restore_on_server(settings, backup)
        assert units(settings) == 1


def test_a_changed_backup_reaches_no_server(instance: Instance, backup: Path) -> None:
    with closing(dbapi2.connect(backup)) as connection, connection:
        connection.execute("UPDATE unit SET token_hash = zeroblob(32)")
    with an_empty_database() as url:
        settings = instance.settings.model_copy(update={"database": url})
        with pytest.raises(StorageBroken, match="changed after it was made"):
            restore_on_server(settings, backup)
        assert content_of(url).is_empty
        assert not content_of(url).is_unfinished


def test_a_backup_of_an_older_schema_is_upgraded_before_it_reaches_a_server(
    instance: Instance, backup: Path, tmp_path: Path
) -> None:
    older = tmp_path / "older.sqlite3"
    database_at("0004", older)
    with an_empty_database() as url:
        settings = Settings(home=tmp_path / "new home", database=url)
        done = restore_on_server(settings, older, without_secret=True, without_manifest=True)
        assert done.condition.revision == "0004"
        assert not done.needs_upgrade
        open_instance(settings).close()
