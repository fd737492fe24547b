"""The units and the proxy that the guides show fit the server and its settings."""

import re
import subprocess
from pathlib import Path

from kbapi.cli.serve import serve_command
from kbapi.server.serve import GRACE_S, files_needed
from kbapi.settings import Settings
from tests.house.texts import BLOCKS
from tests.needs import program
from tests.system.server import KBAPI

UNITS = {
    Path(block.text.split()[1].rstrip(",;")).name: block.text
    for block in BLOCKS
    if block.language == "ini"
}
(PROXY,) = (block.text for block in BLOCKS if block.language == "nginx")


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
