"""`kbapi serve` reports why it does not start, and prints notices for the host."""

import subprocess
from collections.abc import Iterator
from pathlib import Path

import click
import click.testing
import pytest

from kbapi.access import limits
from kbapi.access.keys import give_key, revoke_key
from kbapi.cli.main import main
from kbapi.instance.backup import make_backup
from kbapi.server import serve as server
from kbapi.settings import Settings
from tests.cli.command import commands_of, run
from tests.makers import a_submission, an_instance, send
from tests.system.server import Server


@pytest.fixture
def served(monkeypatch: pytest.MonkeyPatch) -> list[Path]:
    """The folders that would be served; no server starts."""
    folders: list[Path] = []
    monkeypatch.setattr(server, "serve", lambda settings, *_: folders.append(settings.home))
    return folders


def serve(tmp_path: Path, **settings: str) -> click.testing.Result:
    arguments = ["serve", "--home", str(tmp_path / "home")]
    return click.testing.CliRunner().invoke(main, arguments, env=settings)


@pytest.mark.parametrize(
    ("settings", "message"),
    [
        ({"KBAPI_JOIN": "everybody"}, "KBAPI_JOIN"),
        ({"KBAPI_RATE_PER_KEY": "0"}, "KBAPI_RATE_PER_KEY"),
        ({"KBAPI_RATE_STORAGE": "memory://"}, "KBAPI_RATE_STORAGE"),
        ({"KBAPI_CORS_ORIGINS": "https://club.example/path"}, "KBAPI_CORS_ORIGINS"),
        ({"KBAPI_CORS_ORIGINS": "*.example"}, "KBAPI_CORS_ORIGINS"),
        ({"KBAPI_TRUSTED_PROXIES": "-1"}, "KBAPI_TRUSTED_PROXIES"),
        ({"KBAPI_JOINN": "closed"}, "KBAPI_JOINN is not a setting: did you mean KBAPI_JOIN?"),
        ({"kbapi_joinn": "closed"}, "KBAPI_JOINN is not a setting: did you mean KBAPI_JOIN?"),
        ({"KBAPI_TRUSTED_PROXY": "1"}, "did you mean KBAPI_TRUSTED_PROXIES?"),
        ({"KBAPI_PORT": "9000"}, "KBAPI_PORT is not a setting"),
        ({"KBAPI_SERVICE": "a"}, "KBAPI_SERVICE is not a setting"),
    ],
)
def test_an_invalid_setting_is_named(
    tmp_path: Path, served: list[Path], settings: dict[str, str], message: str
) -> None:
    refused = serve(tmp_path, **settings)
    assert refused.exit_code == 3
    assert message in " ".join(refused.stderr.split())
    assert served == []


def test_all_problems_of_the_settings_are_reported_together(
    tmp_path: Path, served: list[Path]
) -> None:
    wrong = {"KBAPI_JOINN": "closed", "KBAPI_RATE": "9", "KBAPI_RATE_PER_KEY": "0"}
    refused = serve(tmp_path, **wrong)
    assert [name for name in wrong if name not in refused.stderr] == []
    assert "closed" not in refused.stderr


def test_every_command_with_settings_refuses_an_unknown_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    an_instance(tmp_path).close()
    for command in (["check"], ["keys", "list"], ["start", "norvane-sable-7-4820mx"]):
        # Each in its own process, because a command redirects the log of its process.
        arguments = [*command, "--home", str(tmp_path / "home")]
        unset = run(*arguments)
        with monkeypatch.context() as changed:
            changed.setenv("KBAPI_MIN_FREE", "0")
            refused = run(*arguments)
        assert (unset.returncode, refused.returncode) == (0, 3), command
        assert "KBAPI_MIN_FREE_BYTES?" in refused.stderr


def test_variables_of_commands_are_known(tmp_path: Path, served: list[Path]) -> None:
    read = {variable for command in every_command(main) for variable in variables_of(command)}
    assert "KBAPI_KEY" in read
    known = {variable: "x" for variable in read if variable != "KBAPI_HOME"}
    assert serve(tmp_path, **known).exit_code == 0


def test_variables_that_an_orchestrator_sets_are_allowed(
    tmp_path: Path, served: list[Path]
) -> None:
    of_a_service = {
        "KBAPI_PORT": "tcp://10.0.0.1:8080",
        "KBAPI_PORT_8080_TCP": "tcp://10.0.0.1:8080",
        "KBAPI_PORT_8080_TCP_ADDR": "10.0.0.1",
        "KBAPI_SERVICE_HOST": "10.0.0.1",
        "KBAPI_SERVICE_PORT": "8080",
        "KBAPI_SERVICE_PORT_HTTP": "8080",
    }
    assert serve(tmp_path, **of_a_service).exit_code == 0
    assert len(served) == 1


@pytest.mark.parametrize("threads", ["0", "1000"])
def test_more_threads_than_connections_are_a_usage_error(
    tmp_path: Path, served: list[Path], threads: str
) -> None:
    arguments = ["serve", "--home", str(tmp_path / "home"), "--threads", threads]
    assert click.testing.CliRunner().invoke(main, arguments).exit_code == 2
    assert served == []


def every_command(group: click.Group) -> Iterator[click.Command]:
    for command in commands_of(group).values():
        if isinstance(command, click.Group):
            yield from every_command(command)
        else:
            yield command


def variables_of(command: click.Command) -> list[str]:
    return [str(option.envvar) for option in command.params if option.envvar]


@pytest.mark.parametrize("origins", ["", " "])
def test_an_empty_variable_means_no_origins(
    tmp_path: Path, served: list[Path], monkeypatch: pytest.MonkeyPatch, origins: str
) -> None:
    assert serve(tmp_path, KBAPI_CORS_ORIGINS=origins).exit_code == 0
    monkeypatch.setenv("KBAPI_CORS_ORIGINS", origins)
    assert Settings().cors_origins == ()
    assert Settings().allowed_origins == ()
    monkeypatch.setenv("KBAPI_CORS_ORIGINS", "https://one.example, https://two.example")
    assert Settings().allowed_origins == ("https://one.example", "https://two.example")


def test_every_origin_may_ask_an_open_instance_unless_origins_are_set(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    assert Settings().allowed_origins == ("*",)
    for join in ("invite", "closed"):
        assert Settings(join=join).allowed_origins == ()
    monkeypatch.setenv("KBAPI_CORS_ORIGINS", "*")
    assert Settings(join="closed").allowed_origins == ("*",)
    monkeypatch.setenv("KBAPI_CORS_ORIGINS", "*, https://one.example")
    with pytest.raises(ValueError, match="alone"):
        Settings()


def test_a_server_with_a_readable_secret_does_not_start(tmp_path: Path, served: list[Path]) -> None:
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


def test_redis_without_its_library_is_refused(
    tmp_path: Path, served: list[Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(limits, "find_spec", lambda _: None)
    refused = serve(tmp_path, KBAPI_RATE_STORAGE="redis://:hidden@127.0.0.1:6379/0")
    assert refused.exit_code == 3
    assert "Install kbapi[redis]" in refused.stderr
    assert "hidden" not in refused.stderr
    assert served == []


def test_a_closed_instance_without_a_valid_key_is_served_with_a_warning(
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


def test_results_under_older_rules_are_served_with_a_warning(
    tmp_path: Path, served: list[Path]
) -> None:
    instance = an_instance(tmp_path)
    send(instance, a_submission())
    assert serve(tmp_path).stderr == ""
    with instance.writing() as connection:
        connection.exec_driver_sql("UPDATE submission SET rules_version = 1")
    instance.close()
    warned = serve(tmp_path)
    assert warned.exit_code == 0
    assert "run 'kbapi db upgrade'" in " ".join(warned.stderr.split())
    checked = run("check", "--home", str(tmp_path / "home"))
    assert checked.returncode == 1
    assert "WRONG rules       1 results were screened by older rules" in checked.stdout
    upgraded = run("db", "upgrade", "--home", str(tmp_path / "home"))
    assert "1 results were screened again" in upgraded.stdout
    assert serve(tmp_path).stderr == ""
    assert run("check", "--home", str(tmp_path / "home")).returncode == 0


def test_keys_of_a_lost_secret_are_listed_as_invalid(tmp_path: Path, served: list[Path]) -> None:
    instance = an_instance(tmp_path / "before")
    give_key(instance, "evening shift", ("submit",))
    file = make_backup(instance.settings, tmp_path / "backups", None).file
    instance.close()
    home = ("--home", str(tmp_path / "home"))
    run("restore", str(file), "--without-secret", *home)
    assert "kbapi keys add" in serve(tmp_path, KBAPI_JOIN="closed").stderr
    listed = " ".join(run("keys", "list", *home).stdout.split())
    assert "evening shift (submit)" in listed
    assert listed.endswith("not valid: created with another secret")
    run("keys", "add", "--scope", "submit", *home)
    assert serve(tmp_path, KBAPI_JOIN="closed").stderr == ""
    assert run("keys", "list", *home).stdout.count("not valid") == 1


def test_commands_send_the_key_of_the_environment_to_a_server(
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


@pytest.mark.parametrize("mode", [0o700, 0o755])
def test_an_ordinary_folder_with_other_files_is_served_and_found_right(
    tmp_path: Path, served: list[Path], mode: int
) -> None:
    home = tmp_path / "home"
    home.mkdir()
    home.chmod(mode)
    (home / "notes.txt").write_text("a file of another program")
    assert serve(tmp_path).exit_code == 0
    assert served == [home]
    checked = run("check", "--home", str(home))
    assert checked.returncode == 0, checked.stdout
    private = [path.name for path in home.iterdir() if path.name != "notes.txt"]
    assert all((home / name).stat().st_mode & 0o077 == 0 for name in private)
    assert (home / "notes.txt").exists()


@pytest.mark.parametrize(
    ("name", "mode", "command"),
    [("", 0o775, "chmod go-w"), ("", 0o757, "chmod go-w"), ("kbapi.sqlite3", 0o644, "chmod go=")],
)
def test_what_others_can_change_or_read_is_refused_by_serve_and_check_with_the_same_command(
    tmp_path: Path, served: list[Path], name: str, mode: int, command: str
) -> None:
    an_instance(tmp_path).close()
    place = tmp_path / "home" / name
    place.chmod(mode)
    refused = serve(tmp_path)
    assert (refused.exit_code, served) == (3, [])
    checked = run("check", "--home", str(tmp_path / "home"))
    assert checked.returncode == 1
    for output in (refused.stderr, checked.stdout):
        # The path may be broken over lines of a message.
        assert f"run '{command}{place}'".replace(" ", "") in "".join(output.split())
    subprocess.run([*command.split(), str(place)], check=True)
    assert serve(tmp_path).exit_code == 0
    assert run("check", "--home", str(tmp_path / "home")).returncode == 0


def test_a_port_that_does_not_exist_is_a_usage_error(tmp_path: Path) -> None:
    refused = run("serve", "--home", str(tmp_path / "home"), "--port", "65536")
    assert refused.returncode == 2
    assert not (tmp_path / "home").exists()
