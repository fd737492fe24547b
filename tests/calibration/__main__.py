"""`python -m tests.calibration NAME [--short]`: one calibration by its name."""

import argparse
import sys
from importlib import import_module
from pathlib import Path

from tests.report import print_report

SCENERY = {"testers"}
NAMES = sorted(
    path.stem
    for path in Path(__file__).parent.glob("*.py")
    if not path.stem.startswith(("_", "test_")) and path.stem not in SCENERY
)

parser = argparse.ArgumentParser(prog="python -m tests.calibration")
parser.add_argument("name", choices=NAMES)
parser.add_argument("--short", action="store_true", help="fewer runs and sizes, for a quick look")
parser.add_argument("--runs", type=int, help="runs a cell, where a calibration has cells")
arguments = parser.parse_args()

measure = import_module(f"tests.calibration.{arguments.name}").measure
asked = {"runs": arguments.runs} if arguments.runs else {}
rows = measure(short=arguments.short, **asked)
print_report(f"python -m tests.calibration {' '.join(sys.argv[1:])}", rows)
