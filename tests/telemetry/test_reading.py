import subprocess
import sys

import numpy as np
import pytest

from kbapi.telemetry.reading import effective_points, report, to_wire
from tests.telemetry.logs import a_log, read


def test_autocorrelation_lowers_the_number_of_effective_points():
    rng = np.random.default_rng(4)
    values, now = np.zeros(20_000), 0.0
    for place, step in enumerate(rng.normal(size=len(values))):
        now = 0.8 * now + step
        values[place] = now
    # Of a first-order process: n (1 - r) / (1 + r).
    assert effective_points(values) == pytest.approx(20_000 / 9, rel=0.15)
    assert effective_points(rng.normal(size=20_000)) == pytest.approx(20_000, rel=0.1)
    assert effective_points(np.ones(50)) == 50


def test_energy_is_that_of_the_phase(tmp_path):
    assert read(a_log(tmp_path)).energy_j == 45.0 * 199


def test_several_runs_are_one_reading(tmp_path):
    runs = [
        read(a_log(tmp_path, usual=(power, 3600.0, 71.0), name=f"{power}.csv"))
        for power in (44.0, 46.0)
    ]
    wire = to_wire(runs, "stock", "all_core", (41.2, "jobs_per_h"))
    assert wire == {
        "state": "stock",
        "load": "all_core",
        "runs": 2,
        "runs_summary": "mean",
        "minutes": 3.3167,
        "power_w": 45.0,
        "clock_mhz": 3600.0,
        "temp_avg_c": 71.0,
        "power_scope": "package",
        "clock_kind": "effective",
        "clock_spread_mhz": 0.0,
        "temp_max_c": 71.0,
        "temp_sensor": "package",
        "performance": 41.2,
        "performance_unit": "jobs_per_h",
    }


def test_a_quantity_of_another_sensor_in_one_run_is_left_out(tmp_path):
    wall = ("Time [s]", "Wall power [W]", "CPU clock [MHz]", "CPU temperature [°C]")
    runs = read(a_log(tmp_path)), read(a_log(tmp_path, wall, name="wall.csv"))
    assert "power_w" not in to_wire(runs, "stock", "all_core")


def test_the_report_names_everything_that_was_left_out(tmp_path):
    log = a_log(tmp_path, changes={5: (45.0, 3600.0, 255)})
    log.write_text(log.read_text() + "Average,1,1,1\n")
    described = report(read(log))
    assert described["rows_left_out"] == {"has no time": 1}
    assert described["lines_left_out"] == [(202, "has no time")]
    assert described["quantities"]["temp_c"]["left_out"] == {"a number of an absent sensor": 1}


def test_logs_are_read_without_modules_of_one_system(tmp_path):
    log = a_log(tmp_path)
    code = (
        "import sys\n"
        "for name in ('fcntl', 'pwd', 'grp', 'resource', 'termios'):\n"
        "    sys.modules[name] = None\n"
        "from pathlib import Path\n"
        "import kbapi.telemetry.record\n"
        "from kbapi.telemetry.before_after import compare\n"
        "from kbapi.telemetry.reading import read_reading\n"
        "from kbapi.pages.pictures.runs import chart_of_runs, picture_of_runs\n"
        "run = read_reading(Path(sys.argv[1]), {})\n"
        "result = compare([run], [run])\n"
        "picture = picture_of_runs(chart_of_runs(result, [run], [run]), 'light', 'page', 1)\n"
        "print(run.summaries['power_w'].mean, picture[1:4].decode(), result.sentence)\n"
    )
    run = subprocess.run(
        [sys.executable, "-c", code, str(log)], capture_output=True, text=True, check=False
    )
    assert run.returncode == 0, run.stderr
    assert run.stdout.startswith("45.0 PNG Power: 45 at stock, 45 tuned")
