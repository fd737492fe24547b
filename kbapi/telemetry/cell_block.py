"""Columns of a block of lines that stay bytes: usual numbers are read by whole columns at once.

Cells of any other form are read one by one as text. Both ways give the same numbers.
"""

from collections.abc import Sequence
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
_Places = NDArray[np.intp]
_Letters = NDArray[np.uint8]
Mask = NDArray[np.bool_]

_WIDEST: Final = 32
"""Cells of more bytes are no usual numbers."""
_MOST_EXACT: Final = 1 << 53
_POWERS: Final = np.array([float(f"1e{power}") for power in range(_WIDEST)])
_MOST_DECIMALS: Final = 22
"""Greater powers of ten are not exact."""
_NEW_LINE, _SPACE, _MINUS, _ZERO, _COLON = b"\n -0:"


class ByteCells:
    """The cells of one column: the places where each begins and ends in a block of UTF-8."""

    def __init__(self, block: bytes, starts: _Places, ends: _Places) -> None:
        self._block, self._starts, self._ends = block, starts, ends
        self._widths = ends - starts

    def __len__(self) -> int:
        return len(self._starts)

    def texts(self, places: _Places) -> list[str]:
        """The cells at these places as texts."""
        block, starts, ends = self._block, self._starts[places], self._ends[places]
        pairs = zip(starts.tolist(), ends.tolist(), strict=True)
        return [block[start:end].decode() for start, end in pairs]

    @cached_property
    def _letters(self) -> _Letters:
        """The last bytes of each cell, a row for each distance from its end; 0 before a cell."""
        return self._letters_before(self._ends)

    def _letters_before(self, ends: _Places) -> _Letters:
        letters = np.frombuffer(self._block, np.uint8)
        widths = ends - self._starts
        found = np.zeros((min(int(widths.max(initial=0)), _WIDEST), len(self)), np.uint8)
        for row, distance in zip(found, range(len(found), 0, -1), strict=True):
            places = ends - distance
            is_inside = distance <= widths
            np.take(letters, places, mode="clip", out=row)
            row *= is_inside
        return found

    def begins_of_runs(self, tail: int = 0) -> Mask:
        """Whether each cell differs from the one before, without so many bytes at the end."""
        letters = self._letters[: len(self._letters) - tail]
        begins = self._widths > _WIDEST
        begins[:1] = True
        begins[1:] |= self._widths[1:] != self._widths[:-1]
        for row in letters:
            begins[1:] |= row[1:] != row[:-1]
        return begins

    def numbers(self, decimal: str) -> Floats:
        """The numbers of cells of a sign, digits, and a decimal sign; NaN for any other form."""
        letters, ends = self._letters, self._ends
        while len(letters) and (is_space := letters[-1] == _SPACE).any():
            ends = ends - is_space
            letters = self._letters_before(ends)
        values, _ = _numbers(letters, decimal)
        values[self._widths > _WIDEST] = np.nan
        return values

    def seconds_after_minutes(self) -> tuple[Floats, int]:
        """The seconds at the end of times; NaN for any other form. And the bytes that they take.

        These are the bytes after the last colon of the first cell.
        """
        tail = len(self.texts(np.arange(1))[0].encode().rpartition(b":")[2])
        letters = self._letters
        if not 0 < tail < len(letters):
            return np.full(len(self), np.nan), 0
        values, decimals = _numbers(letters[-tail:], ".")
        whole_digits = tail - decimals - (decimals > 0)
        is_usual = (letters[-tail - 1] == _COLON) & (letters[-tail] >= _ZERO) & (whole_digits <= 2)
        values[~is_usual] = np.nan
        return values, tail


def _numbers(letters: _Letters, decimal: str) -> tuple[Floats, NDArray[np.int64]]:
    """The numbers that columns of letters are, NaN for other texts, and their decimal places.

    An integer below 2^53 over a power of ten is rounded once, as `float` rounds the text.
    """
    count = letters.shape[1]
    digits, decimals = np.zeros((2, count), np.int64)
    has_begun, has_digit, has_point, is_minus, is_wrong, is_digit = np.zeros((6, count), bool)
    for after, row in zip(range(len(letters) - 1, -1, -1), letters, strict=True):
        is_wrong |= digits >= _MOST_EXACT // 10
        digit = row - _ZERO
        is_digit = digit < 10
        is_other = ~is_digit
        if is_other.any():
            is_point = (row == ord(decimal)) & has_digit & ~has_point
            is_blank = (row == 0) | (row == _SPACE)
            is_sign = row == _MINUS
            is_wrong |= is_other & ~is_point & (has_begun | ~(is_blank | is_sign))
            decimals[is_point] = after
            has_point |= is_point
            is_minus |= is_sign
            has_begun |= ~is_blank
            digit[is_other] = 0
            digits *= np.where(is_digit, 10, 1)
        else:
            has_begun = is_digit
            digits *= 10
        digits += digit
        has_digit |= is_digit
    is_wrong |= ~is_digit | (decimals > _MOST_DECIMALS)
    values = digits / _POWERS[decimals]
    np.negative(values, out=values, where=is_minus)
    values[is_wrong] = np.nan
    return values, decimals


def split_block(
    block: str, delimiter: str, columns: int, places: Sequence[int | None], name: str
) -> list[ByteCells]:
    """The cells at these places of all lines of a block; none where a line is no usual row.

    A usual row has a cell for each column, or one more that is empty, and no quotes. It does
    not begin with the name of the first column. A place that is None has empty cells.
    """
    block = block.replace("\r\n", "\n")
    if not block.endswith("\n") or any(mark in block for mark in '"\r\0'):
        return []
    if f"\n{name}{delimiter}" in block or block.startswith(f"{name}{delimiter}"):
        return []
    encoded = block.encode()
    letters = np.frombuffer(encoded, np.uint8)
    is_end = letters == _NEW_LINE
    marks = np.flatnonzero(is_end | (letters == ord(delimiter)))
    lines = np.count_nonzero(is_end)
    width, rest = divmod(len(marks), lines)
    if rest or width not in (columns, columns + 1):
        return []
    ends = marks.reshape(lines, width)
    if not is_end[ends[:, -1]].all():
        return []
    if width > columns and (ends[:, -1] - ends[:, -2] > 1).any():
        return []
    starts = np.empty_like(ends)
    starts.ravel()[0] = 0
    starts.ravel()[1:] = marks[:-1] + 1
    return [
        ByteCells(encoded, *((ends[:, -1],) * 2 if one is None else (starts[:, one], ends[:, one])))
        for one in places
    ]
