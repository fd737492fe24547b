"""Names of chips in texts like those of operating systems."""

import json
from pathlib import Path

from kbapi.cli.this_machine import (
    linux_graphics,
    linux_processors,
    macos_graphics,
    parse_pci_names,
    printed_names,
)
from kbapi.demo.members import install_catalogue
from tests.cli.command import run

CPUINFO = """processor\t: 0
vendor_id\t: NorvaneChips
cpu family\t: 6
model\t\t: 158
model name\t: Norvane(R) Sable(TM) 7 4820MX @ 2.60GHz
stepping\t: 10

processor\t: 1
cpu family\t: 6
model\t\t: 158
model name\t: Norvane(R) Sable(TM) 7 4820MX @ 2.60GHz
stepping\t: 10
"""


def test_linux_names_each_processor_with_its_numbers() -> None:
    first, second = linux_processors(CPUINFO)
    assert first == second
    assert first.text == "Norvane(R) Sable(TM) 7 4820MX @ 2.60GHz"
    assert (first.ids.family, first.ids.model, first.ids.stepping) == (6, 158, 10)


def test_a_system_without_model_names_names_no_processor() -> None:
    assert list(linux_processors("processor\t: 0\nBogoMIPS\t: 48.00\n")) == []


def a_device(folder: Path, name: str, device_class: str) -> None:
    device = folder / name
    device.mkdir(parents=True)
    (device / "class").write_text(device_class)
    (device / "vendor").write_text("0x1234\n")
    (device / "device").write_text("0x0640\n")
    (device / "revision").write_text("0xa1\n")


def test_linux_names_only_displays_among_its_devices(tmp_path: Path) -> None:
    a_device(tmp_path, "0000:01:00.0", "0x030000\n")
    a_device(tmp_path, "0000:02:00.0", "0x020000\n")
    names = parse_pci_names("1234  Osmer\n\t0640  Kestrel 640\n\t\t1111 2222  A board\n")
    (found,) = linux_graphics(tmp_path, names)
    assert found.text == "Osmer Kestrel 640"
    assert (found.ids.pci_id, found.ids.pci_revision) == ("1234:0640", "a1")
    (unnamed,) = linux_graphics(tmp_path, {})
    assert unnamed.text == "1234:0640"


def test_macos_names_displays_and_nonsense_is_no_error() -> None:
    report = json.dumps({"SPDisplaysDataType": [{"sppci_model": "Osmer Kestrel 640"}, {}, 7]})
    assert [name.text for name in macos_graphics(report)] == ["Osmer Kestrel 640"]
    for nonsense in ("", "[]", "{", '{"SPDisplaysDataType": {}}'):
        assert list(macos_graphics(nonsense)) == []


def test_the_names_of_this_machine_can_be_read() -> None:
    assert len(set(printed_names())) == len(printed_names())


def test_identify_exits_with_0_only_for_one_exact_chip() -> None:
    exact = run("identify", "Norvane(R) Sable(TM) 7 4820MX @ 2.60GHz")
    assert exact.returncode == 0
    assert "norvane-sable-7-4820mx" in exact.stdout
    unsure = run("identify", "QEMU Virtual CPU version 2.5+", "--json")
    assert unsure.returncode == 1
    assert json.loads(unsure.stdout)["names"][0]["match"] == "none"


def test_chips_are_listed_and_searched(tmp_path: Path) -> None:
    home = ["--home", str(tmp_path / "home")]
    assert run("db", "upgrade", *home).returncode == 0
    assert "ketterly" not in run("chips", *home, "--limit", "50").stdout
    install_catalogue(tmp_path / "home" / "catalogue")
    search = run("chips", "search", "ketterly drift", *home)
    assert "ketterly-drift-6-2350u" in search.stdout
    found = json.loads(run("chips", "search", "ketterli drift", "--json", *home).stdout)
    assert found["chips"][0]["line"] == "ketterly-drift"
    assert run("chips", "--limit", "900", *home).returncode == 1
