"""`python -m tests.bench NAME [--short]`: one measurement by its name."""

import argparse
from importlib import import_module
from pathlib import Path

from tests.report import print_report

FILES = Path(__file__).parent.glob("*.py")
NAMES = sorted(file.stem for file in FILES if not file.stem.startswith(("_", "test_")))

parser = argparse.ArgumentParser(prog="python -m tests.bench")
parser.add_argument("name", choices=NAMES)
parser.add_argument("--short", action="store_true", help="fewer repetitions, for a quick look")
arguments = parser.parse_args()

measure = import_module(f"tests.bench.{arguments.name}").measure
print_report(f"python -m tests.bench {arguments.name}", measure(short=arguments.short))
