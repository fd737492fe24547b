import fcntl
import os
import stat
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from kbapi.access.keys import give_key
from kbapi.errors import UnsafeSetup
from kbapi.instance.instance import create_or_open_instance, open_instance, upgrade_instance
from kbapi.instance.secret import Secret, create_secret, load_secret, random_secret, write_secret
from kbapi.settings import Settings


def test_only_the_owner_can_read_a_new_secret(tmp_path: Path) -> None:
    create_secret(tmp_path / "secret.key")
    assert stat.S_IMODE((tmp_path / "secret.key").stat().st_mode) == 0o600
    assert len(load_secret(tmp_path / "secret.key").value) == 32
    assert [entry.name for entry in tmp_path.iterdir()] == ["secret.key"]


def test_two_secrets_differ(tmp_path: Path) -> None:
    create_secret(tmp_path / "one.key")
    create_secret(tmp_path / "other.key")
    assert load_secret(tmp_path / "one.key") != load_secret(tmp_path / "other.key")


def test_an_existing_secret_is_never_replaced(tmp_path: Path) -> None:
    create_secret(tmp_path / "secret.key")
    before = (tmp_path / "secret.key").read_bytes()
    create_secret(tmp_path / "secret.key")
    assert (tmp_path / "secret.key").read_bytes() == before
    assert [entry.name for entry in tmp_path.iterdir()] == ["secret.key"]


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def put(path: Path) -> None:
    write_secret(path, random_secret())


@pytest.mark.parametrize("act", [create_secret, put])
def test_drafts_of_killed_writers_are_removed_and_those_of_active_ones_stay(
    tmp_path: Path, act: Callable[[Path], None]
) -> None:
    (tmp_path / "secret.key.4711.new").write_text("ab" * 32)
    (tmp_path / "secret.key.new").write_text("of somebody else")
    (tmp_path / "secret.key.old.new").write_text("of somebody else")
    with (tmp_path / "secret.key.4712.new").open("w") as alive:
        fcntl.flock(alive, fcntl.LOCK_EX)
        alive.write("cd" * 32)
        alive.flush()
        act(tmp_path / "secret.key")
        left = ["secret.key", "secret.key.4712.new", "secret.key.new", "secret.key.old.new"]
        assert names(tmp_path) == left
    act(tmp_path / "secret.key")
    assert names(tmp_path) == ["secret.key", "secret.key.new", "secret.key.old.new"]


@pytest.mark.parametrize("act", [create_secret, put])
def test_a_link_at_the_path_of_a_draft_is_not_followed(
    tmp_path: Path, act: Callable[[Path], None], monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "precious").write_text("of somebody else")
    (tmp_path / f"secret.key.{'00' * 8}.new").symlink_to(tmp_path / "precious")
    monkeypatch.setattr(os, "urandom", bytes)
    with pytest.raises(FileExistsError):
        act(tmp_path / "secret.key")
    assert (tmp_path / "precious").read_text() == "of somebody else"


def test_many_concurrent_creations_give_one_secret(tmp_path: Path) -> None:
    path = tmp_path / "secret.key"
    with ThreadPoolExecutor(8) as pool:
        for made in [pool.submit(create_secret, path) for _ in range(64)]:
            made.result()
    assert len(load_secret(path).value) == 32
    assert names(tmp_path) == ["secret.key"]


@pytest.mark.parametrize("mode", [0o640, 0o604, 0o610, 0o601, 0o620, 0o602])
def test_a_secret_that_others_can_access_is_refused(tmp_path: Path, mode: int) -> None:
    create_secret(tmp_path / "secret.key")
    (tmp_path / "secret.key").chmod(mode)
    with pytest.raises(UnsafeSetup, match="chmod 600"):
        load_secret(tmp_path / "secret.key")


@pytest.mark.parametrize("mode", [0o600, 0o400])
def test_a_secret_that_only_its_owner_can_access_is_accepted(tmp_path: Path, mode: int) -> None:
    create_secret(tmp_path / "secret.key")
    (tmp_path / "secret.key").chmod(mode)
    load_secret(tmp_path / "secret.key")


@pytest.mark.parametrize("text", ["", "ab" * 31, "ab" * 33, "zz" * 32, "é" * 64])
def test_a_file_without_a_secret_is_refused(tmp_path: Path, text: str) -> None:
    path = tmp_path / "secret.key"
    path.write_text(text, "utf-8")
    path.chmod(0o600)
    with pytest.raises(UnsafeSetup):
        load_secret(path)


def test_a_missing_secret_of_a_database_is_an_error_and_not_created(tmp_path: Path) -> None:
    settings = Settings(home=tmp_path / "home")
    instance = create_or_open_instance(settings)
    give_key(instance, "host", ("admin",))
    instance.close()
    settings.secret_path.unlink()
    for way_in in (open_instance, create_or_open_instance, upgrade_instance):
        with pytest.raises(UnsafeSetup):
            way_in(settings)
        assert not settings.secret_path.exists()


def test_a_readable_secret_keeps_an_instance_closed(tmp_path: Path) -> None:
    settings = Settings(home=tmp_path / "home")
    create_or_open_instance(settings).close()
    settings.secret_path.chmod(0o644)
    with pytest.raises(UnsafeSetup):
        open_instance(settings)


def test_the_error_of_an_empty_folder_names_the_command_to_create_an_instance(
    tmp_path: Path,
) -> None:
    with pytest.raises(UnsafeSetup, match="kbapi db upgrade"):
        open_instance(Settings(home=tmp_path / "home"))
    assert not (tmp_path / "home").exists()


def test_only_the_owner_can_access_folder_and_database(tmp_path: Path) -> None:
    settings = Settings(home=tmp_path / "home")
    create_or_open_instance(settings).close()
    assert stat.S_IMODE(settings.home.stat().st_mode) == 0o700
    assert stat.S_IMODE(settings.database_path.stat().st_mode) == 0o600


def test_each_purpose_has_its_own_key() -> None:
    secret = Secret(b"s" * 32)
    hashes = {secret.keyed_hash(purpose, b"same") for purpose in ("unit", "receipt", "content")}
    assert len(hashes) == 3
    assert {len(one) for one in hashes} == {32}
    assert secret.keyed_hash("unit", b"same") != Secret(b"t" * 32).keyed_hash("unit", b"same")


def test_neither_key_id_nor_printed_text_reveals_the_secret() -> None:
    secret = Secret(bytes(range(32)))
    assert len(secret.key_id) == 8
    assert secret.key_id not in secret.value.hex()
    assert secret.value.hex() not in repr(secret)
    assert repr(secret.value) not in repr(secret)
