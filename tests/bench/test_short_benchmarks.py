"""The short form of the benchmarks that take seconds; `.ci/run` runs the longer ones behind it."""

import json
import subprocess
import sys

import pytest

from tests.bench.names import LONGER, NAMES


@pytest.mark.parametrize("name", [name for name in NAMES if name not in LONGER])
def test_a_benchmark_runs_and_reports_its_figures(name: str) -> None:
    run = subprocess.run(
        [sys.executable, "-m", "tests.bench", name, "--short"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert run.returncode == 0, run.stderr
    report = json.loads(run.stdout.splitlines()[-1])
    assert report["command"] == f"python -m tests.bench {name}"
    assert report["rows"]
    # A figure without a value has a note. No test checks which machine reaches a figure.
    assert all(row["value"] is not None or row["note"] for row in report["rows"])
