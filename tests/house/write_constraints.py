"""`python -m tests.house.write_constraints` locks the newest versions that the ranges allow.

They are resolved for the oldest Python that is supported, in an environment of its own, and must
lie ready as wheels for each newer one: one list holds for all.
"""

import subprocess
import sys
import tempfile
import tomllib
import venv
from pathlib import Path
from typing import Final

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT: Final = Path(__file__).parents[2]
PROJECT: Final = tomllib.loads((ROOT / "pyproject.toml").read_text())
LOCK: Final = ROOT / "tests" / "constraints.txt"
HEAD: Final = "# Written by `python -m tests.house.write_constraints`: do not edit.\n"
_MARK: Final = "Programming Language :: Python :: 3."
PYTHONS: Final = sorted(
    (3, int(line.removeprefix(_MARK)))
    for line in PROJECT["project"]["classifiers"]
    if line.startswith(_MARK) and line.removeprefix(_MARK).isdigit()
)
"""The supported ones, oldest first."""


MARKERS: Final = {
    canonicalize_name(needed.name): f"; {needed.marker}"
    for needed in map(Requirement, PROJECT["project"]["dependencies"])
    if needed.marker is not None
}
"""Where a distribution is installed at all: elsewhere it has no wheel, and kbapi does without."""


def locked() -> dict[str, str]:
    """The version of each distribution in the lock, by its canonical name."""
    lines = LOCK.read_text().removeprefix(HEAD).splitlines()
    return dict(line.partition(";")[0].split("==") for line in lines)


def resolved(folder: Path) -> str:
    """The newest versions that fit together, as lines of the lock."""
    venv.create(folder, with_pip=True)
    pip = [str(folder / "bin" / "pip"), "--quiet"]
    subprocess.run([*pip, "install", "--editable", f"{ROOT}[dev]"], check=True)
    frozen = subprocess.run(
        [*pip, "freeze", "--exclude-editable"], check=True, capture_output=True, text=True
    )
    lines = (line.split("==") for line in frozen.stdout.splitlines())
    names = sorted((canonicalize_name(name), version) for name, version in lines)
    return HEAD + "".join(f"{name}=={version}{MARKERS.get(name, '')}\n" for name, version in names)


def require_wheels(lock: Path, python: tuple[int, int], folder: Path) -> None:
    """End with the message of pip where a locked version has no wheel for a Python."""
    command = [sys.executable, "-m", "pip", "--quiet", "install", "--dry-run", "--no-deps"]
    command += ["--ignore-installed", "--only-binary=:all:", "--target", str(folder)]
    command += ["--python-version", "{}.{}".format(*python), "--requirement", str(lock)]
    subprocess.run(command, check=True)


def main() -> None:
    if sys.version_info[:2] != PYTHONS[0]:
        sys.exit("Run this with Python {}.{}: newer ones may allow more.".format(*PYTHONS[0]))
    with tempfile.TemporaryDirectory() as folder:
        lock = Path(folder) / LOCK.name
        lock.write_text(resolved(Path(folder) / "venv"))
        for python in PYTHONS:
            require_wheels(lock, python, Path(folder) / "site")
        LOCK.write_text(lock.read_text())


if __name__ == "__main__":
    main()
