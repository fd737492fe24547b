"""`python -m tests.durability NAME [--short]`: one way to lose something, tried by its name."""

import argparse
from importlib import import_module
from pathlib import Path

from tests.report import print_report

FILES = Path(__file__).parent.glob("*.py")
NAMES = sorted(file.stem for file in FILES if not file.stem.startswith(("_", "test_")))

parser = argparse.ArgumentParser(prog="python -m tests.durability")
parser.add_argument("name", choices=NAMES)
parser.add_argument("--short", action="store_true", help="fewer rounds, for a quick look")
arguments = parser.parse_args()

measure = import_module(f"tests.durability.{arguments.name}").measure
print_report(f"python -m tests.durability {arguments.name}", measure(short=arguments.short))
