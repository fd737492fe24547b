"""One server and its forks hold the folder; the lock ends with the last of them."""

import os
from pathlib import Path

import pytest

from kbapi.errors import InstanceInUse
from kbapi.instance import file_locks
from kbapi.instance.file_locks import acquire_server_lock, acquire_shared_lock, exclusive_lock


def test_a_second_server_is_refused_until_the_first_has_ended(tmp_path: Path) -> None:
    held = acquire_server_lock(tmp_path)
    assert held is not None
    with pytest.raises(InstanceInUse, match="Another server uses"):
        acquire_server_lock(tmp_path)
    assert list(tmp_path.iterdir()) == []
    os.close(held)
    again = acquire_server_lock(tmp_path)
    assert again is not None
    os.close(again)


def test_a_worker_that_outlives_its_master_holds_the_folder(tmp_path: Path) -> None:
    held = acquire_server_lock(tmp_path)
    assert held is not None
    read_end, write_end = os.pipe()
    worker = os.fork()
    if worker == 0:
        os.close(write_end)
        os.read(read_end, 1)  # until the test closes the other end
        os._exit(0)
    os.close(read_end)
    os.close(held)
    with pytest.raises(InstanceInUse):
        acquire_server_lock(tmp_path)
    os.close(write_end)
    os.waitpid(worker, 0)
    again = acquire_server_lock(tmp_path)
    assert again is not None
    os.close(again)


def test_commands_and_a_server_do_not_exclude_each_other(tmp_path: Path) -> None:
    held, used = acquire_server_lock(tmp_path), acquire_shared_lock(tmp_path / "use.lock")
    assert held is not None
    assert used is not None
    os.close(used)
    with exclusive_lock(tmp_path / "use.lock"):
        os.close(held)
        again = acquire_server_lock(tmp_path)
    assert again is not None
    os.close(again)


def test_a_read_only_folder_is_not_locked(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # The super-user may write in spite of any mode, so the answer of the kernel is replaced.
    monkeypatch.setattr(file_locks, "is_read_only", lambda folder: folder == tmp_path)
    assert acquire_server_lock(tmp_path) is None
    assert acquire_server_lock(tmp_path) is None
