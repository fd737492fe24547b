"""The folder is held by one server and all that it forks; nothing is left when they have gone."""

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
    goes_on, told = os.pipe()
    worker = os.fork()
    if worker == 0:
        os.close(told)
        os.read(goes_on, 1)  # until the test lets go of the other end
        os._exit(0)
    os.close(goes_on)
    os.close(held)
    with pytest.raises(InstanceInUse):
        acquire_server_lock(tmp_path)
    os.close(told)
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
    # As the super-user, whom no mode keeps out, may run this.
    monkeypatch.setattr(file_locks, "is_read_only", lambda folder: folder == tmp_path)
    assert acquire_server_lock(tmp_path) is None
    assert acquire_server_lock(tmp_path) is None
