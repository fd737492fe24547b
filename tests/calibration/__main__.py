"""`python -m tests.calibration NAME [--short]`: prints what NAME measured."""

import importlib
import sys

from tests.calibration.report import print_report

NAMES = ("coverage",)


def main(arguments: list[str]) -> int:
    names = [argument for argument in arguments if argument != "--short"]
    if len(names) != 1 or names[0] not in NAMES:
        print(f"usage: python -m tests.calibration {{{','.join(NAMES)}}} [--short]")
        return 2
    module = importlib.import_module(f"tests.calibration.{names[0]}")
    command = " ".join(["python -m tests.calibration", *arguments])
    print_report(command, module.run(short="--short" in arguments))
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
