from pathlib import Path

import numpy as np
import pytest

from tests.telemetry.logs import HEADER, a_log, means_of, questions_of, read

IDLE = (6.0, 1100.0, 42.0)


def changes(*parts: tuple[int, int], idle: tuple = IDLE) -> dict:
    return {place: idle for begin, end in parts for place in range(begin, end)}


def test_idle_time_before_and_after_is_cut(tmp_path):
    reading = read(a_log(tmp_path, changes=changes((0, 50), (450, 500)), rows=500))
    assert (reading.phase.begins_s, reading.phase.ends_s) == (50.0, 449.0)
    assert reading.phase.by == "power_w"
    assert means_of(reading)["power_w"] == 45.0


def test_the_longest_of_two_loads_is_taken_and_said(tmp_path):
    parts = changes((0, 30), (130, 200), (500, 550))
    reading = read(a_log(tmp_path, changes=parts, rows=550))
    assert (reading.phase.begins_s, reading.phase.ends_s) == (200.0, 499.0)
    assert "2 load phases; the longest is taken." in reading.log.notes


def test_a_short_dip_is_part_of_the_load(tmp_path):
    reading = read(a_log(tmp_path, changes=changes((0, 50), (200, 208)), rows=500))
    assert (reading.phase.begins_s, reading.phase.ends_s) == (50.0, 499.0)


@pytest.mark.parametrize("missing", ["", "N/A", -650788984])
def test_a_missing_number_is_no_dip(tmp_path, missing):
    parts = changes((0, 50)) | dict.fromkeys(range(200, 230), (missing, 3600.0, 71.0))
    reading = read(a_log(tmp_path, changes=parts, rows=500))
    assert reading.phase.others == 0
    assert reading.phase.ends_s == 499.0


def test_warm_up_and_boost_are_cut(tmp_path):
    parts = {}
    for place in range(600):
        heat = 71 - 29 * np.exp(-place / 30)
        parts[place] = (45.0 * (1.2 if place < 28 else 1), 3600.0, f"{heat:.3f}")
    reading = read(a_log(tmp_path, changes=parts, rows=600))
    assert 60 <= reading.phase.warm_up_s <= 200
    assert reading.phase.is_level
    assert means_of(reading)["power_w"] == pytest.approx(45.0, rel=1e-3)
    assert means_of(reading)["temp_c"] == pytest.approx(71.0, rel=5e-3)


def test_values_that_never_become_level_are_said(tmp_path):
    parts = {place: (45.0, 3600.0, 45 + place * 0.05) for place in range(600)}
    assert not read(a_log(tmp_path, changes=parts, rows=600)).phase.is_level


def test_idle_time_alone_gives_a_question_and_no_reading(tmp_path):
    reading = read(a_log(tmp_path, usual=IDLE, rows=300))
    assert reading.summaries == {}
    assert "--whole" in questions_of(reading)["load"]


def test_usage_tells_idle_time_whatever_the_temperature(tmp_path):
    header = (*HEADER, "CPU usage [%]")
    idle = read(a_log(tmp_path, header, usual=(6.0, 1100.0, 60.0, 4)))
    assert "works 4 % of the time" in questions_of(idle)["load"]
    load = read(a_log(tmp_path, header, usual=(45.0, 3600.0, 45.0, 99)))
    assert load.questions == []


def test_a_blip_is_no_load(tmp_path):
    parts = changes((0, 100), (120, 300))
    assert "No load lasts" in questions_of(read(a_log(tmp_path, changes=parts, rows=300)))["load"]


def test_without_power_the_clock_ends_the_load_before_the_chip_cools(tmp_path):
    header = (HEADER[0], *HEADER[2:])
    parts = {}
    for place in range(400):
        heat = 71.0 if place < 300 else 42 + 29 * np.exp(-(place - 300) / 30)
        parts[place] = (3600.0 if 30 <= place < 300 else 1100.0, f"{heat:.2f}")
    reading = read(a_log(tmp_path, header, parts, rows=400))
    assert reading.phase.ends_s == 299.0
    only_heat = tmp_path / "heat.csv"
    _keep_columns(a_log(tmp_path, header, parts, rows=400), only_heat, (0, 2))
    assert read(only_heat).phase.ends_s <= 303.0


def _keep_columns(log: Path, to: Path, places: tuple[int, ...]) -> None:
    rows = [line.split(",") for line in log.read_text().splitlines()]
    to.write_text("".join(",".join(row[place] for place in places) + "\n" for row in rows))
