"""The check of a write-ahead log: each of its frames has a checksum that SQLite wrote.

SQLite reads a log that a dead process left up to the first frame that fails, and reports nothing.
So a changed bit would take back every later write. The format is in SQLite's documentation
(fileformat2, "WAL file format").
"""

import struct
import time
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any, BinaryIO, Final

import numpy as np

from kbapi.errors import StorageBroken
from kbapi.storage.files import log_of

_HEADER: Final = struct.Struct(">8I")
_FRAME: Final = struct.Struct(">6I")
_MAGIC: Final = 0x377F0682
"""With its lowest bit set, the words of the checksum are big-endian."""
_SMALLEST_PAGE, _LARGEST_PAGE = 512, 65_536
_PAUSES_S: Final = (0.01, 0.05, 0.1, 0.2, 0.4)
"""Waits between looks: a writer writes the head of a frame before its page."""


def require_sound_log(database: Path) -> None:
    """Nothing, unless the log of a database is damaged; then StorageBroken."""
    if found := find_log_damage(log_of(database)):
        raise StorageBroken(f"The database is damaged: {found}.")


def find_log_damage(log: Path) -> str:
    """What is wrong with a log; empty where it is sound, or where there is none.

    The end of a log may have frames of a write that did not finish. Those without a commit are
    not damage, because no one got an answer to that write. Damage is what every look finds: others
    may write meanwhile.
    """
    found = ""
    for pause_s in (0.0, *_PAUSES_S):
        time.sleep(pause_s)
        try:
            with log.open("rb") as opened:
                header = opened.read(_HEADER.size)
                found = _damage_of(header, opened)
                opened.seek(0)
                # Otherwise a writer began the log again meanwhile.
                if not found and opened.read(_HEADER.size) == header:
                    return ""
        except FileNotFoundError:
            return ""
    return found


def _damage_of(header: bytes, opened: BinaryIO) -> str:
    if not header:
        return ""
    if len(header) < _HEADER.size or not _is_sound(header):
        return "the header of the log is damaged, so its writes are not read"
    magic, _, page, _, salt1, salt2, *chain = _HEADER.unpack(header)
    state, first_wrong, number = (chain[0], chain[1]), 0, 0
    for number, frame in enumerate(_frames(opened, page), start=1):
        _, commit, *salts = _FRAME.unpack_from(frame)
        if not first_wrong:
            is_same_log = salts[:2] == [salt1, salt2]
            state = _checksum(frame[:8] + frame[_FRAME.size :], state, magic)
            if is_same_log and state == tuple(salts[2:]):
                continue
            first_wrong = number
        # Frames of before the log began again have two other salts.
        if commit and (salts[0] == salt1 or salts[1] == salt2):
            return (
                f"frame {first_wrong:,} of the log fails its checksum, so writes from there on "
                "are not read or wrong"
            )
    return ""


def _is_sound(header: bytes) -> bool:
    magic, _, page, _, _, _, *chain = _HEADER.unpack(header)
    if magic & ~1 != _MAGIC or not _SMALLEST_PAGE <= page <= _LARGEST_PAGE:
        return False
    return _checksum(header[:24], (0, 0), magic) == tuple(chain)


def _frames(opened: BinaryIO, page: int) -> Iterator[bytes]:
    while len(frame := opened.read(_FRAME.size + page)) == _FRAME.size + page:
        yield frame


def _checksum(content: bytes, state: tuple[int, int], magic: int) -> tuple[int, int]:
    """SQLite's two running sums over pairs of words, computed as products of vectors."""
    words: Any = np.frombuffer(content, dtype=">u4" if magic & 1 else "<u4").astype(np.uint32)
    first, second = state
    weights = _weights(len(words) // 2)
    ((a, b), (c, d)) = weights[2]
    return (
        (a * first + b * second + int(words @ weights[0])) % 2**32,
        (c * first + d * second + int(words @ weights[1])) % 2**32,
    )


@cache
def _weights(pairs: int) -> tuple[Any, Any, tuple[tuple[int, int], tuple[int, int]]]:
    """How much each word counts in either sum, and how much the state before counts."""
    # One pair (x, y) takes (s, t) to (s + t + x, s + 2t + x + y): a matrix whose powers are these.
    a, b, c, d = 1, 0, 0, 1
    in_first, in_second = [0] * (2 * pairs), [0] * (2 * pairs)
    for pair in reversed(range(pairs)):
        in_first[2 * pair], in_first[2 * pair + 1] = (a + b) % 2**32, b
        in_second[2 * pair], in_second[2 * pair + 1] = (c + d) % 2**32, d
        a, b, c, d = ((a + b) % 2**32, (a + 2 * b) % 2**32, (c + d) % 2**32, (c + 2 * d) % 2**32)
    return np.array(in_first, np.uint32), np.array(in_second, np.uint32), ((a, b), (c, d))
