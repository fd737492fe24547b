"""`python -m tests.bench NAME [--short]`: one measurement by its name."""

import argparse
import sys
import traceback
from importlib import import_module

from tests.bench.names import LONGER, NAMES
from tests.report import print_report

parser = argparse.ArgumentParser(prog="python -m tests.bench")
parser.add_argument("name", choices=[*NAMES, "longer"], help="longer: those that tests leave out")
parser.add_argument("--short", action="store_true", help="fewer repetitions, for a quick look")
arguments = parser.parse_args()

failed = []
for name in LONGER if arguments.name == "longer" else (arguments.name,):
    # One that raises does not keep the others from their figures.
    try:
        measure = import_module(f"tests.bench.{name}").measure
        print_report(f"python -m tests.bench {name}", measure(short=arguments.short))
    except Exception:  # noqa: BLE001 - its traceback is printed, and the command fails
        traceback.print_exc()
        failed.append(name)
if failed:
    sys.exit(f"These benchmarks raised: {', '.join(failed)}")
