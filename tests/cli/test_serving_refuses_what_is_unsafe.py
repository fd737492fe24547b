"""`kbapi serve` says why it will not start, and what a host should look at; keys travel along."""

from pathlib import Path

import click.testing
import pytest

from kbapi.access import rates
from kbapi.access.keys import give_key, revoke_key
from kbapi.cli import serving
from kbapi.cli.main import main
from kbapi.exchange.backup import make_backup
from tests.cli.test_every_command_through_its_entry_point import run
from tests.makers import an_instance
from tests.system.server import Server


@pytest.fixture
def served(monkeypatch: pytest.MonkeyPatch) -> list[Path]:
    """The folders that would have been served; nothing listens."""
    folders: list[Path] = []
    monkeypatch.setattr(serving, "serve", lambda home, *_: folders.append(home))
    return folders


def serve(tmp_path: Path, **settings: str) -> click.testing.Result:
    words = ["serve", "--home", str(tmp_path / "home")]
    return click.testing.CliRunner().invoke(main, words, env=settings)


@pytest.mark.parametrize(
    ("settings", "told"),
    [
        ({"KBAPI_JOIN": "everybody"}, "KBAPI_JOIN"),
        ({"KBAPI_RATE_PER_KEY": "0"}, "KBAPI_RATE_PER_KEY"),
        ({"KBAPI_RATE_STORAGE": "memory://"}, "KBAPI_RATE_STORAGE"),
        ({"KBAPI_CORS_ORIGINS": "https://club.example/path"}, "KBAPI_CORS_ORIGINS"),
        ({"KBAPI_CORS_ORIGINS": "*"}, "KBAPI_CORS_ORIGINS"),
        ({"KBAPI_TRUSTED_PROXIES": "-1"}, "KBAPI_TRUSTED_PROXIES"),
    ],
)
def test_a_setting_that_cannot_be_is_named(
    tmp_path: Path, served: list[Path], settings: dict[str, str], told: str
) -> None:
    refused = serve(tmp_path, **settings)
    assert refused.exit_code == 3
    assert told in refused.stderr
    assert served == []


def test_a_secret_that_others_can_read_is_not_served(tmp_path: Path, served: list[Path]) -> None:
    instance = an_instance(tmp_path)
    instance.close()
    for mode in (0o644, 0o640, 0o604):
        instance.settings.secret_path.chmod(mode)
        refused = serve(tmp_path)
        assert refused.exit_code == 3
        assert "chmod 600" in refused.stderr
    instance.settings.secret_path.chmod(0o600)
    assert serve(tmp_path).exit_code == 0
    assert served == [instance.settings.home]


def test_counting_on_redis_without_what_speaks_to_it_is_refused(
    tmp_path: Path, served: list[Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(rates, "find_spec", lambda _: None)
    refused = serve(tmp_path, KBAPI_RATE_STORAGE="redis://:hidden@127.0.0.1:6379/0")
    assert refused.exit_code == 3
    assert "install kbapi[redis]" in refused.stderr
    assert "hidden" not in refused.stderr
    assert served == []


def test_a_closed_instance_without_a_live_key_is_served_with_a_warning(
    tmp_path: Path, served: list[Path]
) -> None:
    alone = serve(tmp_path, KBAPI_JOIN="closed")
    assert alone.exit_code == 0
    assert "kbapi keys add" in alone.stderr
    instance = an_instance(tmp_path)
    given = give_key(instance, "", ("submit",))
    assert serve(tmp_path, KBAPI_JOIN="closed").stderr == ""
    revoke_key(instance, given.id)
    instance.close()
    assert "kbapi keys add" in serve(tmp_path, KBAPI_JOIN="closed").stderr
    assert serve(tmp_path, KBAPI_JOIN="invite").stderr == ""


def test_keys_of_a_lost_secret_are_told_to_open_nothing(tmp_path: Path, served: list[Path]) -> None:
    instance = an_instance(tmp_path / "before")
    give_key(instance, "evening shift", ("submit",))
    file = make_backup(instance.settings, tmp_path / "backups", None).file
    instance.close()
    home = ("--home", str(tmp_path / "home"))
    run("restore", str(file), "--without-secret", *home)
    assert "kbapi keys add" in serve(tmp_path, KBAPI_JOIN="closed").stderr
    listed = " ".join(run("keys", "list", *home).stdout.split())
    assert "evening shift (submit)" in listed
    assert listed.endswith("opens nothing: given under another secret")
    run("keys", "add", "--scope", "submit", *home)
    assert serve(tmp_path, KBAPI_JOIN="closed").stderr == ""
    assert run("keys", "list", *home).stdout.count("opens nothing") == 1


def test_commands_show_the_key_in_the_environment_to_a_server(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    home = tmp_path / "home"
    key = run("keys", "add", "--scope", "submit", "--home", str(home))
    assert key.returncode == 3, "there is no instance yet"
    run("db", "upgrade", "--home", str(home))
    key = run("keys", "add", "--scope", "submit", "--home", str(home)).stdout.strip()
    with Server(home, workers=1, KBAPI_JOIN="closed") as server:
        ask = ("chips", "search", "sable", "--to", f"http://127.0.0.1:{server.port}")
        refused = run(*ask)
        assert refused.returncode == 1
        assert "access key" in refused.stderr
        monkeypatch.setenv("KBAPI_KEY", key)
        assert run(*ask).returncode == 0
        monkeypatch.setenv("KBAPI_KEY", key[:-1])
        assert run(*ask).returncode == 1
