"""Tests as a user to whom files can be closed: the super-user may open them all."""

import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

NOBODY = 65_534


@contextmanager
def a_shared_folder() -> Iterator[Path]:
    """An empty folder that every user can reach, which pytest's own are not."""
    folder = Path(tempfile.mkdtemp(prefix="kbapi-test-"))
    folder.chmod(0o755)
    try:
        yield folder
    finally:
        shutil.rmtree(folder)


@contextmanager
def as_a_plain_user(folder: Path) -> Iterator[None]:
    """Runs as a plain user: this one, or for root `nobody`, which then owns this folder."""
    if os.geteuid():
        yield
        return
    for path in (folder, *folder.rglob("*")):
        os.chown(path, NOBODY, NOBODY)
    os.setresuid(NOBODY, NOBODY, 0)
    try:
        yield
    finally:
        os.setresuid(0, 0, 0)
