"""The short form of the benchmarks that take seconds; `.ci/run` runs the longer ones behind it."""

import json
import runpy
import subprocess
import sys
from types import SimpleNamespace

import pytest

from tests.bench import names
from tests.bench.names import LONGER, NAMES
from tests.report import measured


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


def test_a_benchmark_that_raises_is_reported_after_the_others_ran(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def breaks(*, short: bool) -> None:
        raise ZeroDivisionError(f"in the {'short' if short else 'long'} form")

    def works(*, short: bool) -> list:
        return [measured("one", 1.0, "count", "== 1")]

    monkeypatch.setattr(names, "LONGER", ("access", "batch"))
    monkeypatch.setitem(sys.modules, "tests.bench.access", SimpleNamespace(measure=breaks))
    monkeypatch.setitem(sys.modules, "tests.bench.batch", SimpleNamespace(measure=works))
    monkeypatch.setattr(sys, "argv", ["tests.bench", "longer", "--short"])
    with pytest.raises(SystemExit) as ended:
        runpy.run_module("tests.bench", run_name="__main__")
    assert ended.value.code == "These benchmarks raised: access"
    printed = capsys.readouterr()
    assert "Traceback" in printed.err
    assert "in breaks" in printed.err
    assert printed.err.endswith("ZeroDivisionError: in the short form\n")
    assert json.loads(printed.out.splitlines()[-1])["command"] == "python -m tests.bench batch"
