"""Units are decided on rows of the whole log: a wrong or absent one is a question, not a guess."""

import pytest

from tests.telemetry.logs import HEADER, a_log, means_of, questions_of, read

NO_UNITS = ("Time", "CPU package power", "CPU effective clock", "CPU temperature")


def test_without_units_the_only_possible_one_is_taken_and_said(tmp_path):
    reading = read(a_log(tmp_path, NO_UNITS, usual=(45_000, 3.6, 71.0)))
    assert means_of(reading) == {"power_w": 45.0, "clock_mhz": 3600.0, "temp_c": 71.0}
    assert "only ghz gives possible numbers" in reading.summaries["clock_mhz"].recognised_by


@pytest.mark.parametrize(
    ("usual", "quantity", "hint"),
    [
        ((45.0, 3600.0, 190.0), "temp_c", ":°f"),  # Fahrenheit under a Celsius label
        ((45.0, 3.6, 71.0), "clock_mhz", ":ghz"),
        ((45_000, 3600.0, 71.0), "power_w", ":mw"),
        ((45.0, 2_400_085_000, 71.0), "clock_mhz", ":hz"),
        ((45.0, 3600.0, 3440.0), "temp_c", ":dk"),  # tenths of a kelvin
    ],
)
def test_numbers_that_the_written_unit_makes_impossible_are_asked_about(
    tmp_path, usual, quantity, hint
):
    reading = read(a_log(tmp_path, usual=usual))
    assert quantity not in reading.summaries
    assert hint in questions_of(reading)[quantity]


def test_idle_time_does_not_hide_fahrenheit(tmp_path):
    idle = dict.fromkeys(range(150), (6.0, 1100.0, 113.0))
    reading = read(a_log(tmp_path, usual=(45.0, 3600.0, 190.0), changes=idle, rows=300))
    assert "°f" in questions_of(reading)["temp_c"]


def test_an_answer_to_the_question_is_taken(tmp_path):
    log = a_log(tmp_path, usual=(45.0, 3600.0, 190.0))
    reading = read(log, temp_c="CPU temperature [°C]:°F")
    assert means_of(reading)["temp_c"] == pytest.approx(87.78, abs=0.01)
    assert reading.questions == []


def test_a_constant_that_firmware_reports_is_no_sensor(tmp_path):
    for constant in (27.85, 16.85):
        reading = read(a_log(tmp_path, usual=(45.0, 3600.0, constant)))
        assert "temp_c" not in reading.summaries
        assert any("no sensor measures it" in note for note in reading.log.notes)


def test_reserved_numbers_and_garbage_are_missing(tmp_path):
    wrong = (-128, 0, 511, 65535, 255, 3892313987, -650788984, " ", "")
    changes = {20 * place: (45.0, 3600.0, value) for place, value in enumerate(wrong, 1)}
    summary = read(a_log(tmp_path, changes=changes)).summaries["temp_c"]
    assert (summary.mean, summary.highest) == (71.0, 71.0)
    assert summary.points == 200 - len(wrong)
    assert summary.left_out["a number of an absent sensor"] == 4
    assert summary.left_out["outside the possible range"] == 3


def test_a_sensor_that_appears_late_counts_from_its_first_value(tmp_path):
    late = {0: (45.0, 3600.0, "N/A"), **dict.fromkeys(range(1, 50), (45.0, 3600.0, 0))}
    assert means_of(read(a_log(tmp_path, changes=late)))["temp_c"] == 71.0


def test_clocks_of_zero_while_cores_are_off_are_missing(tmp_path):
    off = dict.fromkeys(range(0, 200, 3), (45.0, 0, 71.0))
    assert means_of(read(a_log(tmp_path, changes=off)))["clock_mhz"] == 3600.0


def test_units_in_cells_may_differ_from_row_to_row(tmp_path):
    header = ("Time", "CPU power", "CPU clock", "CPU temp")
    changes = dict.fromkeys(range(0, 200, 3), ("45000 mW", "3.6 GHz", "159.8 °F"))
    log = a_log(tmp_path, header, changes, usual=("45 W", "3600 MHz", "71 °C"))
    assert means_of(read(log)) == {"power_w": 45.0, "clock_mhz": 3600.0, "temp_c": 71.0}


def test_thousands_are_told_from_decimals_by_what_is_possible(tmp_path):
    for power, clock in (("45,123", "3,600"), ("45.123", "3.600")):
        log = a_log(tmp_path, usual=(power, clock, "71"), delimiter=";")
        assert means_of(read(log)) == {"power_w": 45.123, "clock_mhz": 3.6e3, "temp_c": 71.0} or (
            "clock_mhz" in questions_of(read(log)) or "power_w" in questions_of(read(log))
        )


def test_thousands_without_decimals_are_no_decimals(tmp_path):
    log = a_log(tmp_path, usual=("45", "3.600", "71"), delimiter=";")
    assert means_of(read(log)) == {"power_w": 45.0, "clock_mhz": 3600.0, "temp_c": 71.0}


def test_columns_that_differ_are_asked_about_and_equal_ones_are_not(tmp_path):
    header = (HEADER[0], "CPU power A [W]", "CPU power B [W]", HEADER[3])
    different = read(a_log(tmp_path, header, usual=(45.0, 52.0, 71.0)))
    assert different.questions[0].columns == header[1:3]
    assert "power_w" not in different.summaries
    same = read(a_log(tmp_path, header, usual=(45.0, 45.01, 71.0)))
    assert same.summaries["power_w"].mean == 45.0
    assert any("tells the same" in note for note in same.log.notes)


def test_a_name_that_tells_nothing_is_asked_about(tmp_path):
    reading = read(a_log(tmp_path, (*NO_UNITS[:3], "CPU package")))
    assert "temp_c" in questions_of(reading)


def test_cores_are_averaged_and_the_hottest_is_the_highest(tmp_path):
    header = ("Time [s]", *(f"CPU core {core} temp [°C]" for core in range(8)))
    reading = read(a_log(tmp_path, header, usual=range(70, 78)))
    summary = reading.summaries["temp_c"]
    assert (summary.mean, summary.highest) == (73.5, 77.0)
    assert reading.log.series["temp_c"].scope == "core_average"


def test_the_power_of_cores_is_added(tmp_path):
    header = ("Time [s]", *(f"Core {core} power [W]" for core in range(4)))
    reading = read(a_log(tmp_path, header, usual=(8.0, 9.0, 10.0, 11.0)))
    assert reading.log.series["power_w"].values[0] == 38.0
    assert reading.log.series["power_w"].scope == "core"


@pytest.mark.parametrize(
    ("name", "cell", "interval_s"),
    [
        ("Time", lambda place: str(1_795_000_000_000 + 500 * place), 0.5),
        ("Time", lambda place: str(500 * place), 0.5),
        ("Time [ms]", lambda place: str(2 * place), 0.002),
        ("Time", lambda place: str(60 * place), 60.0),
        ("Time", lambda place: f"{46_000 + place / 86_400:.8f}", 1.0),
        ("Time", lambda place: f"11/{29 + place // 100}/2026 {place // 60:02}:00:00", None),
    ],
)
def test_what_a_number_of_time_counts_is_found(tmp_path, name, cell, interval_s):
    log = a_log(tmp_path, (name, *HEADER[1:]))
    first, *rows = log.read_text().splitlines()
    lines = [",".join([cell(place), *row.split(",")[1:]]) for place, row in enumerate(rows)]
    log.write_text("\n".join([first, *lines]) + "\n")
    reading = read(log)
    if interval_s is not None:
        assert reading.log.interval_s == pytest.approx(interval_s, rel=1e-3)
    assert "time" not in questions_of(reading)


def test_dates_whose_order_is_open_are_read_so_that_days_are_near(tmp_path):
    log = a_log(tmp_path, ("Date", *HEADER[1:]))
    first, *rows = log.read_text().splitlines()
    times = [f"03/0{4 + place // 100}/2026 23:{59 * (place < 100):02}:{place % 60:02}" for place in
             range(200)]  # fmt: skip
    lines = [",".join([at, *row.split(",")[1:]]) for at, row in zip(times, rows, strict=True)]
    log.write_text("\n".join([first, *lines]) + "\n")
    assert read(log).log.seconds[-1] < 3 * 86_400


def test_without_a_time_it_is_asked_for(tmp_path):
    reading = read(a_log(tmp_path, ("Row", *HEADER[1:])))
    assert "time" in questions_of(reading)
    assert reading.log.interval_s == 1.0
