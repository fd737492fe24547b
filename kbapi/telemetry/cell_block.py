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
_NEW_LINE, _SPACE, _MINUS, _ZERO, _COLON, _QUOTE = b'\n -0:"'


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

    def seconds_after_minutes(self) -> tuple[Floats, int, str]:
        """The seconds at the end of times, the number of bytes there, and the text after seconds.

        All three as in the first cell; NaN where a cell has another form.
        """
        tail = self.texts(np.arange(1))[0].rpartition(":")[2]
        after = tail.lstrip("0123456789.")
        size, size_after = len(tail.encode()), len(after.encode())
        letters, missing = self._letters, np.full(len(self), np.nan)
        if not size_after < size < len(letters) or any(map(str.isdigit, after)):
            return missing, 0, ""
        middle = letters[-size : len(letters) - size_after]
        values, decimals = _numbers(middle, ".")
        whole_digits = len(middle) - decimals - (decimals > 0)
        is_usual = (letters[-size - 1] == _COLON) & (middle[0] >= _ZERO) & (whole_digits <= 2)
        for row, letter in zip(letters[len(letters) - size_after :], after.encode(), strict=True):
            is_usual &= row == letter
        return np.where(is_usual, values, missing), size, after


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

    A usual row has a cell for each column, or one more that is empty. It does not begin with the
    name of the first column. Quotes are around whole cells. A place that is None has empty cells.
    """
    block = block.replace("\r\n", "\n")
    if not block.endswith("\n") or "\r" in block or "\0" in block:
        return []
    begins = tuple(f"{one}{delimiter}" for one in (name, f'"{name}"'))
    if block.startswith(begins) or any(f"\n{begin}" in block for begin in begins):
        return []
    encoded = block.encode()
    marks, is_end = _marks(encoded, delimiter)
    width, rest = divmod(len(marks), max(int(is_end.sum()), 1))
    if rest or width not in (columns, columns + 1) or not is_end[width - 1 :: width].all():
        return []
    starts = np.concatenate(([0], marks[:-1] + 1)).reshape(-1, width)
    ends = marks.reshape(-1, width)
    if width > columns and (ends[:, -1] > starts[:, -1]).any():
        return []
    nothing = ends[:, 0], ends[:, 0]
    cells = [nothing if one is None else (starts[:, one], ends[:, one]) for one in places]
    if '"' in block:
        cells = [_within_quotes(encoded, *one) for one in cells]
    return [ByteCells(encoded, *one) for one in cells]


def _marks(block: bytes, delimiter: str) -> tuple[_Places, Mask]:
    """The places where cells end, and which are ends of lines; none if quotes are unusual."""
    letters = np.frombuffer(block, np.uint8)
    is_end = letters == _NEW_LINE
    is_mark = is_end | (letters == ord(delimiter))
    if b'"' in block:
        is_quote = letters == _QUOTE
        is_within = np.cumsum(is_quote, dtype=np.uint8) & 1 == 1
        places = np.flatnonzero(is_quote)
        opening, closing = places[::2], places[1::2]
        is_usual = len(opening) == len(closing) and not (is_end & is_within).any()
        if (
            not is_usual
            or not is_mark[opening[opening > 0] - 1].all()
            or not is_mark[closing + 1].all()
        ):
            return np.zeros(0, np.intp), np.zeros(0, bool)
        is_mark &= ~is_within
    marks = np.flatnonzero(is_mark)
    return marks, is_end[marks]


def _within_quotes(block: bytes, starts: _Places, ends: _Places) -> tuple[_Places, _Places]:
    letters = np.frombuffer(block, np.uint8)
    is_quoted = (letters[starts] == _QUOTE) & (ends > starts)
    return starts + is_quoted, ends - is_quoted
