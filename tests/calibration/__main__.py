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
parser.add_argument("--seeds", type=int, nargs=2, metavar=("FROM", "TO"), help="worlds: seeds")
parser.add_argument("--jobs", type=int, help="worlds: processes")
parser.add_argument("--part", choices=("honest", "liars"), help="worlds: one part alone")
parser.add_argument("--write", type=Path, help="worlds: a JSON file for every world's figures")
parser.add_argument("--against", type=Path, help="worlds: such a file, to compare timidity with")
arguments = parser.parse_args()

measure = import_module(f"tests.calibration.{arguments.name}").measure
asked = {name: value for name, value in vars(arguments).items() if value and name != "name"}
rows = measure(**{"short": False, **asked})
print_report(f"python -m tests.calibration {' '.join(sys.argv[1:])}", rows)
