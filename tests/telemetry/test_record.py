import pytest

from kbapi.telemetry.record import find_sensors, record
from tests.telemetry.logs import means_of, read


@pytest.fixture
def kernel(tmp_path):
    """Files like those of a kernel, with an energy counter near its end."""
    zone = tmp_path / "class/powercap/zone:0"
    clock = tmp_path / "devices/system/cpu/cpu0/cpufreq"
    sensor = tmp_path / "class/hwmon/hwmon3"
    for folder in (zone, clock, sensor):
        folder.mkdir(parents=True)
    (zone / "name").write_text("package-0\n")
    (zone / "energy_uj").write_text("999000000\n")
    (zone / "max_energy_range_uj").write_text("1000000000\n")
    (clock / "scaling_cur_freq").write_text("3600000\n")
    (sensor / "name").write_text("coretemp\n")
    (sensor / "temp1_label").write_text("Package id 0\n")
    (sensor / "temp1_input").write_text("71000\n")
    return tmp_path


def test_sensors_are_found_by_what_the_kernel_names(kernel):
    assert [one.name for one in find_sensors(kernel)] == [
        "CPU package power [W]",
        "CPU average clock [MHz]",
        "CPU package temperature [°C]",
    ]
    assert find_sensors(kernel / "nothing") == []


def test_an_energy_counter_that_starts_again_gives_power(kernel):
    power = find_sensors(kernel)[0]
    (kernel / "class/powercap/zone:0/energy_uj").write_text("44000000\n")
    assert power.read() > 0


def test_a_recording_is_a_log_that_is_read_again(kernel, tmp_path):
    sensors = find_sensors(kernel)[1:]
    log = tmp_path / "new.csv"
    rows = record(log, sensors, 0.2, 0.001, wait=lambda _: None)
    assert rows > 3
    text = log.read_text().splitlines()
    assert text[1].split(",")[1:] == ["3600.00", "71.00"]
    log.write_text("\n".join([text[0], *(f"{place},3600.00,71.00" for place in range(100))]) + "\n")
    assert means_of(read(log)) == {"clock_mhz": 3600.0, "temp_c": 71.0}


def test_a_sensor_that_cannot_be_read_leaves_its_cell_empty(kernel, tmp_path):
    sensors = find_sensors(kernel)[1:]
    (kernel / "class/hwmon/hwmon3/temp1_input").unlink()
    record(tmp_path / "new.csv", sensors, 0.01, 0.001, wait=lambda _: None)
    assert (tmp_path / "new.csv").read_text().splitlines()[1].endswith("3600.00,")


def test_a_log_that_exists_is_not_overwritten(tmp_path):
    (tmp_path / "new.csv").write_text("mine")
    with pytest.raises(FileExistsError):
        record(tmp_path / "new.csv", [], 1.0)
