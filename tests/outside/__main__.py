"""`python -m tests.outside NAME [--long]`: one way to try the service from outside, by its name."""

import argparse
from importlib import import_module
from pathlib import Path

from tests.report import print_report

NAMES = sorted(
    file.stem for file in Path(__file__).parent.glob("*.py") if "\ndef measure(" in file.read_text()
)

parser = argparse.ArgumentParser(prog="python -m tests.outside")
parser.add_argument("name", choices=NAMES)
parser.add_argument("--long", action="store_true", help="many more tries than the tests take")
arguments = parser.parse_args()

measure = import_module(f"tests.outside.{arguments.name}").measure
print_report(f"python -m tests.outside {arguments.name}", measure(short=not arguments.long))
