"""The bodies of requests, and the memory that large ones may take at once."""

from pathlib import Path
from threading import Lock
from typing import Final

from flask import Flask, current_app, g, request

from kbapi.errors import BodyTooLarge, Overloaded
from kbapi.settings import Settings

_MIB: Final = 1 << 20
LARGE_BYTES: Final = 32_768
"""A larger body counts as large; nearly every single result is smaller."""
_BYTES_FOR_EACH: Final = 40
"""Memory for each byte of a document while it is read, measured with the worst texts."""
_MOST_OF_ITEM_BYTES: Final = 48 * _MIB
"""Memory for the item of a batch that is being read; the rest of its body is kept once."""
_PIECE_BYTES: Final = 262_144

_PROGRAM_MIB: Final = 256
"""Memory of a server with two workers without large bodies."""
_USUAL_MIB: Final = 256
_LEAST_MIB: Final = 64


def memory_limit(
    cgroups: Path = Path("/sys/fs/cgroup"), own: Path = Path("/proc/self/cgroup")
) -> int | None:
    """The memory limit of the container or service in bytes, or None without one."""
    limits = []
    for file in _limit_files(cgroups, own):
        try:
            text = file.read_text().strip()
        except OSError:
            continue
        # "max" is no limit, and neither is the largest number of the older kind.
        if text.isdigit() and int(text) < 1 << 60:
            limits.append(int(text))
    return min(limits, default=None)


def _limit_files(cgroups: Path, own: Path) -> list[Path]:
    """The files of the process's groups, of the present and of the older kind."""
    files = []
    for line in own.read_text().splitlines() if own.exists() else ():
        _, controllers, group = line.split(":", 2)
        if controllers == "":
            root, name = cgroups, "memory.max"
        elif "memory" in controllers.split(","):
            root, name = cgroups / "memory", "memory.limit_in_bytes"
        else:
            continue
        # The parents limit as well. In a container the path may be that of the host.
        place = root / group.lstrip("/")
        above = [folder for folder in place.parents if folder.is_relative_to(root)]
        files += [folder / name for folder in (place, *above)]
    return files


def body_memory_mib(settings: Settings, workers: int, limit_bytes: int | None) -> int:
    """The memory for large bodies in each worker: the setting, else a share of the limit.

    >>> body_memory_mib(Settings(), 2, None), body_memory_mib(Settings(), 2, 1 << 30)
    (128, 192)
    """
    if settings.body_memory_mib:
        return settings.body_memory_mib
    if limit_bytes is None:
        return _USUAL_MIB // workers
    return max(_LEAST_MIB, (limit_bytes // _MIB - _PROGRAM_MIB) // 2) // workers


class BodyMemory:
    """The memory that the large bodies of one process take at present."""

    def __init__(self, most_bytes: int) -> None:
        self._most_bytes = most_bytes
        self._lock = Lock()
        self._in_use = 0

    def take(self, size: int) -> int:
        """The memory that is now taken for a body of this size, in bytes.

        One body is read in any case, however little memory there is.

        Raises
        ------
        Overloaded
            When it does not fit beside the bodies that are read at present.
        """
        needed = min(_BYTES_FOR_EACH * size, size + _MOST_OF_ITEM_BYTES)
        with self._lock:
            if self._in_use and self._in_use + needed > self._most_bytes:
                raise Overloaded(
                    "The server is reading as many large bodies as its memory allows. Nothing was "
                    "stored. Wait the number of seconds in Retry-After, then try again."
                )
            self._in_use += needed
        return needed

    def give_back(self, taken: int) -> None:
        """Release the memory of a body."""
        with self._lock:
            self._in_use -= taken


def limit_bodies(app: Flask, most_bytes: int) -> None:
    """Let the large bodies of the app take so much memory at once."""
    memory = BodyMemory(most_bytes)
    app.extensions["kbapi_body_memory"] = memory

    @app.teardown_request
    def give_back(_: BaseException | None) -> None:
        memory.give_back(g.pop("body_memory", 0))


def sent_body() -> bytes:
    """The whole body of this request, as it was sent.

    Raises
    ------
    BodyTooLarge
        When it is longer than what is read; a Content-Length is checked before.
    Overloaded
        When other large bodies take the memory: before this one is read, or as soon as a body in
        chunks turns out to be large.
    """
    stream, most = request.stream, request.max_content_length
    length = request.content_length
    if length is not None and length > LARGE_BYTES:
        _take(length)
    pieces: list[bytes] = []
    size = 0
    while piece := stream.read(_PIECE_BYTES):
        pieces.append(piece)
        size += len(piece)
        if length is None and size > LARGE_BYTES and "body_memory" not in g:
            _take(most or size)
    # The framework reads chunks up to the limit and drops the rest without an error.
    if most is not None and size >= most and request.environ["wsgi.input"].read(1):
        raise BodyTooLarge
    return b"".join(pieces)


def _take(size: int) -> None:
    memory: BodyMemory = current_app.extensions["kbapi_body_memory"]
    g.body_memory = memory.take(size)
