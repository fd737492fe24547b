"""Programs that tests start and no Python package brings: where one is missing, what to do."""

import os
import shutil
from typing import Final

import pytest

DEBIAN_PACKAGES: Final = {
    "chromium-headless-shell": "chromium-headless-shell",
    "curl": "curl",
    "node": "nodejs",
    "npm": "npm",
    "pgbouncer": "pgbouncer",
    "postgres": "postgresql",
    "redis-server": "redis-server",
    "systemd-analyze": "systemd",
}
"""What brings each program."""


def program(name: str) -> str:
    """The path of a program; without it the test is skipped, and in CI it fails."""
    found = shutil.which(name)
    if found is None:
        advice = f"apt-get install --no-install-recommends {DEBIAN_PACKAGES[name]}"
        missing = f"{name} is not on this machine: {advice}"
        if os.environ.get("CI"):
            pytest.fail(missing, pytrace=False)
        pytest.skip(missing)
    return found
