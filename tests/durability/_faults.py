"""A disk that fails: a file system that turns read-only by itself, and system calls that fail.

SQLite lets a program replace the system calls that it makes. So a server can be given a disk that
fails for as long as a file says so, on any machine and with either module.
"""

import os
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

_HOOK = """
import ctypes, os, sys
from kbapi.storage.sqlite.driver import dbapi2

package = dbapi2.__name__.partition(".")[0]
module = sys.modules.get("_sqlite3") or sys.modules[f"{package}._sqlite3"]
library, system = ctypes.CDLL(module.__file__), ctypes.CDLL(None, use_errno=True)


class Vfs(ctypes.Structure):
    _fields_ = [("numbers", ctypes.c_int * 3)] + [
        (name, ctypes.c_void_p)
        for name in ("next name data open delete access full dlopen dlerror dlsym dlclose random"
                     " sleep time last_error time64 set_call").split()
    ]


def mode_for(descriptor):
    with open(os.environ["DRILL_FAULT"]) as file:
        mode = file.read()
    if mode and "kbapi.sqlite3" in os.readlink(f"/proc/self/fd/{descriptor}"):
        return mode
    return ""


def replaced(name, fails_in):
    kind = ctypes.CFUNCTYPE(ctypes.c_ssize_t, ctypes.c_int, ctypes.c_void_p, ctypes.c_size_t,
                            ctypes.c_int64, use_errno=True)
    real = kind((name, system))

    def call(descriptor, buffer, size, offset):
        kind_of_call, _, number = mode_for(descriptor).partition(" ")
        if kind_of_call == fails_in:
            ctypes.set_errno(int(number))
            return -1
        return real(descriptor, buffer, size, offset)

    return kind(call)


library.sqlite3_vfs_find.restype = ctypes.POINTER(Vfs)
vfs = library.sqlite3_vfs_find(None)
set_call = ctypes.CFUNCTYPE(ctypes.c_int, ctypes.c_void_p, ctypes.c_char_p, ctypes.c_void_p)(
    vfs.contents.set_call)
KEPT = [replaced("pwrite64", "write"), replaced("pread64", "read")]
for call, names in zip(KEPT, ((b"pwrite", b"pwrite64"), (b"pread", b"pread64"))):
    assert [set_call(vfs, name, ctypes.cast(call, ctypes.c_void_p)) for name in names].count(0)
from kbapi.cli.main import main
main()
"""
FAILING_KBAPI = [sys.executable, "-c", _HOOK]
"""kbapi whose reads or writes of the database fail while the file in DRILL_FAULT says so."""


class Fault:
    """What fails now, for every process of a server that runs FAILING_KBAPI."""

    def __init__(self, file: Path) -> None:
        self.file = file
        self.end()

    def begin(self, call: str, number: int) -> None:
        """From now on each `write` or `read` fails with this errno."""
        self._put(f"{call} {number}")

    def end(self) -> None:
        """From now on all succeed."""
        self._put("")

    def _put(self, text: str) -> None:
        draft = self.file.with_suffix(".draft")
        draft.write_text(text)
        draft.replace(self.file)


@contextmanager
def a_disk_image(folder: Path) -> Iterator[Path | None]:
    """A folder on a file system of its own, in a file; None where that cannot be mounted."""
    image, mounted = folder / "image", folder / "disk"
    mounted.mkdir(parents=True)
    with image.open("wb") as file:
        file.truncate(64 << 20)
    if os.getuid() or not _mount(image, mounted):
        yield None
        return
    try:
        yield mounted
    finally:
        subprocess.run(["umount", "-l", mounted], check=True)


def _mount(image: Path, mounted: Path) -> bool:
    """Whether the file is mounted; an error in it makes the kernel refuse all writes."""
    commands = (
        ["mkfs.ext4", "-q", "-F", str(image)],
        ["mount", "-o", "loop,errors=remount-ro", str(image), str(mounted)],
    )
    try:
        done = all(
            subprocess.run(command, check=False, stderr=subprocess.DEVNULL).returncode == 0
            for command in commands
        )
    except FileNotFoundError:
        return False
    return done and _trigger(mounted).exists()


def _trigger(mounted: Path) -> Path:
    device = mounted.stat().st_dev
    name = Path(f"/sys/dev/block/{os.major(device)}:{os.minor(device)}").resolve().name
    return Path("/sys/fs/ext4", name, "trigger_fs_error")


def turn_read_only(mounted: Path) -> None:
    """Let the file system find an error in itself, as on a failing disk."""
    _trigger(mounted).write_text("1")
    deadline = time.monotonic() + 60
    while time.monotonic() < deadline:
        try:
            (mounted / "probe").write_text("1")
        except OSError:
            return
        time.sleep(0.02)
    raise AssertionError("the file system can still be written")


def _wait_until_detached(image: Path) -> None:
    deadline = time.monotonic() + 60
    while time.monotonic() < deadline:
        found = subprocess.run(["losetup", "-j", image], check=True, capture_output=True)
        if not found.stdout.strip():
            return
        time.sleep(0.02)
    raise AssertionError("a loop device still has the image")


def repair(folder: Path) -> None:
    """Check the file system of the image, and mount it again."""
    subprocess.run(["umount", "-l", folder / "disk"], check=True)
    # A lazy unmount ends when the last process that used it has ended. Until then the kernel may
    # still write old blocks, over those that the check has repaired.
    _wait_until_detached(folder / "image")
    done = subprocess.run(["e2fsck", "-fy", folder / "image"], check=False, capture_output=True)
    if done.returncode not in (0, 1):
        raise AssertionError(f"the file system was not repaired: {done.stdout.decode()}")
    options = ["mount", "-o", "loop", str(folder / "image"), str(folder / "disk")]
    subprocess.run(options, check=True)
