"""Units, proxy and compose files for hosts fit the server and its settings."""

import re
import subprocess
from pathlib import Path
from typing import Any

import pytest
from compose_spec import PyOptions

from kbapi.cli.host import check_command, restore_command
from kbapi.cli.serve import serve_command
from kbapi.instance.secret import load_secret
from kbapi.server.serve import GRACE_S, files_needed
from kbapi.settings import Settings
from tests.house.texts import BLOCKS, ROOT
from tests.needs import program
from tests.system.server import KBAPI

UNITS = {
    Path(block.text.split()[1].rstrip(",;")).name: block.text
    for block in BLOCKS
    if block.language == "ini" and block.text.startswith("# /etc/systemd/")
}
(PROXY,) = (block.text for block in BLOCKS if block.language == "nginx")

OF_CONTAINERS = [
    block.text
    for block in BLOCKS
    if block.language == "sh" and re.search("podman|litestream|token_hex", block.text)
]


def composed(file: Path) -> dict[str, Any]:
    """A compose file that follows the specification, with its references replaced."""
    options = PyOptions()
    options.apply_merge = True
    found = options.from_yaml(file.read_text())
    found.validate()
    return found.to_dict()


def setting_of(unit: str, name: str) -> str:
    (value,) = re.findall(rf"^{name}=(.*)$", UNITS[unit], re.MULTILINE)
    return str(value)


def test_the_server_stops_within_the_time_that_the_unit_allows() -> None:
    assert int(setting_of("kbapi.service", "TimeoutStopSec")) > GRACE_S
    assert setting_of("kbapi.service", "KillMode") == "mixed"


def test_the_unit_allows_the_open_files_that_a_worker_needs() -> None:
    (threads,) = [one.default for one in serve_command.params if one.name == "threads"]
    assert int(setting_of("kbapi.service", "LimitNOFILE")) >= files_needed(threads)


def test_the_unit_starts_an_existing_command() -> None:
    _, command, *options = setting_of("kbapi.service", "ExecStart").split()
    assert command == serve_command.name
    known = {name for option in serve_command.params for name in option.opts}
    assert {word for word in options if word.startswith("--")} <= known


def test_the_proxy_accepts_the_largest_batch_and_counts_as_one_trusted_proxy() -> None:
    (most,) = re.findall(r"client_max_body_size (\d+)m;", PROXY)
    assert int(most) * 1024 * 1024 > Settings().max_batch_bytes
    assert setting_of("kbapi.service", "Environment") == "KBAPI_TRUSTED_PROXIES=1"
    assert "X-Forwarded-For $remote_addr" in PROXY


def test_the_proxy_keeps_one_address_from_holding_all_threads() -> None:
    (zone,) = re.findall(
        r"^limit_conn_zone \$binary_remote_addr zone=(\w+):1m;$", PROXY, re.MULTILINE
    )
    (most,) = re.findall(rf"limit_conn {zone} (\d+);", PROXY)
    (threads,) = [one.default for one in serve_command.params if one.name == "threads"]
    assert int(most) <= threads // 2


def test_systemd_finds_nothing_wrong_with_the_units(tmp_path: Path) -> None:
    verify = [program("systemd-analyze"), "verify"]
    (tmp_path / "kbapi").write_text(f"#!{KBAPI[0]}\n")
    (tmp_path / "kbapi").chmod(0o755)
    for name, unit in UNITS.items():
        (tmp_path / name).write_text(unit.replace("/opt/kbapi/bin", str(tmp_path)))
    files = [str(tmp_path / name) for name in UNITS]
    found = subprocess.run([*verify, *files], capture_output=True, text=True)
    assert (found.returncode, found.stderr) == (0, "")
    assert len(files) == 3


COMPOSED = {
    name: composed(ROOT / "kbapi" / "server" / name)
    for name in ("compose.yaml", "compose-hosts.yaml")
}
every_example = pytest.mark.parametrize("name", COMPOSED)


def servers_of(name: str) -> list[dict[str, Any]]:
    found = [one for one in COMPOSED[name]["services"].values() if "kbapi" in one["image"]]
    assert len(found) == (2 if "hosts" in name else 1)
    return found


def test_a_field_that_the_compose_specification_lacks_is_found() -> None:
    with pytest.raises(ValueError, match="readonly"):
        PyOptions().from_yaml("services: {kbapi: {image: 'kbapi:0', readonly: true}}")


@every_example
def test_every_image_has_the_number_of_its_major_version(name: str) -> None:
    images = [one["image"] for one in COMPOSED[name]["services"].values()]
    assert [image for image in images if not re.fullmatch(r"[a-z./]+:\d+", image)] == []


@every_example
def test_servers_have_settings_that_exist_and_that_fit_each_other(name: str) -> None:
    for server in servers_of(name):
        given = {
            field.removeprefix("KBAPI_").lower(): value
            for field, value in server["environment"].items()
            if field.startswith("KBAPI_")
        }
        settings = Settings(**given)
        assert settings.trusted_proxies == 1
        assert bool(settings.database) == bool(settings.rate_storage) == ("hosts" in name)


@every_example
def test_servers_write_to_their_volume_only_and_have_time_to_answer(name: str) -> None:
    volumes = [server["volumes"] for server in servers_of(name)]
    assert all(one[0].endswith(":/data") and len(one) == 1 for one in volumes)
    assert len({one[0] for one in volumes}) == len(volumes)
    (threads,) = [one.default for one in serve_command.params if one.name == "threads"]
    for server in servers_of(name):
        assert server["read_only"]
        assert server["tmpfs"] == ["/tmp"]
        assert server["cap_drop"] == ["ALL"]
        assert int(server["stop_grace_period"].removesuffix("s")) > GRACE_S
        assert server["ulimits"]["nofile"] >= files_needed(threads)
        build = server["build"]
        assert (ROOT / "kbapi" / "server" / build["context"]).resolve() == ROOT
        assert (ROOT / build["dockerfile"]).is_file()


@every_example
def test_only_the_proxy_is_reached_from_outside(name: str) -> None:
    whole = COMPOSED[name]
    inner = {network for network, one in whole["networks"].items() if one.get("internal")}
    for service, one in whole["services"].items():
        if service != "proxy":
            assert "ports" not in one
            assert set(one["networks"]) <= inner
    assert set(whole["services"]["proxy"]["networks"]) - inner


@every_example
def test_no_secret_is_in_an_example(name: str) -> None:
    text = (ROOT / "kbapi" / "server" / name).read_text()
    assert re.findall(r"[0-9a-f]{32,}|://[^/\s]*:[^/\s]*@", text) == []
    for one in COMPOSED[name]["services"].values():
        for variable, value in one.get("environment", {}).items():
            if re.search("PASS|SECRET|KEY", variable):
                assert str(value).startswith("/run/secrets/")
                assert str(value).removeprefix("/run/secrets/") in one["secrets"]
    for secret in COMPOSED[name].get("secrets", {}).values():
        assert list(secret) == ["file"]


@every_example
def test_the_proxy_of_an_example_is_the_one_of_the_guide(name: str) -> None:
    content = COMPOSED[name]["configs"]["proxy"]["content"].replace("$$", "$")
    in_guide = {line.split("#")[0].strip() for line in PROXY.splitlines()}
    # Name, log and places are those of the host.
    own = re.compile(r"server_name|error_log|location|listen|$")
    assert [line for line in in_guide if not own.match(line) and line not in content] == []
    assert {f"{service}:8080" for service in re.findall(r"server (\w+):8080", content)} == {
        f"{service}:8080"
        for service, one in COMPOSED[name]["services"].items()
        if "kbapi" in one["image"]
    }
    assert "location = /metrics { return 404; }" in content


def test_commands_for_containers_name_what_exists() -> None:
    lines = [line for text in OF_CONTAINERS for line in text.splitlines() if "podman" in line]
    files = [name for line in lines for name in re.findall(r"-f (\S+)", line)]
    assert len(files) == 3
    assert [name for name in files if not (ROOT / name).is_file()] == []
    images = set(re.findall(r"localhost/\S+", " ".join(lines)))
    assert images == {server["image"] for name in COMPOSED for server in servers_of(name)}
    (run,) = [line for line in lines if "podman run" in line]
    assert "--read-only --tmpfs /tmp --cap-drop all" in run
    assert run.split("--volume ")[1].split()[0].endswith(":/data")


def test_the_secret_that_the_guide_makes_is_one(tmp_path: Path) -> None:
    (text,) = [text for text in OF_CONTAINERS if "token_hex" in text]
    made, installed = text.splitlines()
    subprocess.run(["bash", "-c", made], cwd=tmp_path, check=True)
    (tmp_path / "secret").chmod(int(re.findall("-m ([0-7]+)", installed)[0], 8))
    assert len(load_secret(tmp_path / "secret", is_mounted=True).value) == 32
    places = {one["file"] for one in COMPOSED["compose-hosts.yaml"]["secrets"].values()}
    assert installed.split()[-1] in places


def test_a_copy_is_restored_with_options_that_exist() -> None:
    (text,) = [text for text in OF_CONTAINERS if "litestream" in text]
    copied, restored, checked = (line.split() for line in text.splitlines())
    # tests/durability/offsite.py restores with these.
    assert copied[:2] == ["litestream", "restore"]
    assert {word for word in copied if word.startswith("-")} == {"-timestamp", "-o"}
    assert copied[copied.index("-o") + 1] == restored[2]
    for command, words in ((restore_command, restored), (check_command, checked)):
        known = {name for option in command.params for name in option.opts}
        assert words[1] == command.name
        assert {word for word in words if word.startswith("--")} <= known
