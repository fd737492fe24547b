"""Who has an instance open shares a lock; who puts another database in place holds it alone."""

import os
from pathlib import Path

import pytest

from kbapi.errors import InstanceInUse
from kbapi.settings import Settings
from kbapi.storage.instance import create_or_open_instance, open_instance, upgrade_instance
from kbapi.storage.use_lock import alone, share


def test_many_share_it_and_none_may_hold_it_alone_meanwhile(tmp_path: Path) -> None:
    lock = tmp_path / "use.lock"
    held = [share(lock), share(lock)]
    for descriptor in held:
        with pytest.raises(InstanceInUse), alone(lock):
            raise AssertionError("alone among others")
        assert descriptor is not None
        os.close(descriptor)
    with alone(lock), pytest.raises(InstanceInUse):
        share(lock)
    assert lock.stat().st_mode & 0o777 == 0o600


def test_an_open_instance_holds_it_until_it_is_closed(tmp_path: Path) -> None:
    settings = Settings(home=tmp_path / "home")
    first, second = create_or_open_instance(settings), open_instance(settings)
    first.close()
    with pytest.raises(InstanceInUse), alone(settings.use_lock_path):
        raise AssertionError("the second is open")
    second.close()
    second.close()
    with alone(settings.use_lock_path):
        for way_in in (open_instance, upgrade_instance):
            with pytest.raises(InstanceInUse):
                way_in(settings)


def test_nobody_upgrades_what_somebody_has_open(tmp_path: Path) -> None:
    settings = Settings(home=tmp_path / "home")
    opened = create_or_open_instance(settings)
    with pytest.raises(InstanceInUse, match="stop the server"):
        upgrade_instance(settings)
    opened.close()
    upgrade_instance(settings)


def test_an_instance_that_is_forgotten_lets_go(tmp_path: Path) -> None:
    settings = Settings(home=tmp_path / "home")
    create_or_open_instance(settings)
    with alone(settings.use_lock_path):
        pass


def test_a_process_that_was_forked_from_the_holder_holds_it_too(tmp_path: Path) -> None:
    lock = tmp_path / "use.lock"
    descriptor = share(lock)
    assert descriptor is not None
    inherited = os.dup(descriptor)  # what fork does to every descriptor
    os.close(descriptor)
    with pytest.raises(InstanceInUse), alone(lock):
        raise AssertionError("the child has it")
    os.close(inherited)


def test_where_no_lock_can_be_made_none_is_needed(tmp_path: Path) -> None:
    assert share(tmp_path / "nowhere" / "use.lock") is None
