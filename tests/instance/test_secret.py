import fcntl
import os
import stat
import tempfile
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from kbapi.access.keys import give_key
from kbapi.cli.common import settings_of
from kbapi.errors import UnsafeSetup
from kbapi.instance.check import check_instance
from kbapi.instance.instance import create_or_open_instance, open_instance, upgrade_instance
from kbapi.instance.secret import Secret, create_secret, load_secret, random_secret, write_secret
from kbapi.server.serve import _forget_secret_variable
from kbapi.settings import Settings
from kbapi.storage.schema import upgrade_to_head


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


GIVEN = "0123456789abcdef" * 4


def settings_with(tmp_path: Path, **given: object) -> Settings:
    return Settings(home=tmp_path / "home", **given)


def mounted(tmp_path: Path, digits: str = GIVEN, mode: int = 0o400) -> Path:
    file = tmp_path / "mounted"
    file.write_text(f"{digits}\n")
    file.chmod(mode)
    return file


def given_by(tmp_path: Path, way: str) -> dict[str, object]:
    return {"secret": GIVEN} if way == "variable" else {"secret_file": mounted(tmp_path)}


@pytest.mark.parametrize("way", ["variable", "file"])
def test_a_given_secret_is_used_and_none_is_created_in_the_folder(tmp_path: Path, way: str) -> None:
    given = given_by(tmp_path, way)
    for open_it in (create_or_open_instance, open_instance, create_or_open_instance):
        instance = open_it(settings_with(tmp_path, **given))
        assert instance.secret == Secret(bytes.fromhex(GIVEN))
        instance.close()
    assert not settings_with(tmp_path).secret_path.exists()


@pytest.mark.parametrize("way", ["variable", "file"])
def test_a_given_secret_that_is_foreign_is_refused_and_named(tmp_path: Path, way: str) -> None:
    instance = create_or_open_instance(settings_with(tmp_path))
    give_key(instance, "host", ("admin",))
    instance.close()
    settings = settings_with(tmp_path, **given_by(tmp_path, way))
    for way_in in (open_instance, create_or_open_instance, upgrade_instance):
        with pytest.raises(UnsafeSetup, match="KBAPI_SECRET" if way == "variable" else "mounted"):
            way_in(settings)
    (found,) = [one for one in check_instance(settings) if one.subject == "secret"]
    assert not found.is_ok


def test_the_secret_of_a_folder_can_be_mounted_instead(tmp_path: Path) -> None:
    instance = create_or_open_instance(settings_with(tmp_path))
    give_key(instance, "host", ("admin",))
    instance.close()
    own = settings_with(tmp_path).secret_path
    digits = own.read_text().strip()
    own.unlink()
    open_instance(settings_with(tmp_path, secret_file=mounted(tmp_path, digits))).close()
    assert not own.exists()


def test_a_mounted_secret_that_is_missing_is_an_error_and_creates_nothing(tmp_path: Path) -> None:
    settings = settings_with(tmp_path, secret_file=tmp_path / "mounted")
    with pytest.raises(UnsafeSetup, match="mounted is missing"):
        create_or_open_instance(settings)
    assert names(tmp_path) == []


def test_a_creation_that_was_killed_goes_on_with_a_given_secret(tmp_path: Path) -> None:
    settings = settings_with(tmp_path, secret=GIVEN)
    settings.home.mkdir(mode=0o700)
    upgrade_to_head(settings.database_path)
    settings.database_path.chmod(0o644)
    create_or_open_instance(settings).close()
    assert stat.S_IMODE(settings.database_path.stat().st_mode) == 0o600


@pytest.mark.parametrize("mode", [0o444, 0o404, 0o460, 0o450, 0o402])
@pytest.mark.parametrize("user", [0, 10_001])
def test_a_mounted_secret_that_others_can_access_is_refused(
    tmp_path: Path, mode: int, user: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(os, "geteuid", lambda: user)
    with pytest.raises(UnsafeSetup, match="mode 0400"):
        load_secret(mounted(tmp_path, mode=mode), is_mounted=True)


@pytest.mark.skipif(os.geteuid() != 0, reason="only root may give a file to a group")
def test_a_mounted_secret_of_root_may_be_readable_by_the_group_of_another_user() -> None:
    """Orchestrators mount it so for a container that does not run as root."""
    # The folders of pytest are closed to other users.
    with tempfile.TemporaryDirectory() as folder:
        Path(folder).chmod(0o755)
        file = mounted(Path(folder), mode=0o440)
        os.chown(file, 0, 10_001)
        os.setegid(10_001)
        os.seteuid(10_001)
        try:
            assert load_secret(file, is_mounted=True) == Secret(bytes.fromhex(GIVEN))
            with pytest.raises(UnsafeSetup, match="chmod 600"):  # as `secret.key` it stays refused
                load_secret(file)
        finally:
            os.seteuid(0)
            os.setegid(0)


@pytest.mark.parametrize("text", ["", "ab" * 31, "ab" * 33, "zz" * 32, GIVEN + "\n"])
def test_a_variable_without_a_secret_is_refused_and_not_repeated(
    tmp_path: Path, text: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("KBAPI_SECRET", text)
    with pytest.raises(UnsafeSetup, match="write 64 hex digits") as refused:
        settings_of(tmp_path / "home")
    assert not text or text not in refused.value.detail


def test_an_empty_name_of_a_file_and_two_secrets_are_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("KBAPI_SECRET_FILE", "")
    with pytest.raises(UnsafeSetup, match="KBAPI_SECRET_FILE is invalid"):
        settings_of(tmp_path / "home")
    monkeypatch.setenv("KBAPI_SECRET_FILE", str(mounted(tmp_path)))
    monkeypatch.setenv("KBAPI_SECRET", GIVEN)
    with pytest.raises(UnsafeSetup, match="set either it or KBAPI_SECRET"):
        settings_of(tmp_path / "home")


def test_no_text_of_the_settings_shows_the_secret(tmp_path: Path) -> None:
    settings = settings_with(tmp_path, secret=GIVEN)
    shown = f"{settings!r} {settings} {settings.model_dump()} {settings.model_dump_json()}"
    assert GIVEN not in shown


def test_the_server_forgets_the_variable_so_that_no_other_program_gets_it(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setenv("KBAPI_SECRET", GIVEN)
    monkeypatch.setenv("kbapi_secret", GIVEN)
    monkeypatch.setenv("KBAPI_SECRET_FILE", "/run/secrets/kbapi")
    _forget_secret_variable()
    assert GIVEN not in os.environ.values()
    assert os.environ["KBAPI_SECRET_FILE"] == "/run/secrets/kbapi"
