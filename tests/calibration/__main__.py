"""`python -m tests.calibration NAME [--short]`: one calibration by its name."""

import argparse
from importlib import import_module
from pathlib import Path

from tests.report import print_report

SCENERY = {"testers"}
NAMES = sorted(
    path.stem
    for path in Path(__file__).parent.glob("*.py")
    if not path.stem.startswith("_") and path.stem not in SCENERY
)

parser = argparse.ArgumentParser(prog="python -m tests.calibration")
parser.add_argument("name", choices=NAMES)
parser.add_argument("--short", action="store_true", help="fewer runs and sizes, for a quick look")
arguments = parser.parse_args()

measure = import_module(f"tests.calibration.{arguments.name}").measure
print_report(f"python -m tests.calibration {arguments.name}", measure(short=arguments.short))
