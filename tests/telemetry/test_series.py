import numpy as np
import pytest

from kbapi.telemetry import series
from tests.telemetry.logs import HEADER, a_log, means_of, read


def with_times(log, times):
    first, *rows = log.read_text().splitlines()
    lines = [",".join([at, *row.split(",")[1:]]) for at, row in zip(times, rows, strict=True)]
    log.write_text("\n".join([first, *lines]) + "\n")
    return log


def clock(seconds):
    return f"{seconds // 3600 % 24:02}:{seconds // 60 % 60:02}:{seconds % 60:02}"


def test_a_log_goes_on_after_midnight(tmp_path):
    times = [clock(86_340 + place) for place in range(200)]
    log = read(with_times(a_log(tmp_path, ("Time", *HEADER[1:])), times)).log
    assert np.diff(log.seconds).tolist() == [1.0] * 199
    assert "The log goes on after midnight." in log.notes


def test_a_clock_that_is_set_back_does_not_undo_time(tmp_path):
    times = [clock(40_000 + place - 3_600 * (place >= 100)) for place in range(200)]
    log = read(with_times(a_log(tmp_path, ("Time", *HEADER[1:])), times)).log
    assert np.diff(log.seconds).tolist() == [1.0] * 199
    assert any("set back" in note for note in log.notes)


def test_a_clock_of_twelve_hours_without_marks_goes_on(tmp_path):
    times = [clock(46_700 + place - 43_200 * (place >= 100)) for place in range(200)]
    log = read(with_times(a_log(tmp_path, ("Time", *HEADER[1:])), times)).log
    assert np.diff(log.seconds).min() > 0
    assert log.seconds[-1] < 300


def test_gaps_are_counted_and_kept(tmp_path):
    times = [str(place + 60 * (place >= 100)) for place in range(200)]
    log = read(with_times(a_log(tmp_path), times)).log
    assert (log.gaps, log.seconds[-1]) == (1, 259.0)


def test_absent_sensors_are_left_out_before_rows_are_averaged(tmp_path, monkeypatch):
    monkeypatch.setattr(series, "_MOST_POINTS", 64)
    changes = dict.fromkeys(range(1, 2_000, 2), (45.0, 3600.0, 255))
    reading = read(a_log(tmp_path, changes=changes, rows=2_000))
    assert reading.log.rows_of_a_point > 1
    assert means_of(reading)["temp_c"] == 71.0
    assert reading.summaries["temp_c"].highest == 71.0


@pytest.mark.parametrize("rows", [63, 64, 65, 1_000, 4_097, 10_001])
def test_averaged_rows_keep_mean_and_highest(tmp_path, monkeypatch, rows):
    monkeypatch.setattr(series, "_MOST_POINTS", 64)
    changes = {place: (45.0 + place % 7, 3600.0, 71.0) for place in range(rows)}
    one = read(a_log(tmp_path, changes=changes, rows=rows)).log
    assert one.rows == rows
    assert len(one.seconds) <= 65
    assert one.series["power_w"].highest.max() == 51.0
    truth = np.mean([45.0 + place % 7 for place in range(rows)])
    assert one.series["power_w"].values.mean() == pytest.approx(truth, rel=0.01)


def test_throttling_is_a_share_of_time_for_each_reason(tmp_path):
    header = (*HEADER, "Thermal throttling", "Power limit throttling [%]")
    changes = dict.fromkeys(range(150, 200), (45.0, 3600.0, 71.0, "Yes", 50))
    reading = read(a_log(tmp_path, header, changes, usual=(45.0, 3600.0, 71.0, "No", 0)))
    assert reading.throttled["thermal"] == 0.25
    assert reading.throttled["long_term_power"] == 0.125
