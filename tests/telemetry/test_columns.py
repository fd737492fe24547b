import pytest

from kbapi.telemetry.columns import recognise
from kbapi.telemetry.log_file import Layout


def chosen(*header: str, graphics: bool = False) -> dict[str, list[str]]:
    layout = Layout("utf-8", ",", ".", header, ("",) * len(header), 1)
    found = recognise(layout, {}, graphics=graphics)
    return {quantity: [one.name for one in groups[0]] for quantity, groups in found.items()}


def test_the_power_of_the_package_is_surer_than_that_of_cores_wall_and_memory():
    header = ("Wall power [W]", "Cores power [W]", "DRAM power [W]", "Package power [W]")
    assert chosen(*header)["power_w"] == ["Package power [W]"]


def test_a_limit_is_no_power_draw():
    found = chosen("CPU power limit [W]", "CPU power [W]")
    assert found == {"power_cap_w": ["CPU power limit [W]"], "power_w": ["CPU power [W]"]}


def test_cores_that_differ_in_a_number_are_taken_together():
    header = [f"Core {number} clock [MHz]" for number in range(8)]
    assert chosen(*header)["clock_mhz"] == header


def test_a_reached_clock_is_surer_than_a_requested_one():
    found = chosen("CPU clock [MHz]", "CPU effective clock [MHz]")
    assert found["clock_mhz"] == ["CPU effective clock [MHz]"]


@pytest.mark.parametrize(
    "name",
    ["SSD temperature [°C]", "Coolant temp [°C]", "Memory clock [MHz]", "Fan [RPM]", "Vcore [V]"],
)
def test_other_parts_are_no_quantity_of_the_chip(name):
    assert chosen(name) == {}


def test_graphics_are_read_only_when_asked_for():
    header = ("GPU power [W]", "CPU power [W]", "GPU temperature [°C]")
    assert chosen(*header)["power_w"] == ["CPU power [W]"]
    assert chosen(*header, graphics=True) == {
        "power_w": ["GPU power [W]"],
        "temp_c": ["GPU temperature [°C]"],
    }


def test_a_name_that_no_column_has_is_an_error():
    layout = Layout("utf-8", ",", ".", ("Time", "Power"), ("", ""), 1)
    with pytest.raises(LookupError, match="Watts"):
        recognise(layout, {"power_w": "Watts"})
