"""Tools of the Node world that read the API document and pages: pinned, installed here once."""

import fcntl
import hashlib
import os
import subprocess
from pathlib import Path

from tests.needs import program

FOLDER = Path(__file__).parent / "node"
_MODULES = FOLDER / "node_modules"
_INSTALLED = _MODULES / ".installed"
_QUIET = {"REDOCLY_TELEMETRY": "off", "REDOCLY_SUPPRESS_UPDATE_NOTICE": "true"}


def run_tool(name: str, *arguments: str | Path) -> subprocess.CompletedProcess[str]:
    """Exit status and output of a tool; the lock file sets its version."""
    program("node")
    _install(program("npm"))
    return subprocess.run(
        [_MODULES / ".bin" / name, *arguments],
        cwd=FOLDER,
        env={**os.environ, **_QUIET},
        capture_output=True,
        text=True,
        timeout=120,
    )


def path_of_package(name: str) -> Path:
    """The folder of a package that the lock file names."""
    _install(program("npm"))
    return _MODULES / name


def _install(npm: str) -> None:
    """Install what the lock names, once for each state of the lock."""
    with (FOLDER / "package-lock.json").open("rb") as lock:
        wanted = hashlib.sha256(lock.read()).hexdigest()
        fcntl.flock(lock, fcntl.LOCK_EX)  # several processes run tests at once
        if _INSTALLED.exists() and _INSTALLED.read_text() == wanted:
            return
        done = subprocess.run([npm, "ci"], cwd=FOLDER, capture_output=True, text=True, timeout=600)
        assert done.returncode == 0, done.stderr
        _INSTALLED.write_text(wanted)
