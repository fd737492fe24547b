"""Writes are refused by a setting, a full disk or a file mode; reads go on."""

import os
from pathlib import Path
from types import SimpleNamespace

import pytest
from flask.testing import FlaskClient

from kbapi.access.keys import give_key, revoke_key
from kbapi.advice.start.answer import advise_start
from kbapi.app import create_app
from kbapi.errors import InstanceReadOnly, StorageFull, StorageUnwritable
from kbapi.instance.instance import (
    Instance,
    create_or_open_instance,
    open_instance,
    upgrade_instance,
)
from kbapi.instance.write_gate import WriteGate
from kbapi.intake.my_submissions import withdraw_own_result, withdraw_own_results
from kbapi.intake.submit import dry_run_submission
from kbapi.settings import Settings
from kbapi.storage.sqlite import engine
from kbapi.storage.sqlite.driver import dbapi2
from tests.makers import (
    HandMovedClock,
    a_body,
    a_question,
    a_submission,
    an_instance,
    rows_of,
    send,
)
from tests.storage.plain_user import a_shared_folder, as_a_plain_user

NO_DISK_IS_SO_LARGE = 1 << 60


def reopened(instance: Instance, **changes: object) -> Instance:
    """The same instance, opened with other settings."""
    return open_instance(Settings(home=instance.settings.home, **changes), HandMovedClock())


def client_of(instance: Instance) -> FlaskClient:
    return create_app(instance).test_client()


def let_the_disk_have(monkeypatch: pytest.MonkeyPatch, free: int) -> None:
    room = SimpleNamespace(f_bavail=free, f_frsize=1)
    monkeypatch.setattr(os, "statvfs", lambda _path: room)


@pytest.mark.parametrize(
    ("changes", "fault"),
    [
        ({"read_only": True}, InstanceReadOnly),
        ({"min_free_bytes": NO_DISK_IS_SO_LARGE}, StorageFull),
    ],
)
def test_a_closed_gate_refuses_writes_and_reads_go_on(
    instance: Instance, changes: dict[str, object], fault: type[StorageUnwritable]
) -> None:
    stored = send(instance, a_submission(number=1))
    before = rows_of(instance)
    closed = reopened(instance, **changes)
    with pytest.raises(fault):
        send(closed, a_submission(number=2))
    with pytest.raises(fault):
        withdraw_own_result(closed, stored.id, stored.receipt)
    assert b'"units":1' in advise_start(closed, a_question(closed)).body
    assert dry_run_submission(closed, a_body(a_submission(number=2))).settings
    assert rows_of(closed) == before
    closed.close()


def test_http_answers_503_with_retry_after_and_health_shows_the_cause(
    instance: Instance,
) -> None:
    for changes, code, seconds in (
        ({"read_only": True}, "read_only", "300"),
        ({"min_free_bytes": NO_DISK_IS_SO_LARGE}, "storage_full", "60"),
    ):
        closed = reopened(instance, **changes)
        client = client_of(closed)
        refused = client.post("/v1/submissions", json=a_submission())
        assert (refused.status_code, refused.mimetype) == (503, "application/problem+json")
        assert refused.get_json()["type"] == f"/problems/{code}"
        assert refused.headers["Retry-After"] == seconds
        ready = client.get("/health/ready")
        wanted = {"status": "ready", "writes": code, "conditions": [], "rescreening": "done"}
        assert (ready.status_code, ready.get_json()) == (200, wanted)
        assert client.get("/v1/start?chip=norvane-sable-7-4820mx").status_code == 200
        closed.close()
    assert client_of(instance).get("/health/ready").get_json()["writes"] == "accepted"


def test_writing_resumes_without_a_restart_when_space_is_free_again(
    instance: Instance, monkeypatch: pytest.MonkeyPatch
) -> None:
    least = instance.settings.min_free_bytes
    let_the_disk_have(monkeypatch, least - 1)
    with pytest.raises(StorageFull):
        send(instance, a_submission())
    let_the_disk_have(monkeypatch, least)
    assert send(instance, a_submission()).id


def test_withdrawals_may_use_the_reserve_down_to_an_eighth(
    instance: Instance, monkeypatch: pytest.MonkeyPatch
) -> None:
    token = "demo-contributor-0004"
    own = [send(instance, a_submission(number=number)) for number in range(2)]
    send(instance, a_submission(number=3, contributor_token=token))
    keys = [give_key(instance, "", ("submit",)).id for _ in range(2)]
    reserve = instance.settings.min_free_bytes
    takings_back = (
        lambda number: withdraw_own_result(instance, own[number].id, own[number].receipt),
        lambda _number: withdraw_own_results(instance, token),
        lambda number: revoke_key(instance, keys[number]),
    )
    let_the_disk_have(monkeypatch, reserve // 8 - 1)
    before = rows_of(instance)
    for take_back in takings_back:
        with pytest.raises(StorageFull):
            take_back(0)
    assert rows_of(instance) == before
    let_the_disk_have(monkeypatch, reserve // 8)
    for take_back in takings_back:
        take_back(0)
    assert (len(rows_of(instance)["submission"]), rows_of(instance)["access_key"][0][-2]) == (
        1,
        instance.today(),
    )
    for giving in (
        lambda: send(instance, a_submission(number=4)),
        lambda: give_key(instance, "", ("submit",)),
    ):
        with pytest.raises(StorageFull):
            giving()


@pytest.mark.parametrize("fault", [InstanceReadOnly, StorageUnwritable])
def test_a_read_only_folder_refuses_withdrawals(
    instance: Instance, monkeypatch: pytest.MonkeyPatch, fault: type[StorageUnwritable]
) -> None:
    own = send(instance, a_submission(number=1))
    key = give_key(instance, "", ("submit",)).id
    closed = reopened(instance, read_only=fault is InstanceReadOnly)
    if fault is StorageUnwritable:
        monkeypatch.setattr(os, "access", lambda path, _mode: path != instance.settings.home)
    for take_back in (
        lambda: withdraw_own_result(closed, own.id, own.receipt),
        lambda: revoke_key(closed, key),
    ):
        with pytest.raises(fault):
            take_back()
    closed.close()


def test_http_accepts_withdrawals_while_results_are_refused(
    instance: Instance, monkeypatch: pytest.MonkeyPatch
) -> None:
    client = client_of(instance)
    stored = client.post("/v1/submissions", json=a_submission(number=1)).get_json()
    let_the_disk_have(monkeypatch, instance.settings.min_free_bytes - 1)
    assert client.post("/v1/submissions", json=a_submission(number=2)).status_code == 503
    receipt = {"Authorization": f"Bearer {stored['receipt']}"}
    assert client.delete(stored["links"]["self"], headers=receipt).status_code == 204


def test_each_write_checks_the_free_space_of_the_disk(
    instance: Instance, monkeypatch: pytest.MonkeyPatch
) -> None:
    checks: list[object] = []
    statvfs = os.statvfs
    monkeypatch.setattr(os, "statvfs", lambda path: (checks.append(path), statvfs(path))[1])
    for number in range(3):
        send(instance, a_submission(number=number))
    assert checks == [instance.settings.home] * 3


def test_a_read_only_folder_closes_the_gate(
    instance: Instance, monkeypatch: pytest.MonkeyPatch
) -> None:
    # The super-user may write anywhere, so the answer of the kernel is replaced.
    monkeypatch.setattr(os, "access", lambda path, _mode: path != instance.settings.home)
    assert WriteGate(instance.settings).why_closed() is StorageUnwritable


@pytest.mark.parametrize(
    "name", ["kbapi.sqlite3", "kbapi.sqlite3-wal", "kbapi.sqlite3-shm", "write.lock"]
)
def test_a_needed_file_that_cannot_be_written_closes_the_gate(name: str) -> None:
    with a_shared_folder() as folder:
        opened = an_instance(folder)
        send(opened, a_submission())
        withheld = opened.settings.home / name
        withheld.chmod(0o400)
        with as_a_plain_user(folder):
            assert WriteGate(opened.settings).why_closed() is StorageUnwritable
        withheld.chmod(0o600)
        with as_a_plain_user(folder):
            assert WriteGate(opened.settings).why_closed() is None
        opened.close()


def test_health_and_metrics_show_the_error_of_writes() -> None:
    with a_shared_folder() as folder:
        opened = an_instance(folder)
        client = client_of(opened)
        stored = client.post("/v1/submissions", json=a_submission(number=1))
        assert (
            stored.status_code,
            b'writes{state="accepted"} 1' in client.get("/metrics").data,
        ) == (
            201,
            True,
        )
        opened.settings.write_lock_path.chmod(0)
        with as_a_plain_user(folder):
            refused = client.post("/v1/submissions", json=a_submission(number=2))
            ready = client.get("/health/ready").get_json()
            metrics = client.get("/metrics").data
        assert (refused.status_code, ready["writes"]) == (503, "storage_unwritable")
        assert refused.get_json()["type"] == "/problems/storage_unwritable"
        assert b'kbapi_writes{state="storage_unwritable"} 1' in metrics
        opened.close()


def test_a_read_only_log_of_a_linked_database_closes_the_gate() -> None:
    with a_shared_folder() as folder:
        opened = an_instance(folder)
        opened.close()
        database = opened.settings.database_path
        kept = database.rename(folder / "elsewhere.sqlite3")
        database.symlink_to(kept)
        log = kept.with_name("elsewhere.sqlite3-wal")
        log.write_bytes(b"")
        log.chmod(0o400)
        with as_a_plain_user(folder):
            assert WriteGate(opened.settings).why_closed() is StorageUnwritable


def test_a_read_only_instance_is_neither_created_nor_upgraded(tmp_path: Path) -> None:
    with pytest.raises(InstanceReadOnly, match="was not created or upgraded"):
        upgrade_instance(Settings(home=tmp_path / "home", read_only=True))
    assert list((tmp_path / "home").iterdir()) == []


def test_errors_of_commands_do_not_mention_answered_questions(tmp_path: Path) -> None:
    full = Settings(home=tmp_path / "home", min_free_bytes=NO_DISK_IS_SO_LARGE)
    with pytest.raises(StorageFull, match="was not created or upgraded") as error:
        create_or_open_instance(full)
    assert "questions are still answered" not in error.value.detail


def test_an_instance_that_cannot_be_opened_is_reported(
    instance: Instance, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(_path: Path) -> None:
        raise dbapi2.OperationalError("disk I/O error")

    monkeypatch.setattr(engine, "open_untouched", full)
    with pytest.raises(StorageUnwritable, match="cannot open the database") as error:
        open_instance(instance.settings)
    assert "questions are still answered" not in error.value.detail
