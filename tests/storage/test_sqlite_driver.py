"""With a SQLite that has the WAL-reset race, one process writes, one connection at a time."""

import fcntl
import os
import subprocess
import sys
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from kbapi.access.keys import give_key, revoke_key
from kbapi.errors import InstanceInUse, UnsafeSetup
from kbapi.instance.file_locks import hold_as_only_process
from kbapi.instance.instance import create_or_open_instance, open_instance
from kbapi.intake.my_submissions import withdraw_own_result
from kbapi.server import serve as server
from kbapi.settings import Settings
from kbapi.storage.files import log_of
from kbapi.storage.sqlite import engine
from kbapi.storage.sqlite.driver import dbapi2
from tests.makers import a_submission, an_instance, send

pytestmark = pytest.mark.sqlite("its two modules")

AFFECTED = (3, 40, 1)
OTHER_PROCESS = """
import sys
from kbapi.storage.sqlite import engine
engine.library_version = lambda: (3, 40, 1)
from kbapi.cli.main import main
main(sys.argv[1:])
"""


@pytest.fixture(autouse=True)
def affected(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(engine, "library_version", lambda: AFFECTED)


def in_another_process(home: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-c", OTHER_PROCESS, *arguments, "--home", str(home)]
    return subprocess.run(command, capture_output=True, text=True, timeout=60)


def test_a_second_process_is_refused_until_the_first_has_closed(tmp_path: Path) -> None:
    instance = an_instance(tmp_path)
    home = instance.settings.home
    refused = in_another_process(home, "keys", "list")
    assert refused.returncode == 3
    assert "SQLite 3.40.1 can damage a database" in " ".join(refused.stderr.split())
    assert "Another server or command uses" in " ".join(refused.stderr.split())
    instance.close()
    assert in_another_process(home, "keys", "list").returncode == 0


def test_one_process_may_open_an_instance_several_times(tmp_path: Path) -> None:
    instance = an_instance(tmp_path)
    again = open_instance(instance.settings)
    instance.close()
    assert in_another_process(instance.settings.home, "keys", "list").returncode == 3
    again.close()
    assert in_another_process(instance.settings.home, "keys", "list").returncode == 0


def test_a_backup_and_a_check_read_beside_it(tmp_path: Path) -> None:
    instance = an_instance(tmp_path)
    send(instance, a_submission())
    home = instance.settings.home
    log_size = log_of(instance.settings.database_path).stat().st_size
    assert log_size > 0
    saved = in_another_process(home, "backup", str(tmp_path / "backups"))
    assert (saved.returncode, "1 results" in saved.stdout) == (0, True), saved.stderr
    assert in_another_process(home, "check").returncode == 0
    assert log_of(instance.settings.database_path).stat().st_size == log_size
    instance.close()


def test_a_forked_worker_shares_the_lock_of_its_master(tmp_path: Path) -> None:
    instance = an_instance(tmp_path)
    instance.close()
    end = hold_as_only_process(instance.settings.home)
    worker = os.fork()
    if worker == 0:
        status = 1
        try:
            open_instance(instance.settings).close()
            status = 0
        finally:
            os._exit(status)
    assert os.waitpid(worker, 0)[1] == 0
    assert in_another_process(instance.settings.home, "keys", "list").returncode == 3
    end()
    assert in_another_process(instance.settings.home, "keys", "list").returncode == 0


def test_an_instance_is_neither_made_nor_opened_while_another_process_has_the_folder(
    tmp_path: Path,
) -> None:
    home = tmp_path / "home"
    home.mkdir()
    descriptor = os.open(home, os.O_RDONLY)
    fcntl.flock(descriptor, fcntl.LOCK_EX)
    with pytest.raises(InstanceInUse, match="Another server or command"):
        an_instance(tmp_path)
    os.close(descriptor)
    an_instance(tmp_path).close()


def is_locked(lock_file: Path) -> bool:
    """Whether the write lock is held at this moment."""
    if not lock_file.exists():
        return False
    descriptor = os.open(lock_file, os.O_RDONLY)
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    finally:
        os.close(descriptor)
    return False


Act = tuple[str, bool]
"""What a connection did that can write or checkpoint, and whether the lock was held."""


@pytest.fixture
def acts(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> list[Act]:
    """What connections to the database do from now on."""
    noted: list[Act] = []
    settings = Settings(home=tmp_path / "home")
    connect: Callable[..., Any] = dbapi2.connect

    class Watched(dbapi2.Connection):  # type: ignore[misc]
        writes = False

        def __init__(self, *args: Any, **options: Any) -> None:
            super().__init__(*args, **options)
            self.set_trace_callback(self.note)

        def note(self, statement: str) -> None:
            first, *_ = statement.split(None, 1)
            if statement.startswith("BEGIN IMMEDIATE"):
                self.writes = True
            is_checkpoint = "wal_checkpoint" in statement
            changes = first in ("INSERT", "UPDATE", "DELETE", "CREATE")
            if is_checkpoint or (self.writes and (changes or first in ("BEGIN", "COMMIT"))):
                kind = "checkpoint" if is_checkpoint else first
                noted.append((kind, is_locked(settings.write_lock_path)))

        def close(self) -> None:
            if self.writes:
                noted.append(("close", is_locked(settings.write_lock_path)))
            super().close()

    def watched(address: str, **options: Any) -> Any:
        is_ours = str(settings.database_path) in str(address)
        return connect(address, **options, **({"factory": Watched} if is_ours else {}))

    monkeypatch.setattr(dbapi2, "connect", watched)
    return noted


def test_all_writing_and_every_checkpoint_happen_under_the_write_lock(
    tmp_path: Path, acts: list[Act]
) -> None:
    instance = create_or_open_instance(Settings(home=tmp_path / "home"))
    mine = send(instance, a_submission())
    revoke_key(instance, give_key(instance, "", ("submit",)).id)
    with instance.dry_run() as connection:
        connection.exec_driver_sql("DELETE FROM submission")
    withdraw_own_result(instance, mine.id, mine.receipt)
    instance.close()
    kinds = {kind for kind, _ in acts}
    assert kinds == {
        "BEGIN",
        "COMMIT",
        "CREATE",
        "INSERT",
        "UPDATE",
        "DELETE",
        "checkpoint",
        "close",
    }
    assert [kind for kind, is_held in acts if not is_held] == []


def test_a_connection_that_is_closed_beside_another_leaves_the_log(tmp_path: Path) -> None:
    instance = an_instance(tmp_path)
    send(instance, a_submission())
    database = instance.settings.database_path
    before = log_of(database).read_bytes()
    with closing(engine.open_reading_connection(database)) as other:
        other.execute("SELECT COUNT(*) FROM submission").fetchone()
    with closing(engine.open_untouched(database)) as other:
        other.execute("SELECT COUNT(*) FROM submission").fetchone()
    assert log_of(database).read_bytes() == before != b""
    instance.close()
    assert not log_of(database).exists()


def test_several_workers_are_refused_and_one_is_usual(monkeypatch: pytest.MonkeyPatch) -> None:
    assert server.default_workers(Settings()) == 1
    server.require_safe_library(1, AFFECTED)
    with pytest.raises(UnsafeSetup, match="use --workers 1"):
        server.require_safe_library(2, AFFECTED)
    monkeypatch.setattr(engine, "library_version", lambda: (3, 51, 3))
    assert server.default_workers(Settings()) == 2
    server.require_safe_library(2, (3, 51, 3))


def test_a_library_that_is_too_old_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    instance = an_instance(tmp_path)
    instance.close()
    monkeypatch.setattr(engine, "library_version", lambda: (3, 39, 4))
    for way_in in (lambda: an_instance(tmp_path / "new"), lambda: open_instance(instance.settings)):
        with pytest.raises(UnsafeSetup, match=r"SQLite 3\.39\.4 is too old"):
            way_in()
