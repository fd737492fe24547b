"""A log file as rows of text: its encoding, delimiter, decimal sign and header are found."""

import codecs
import csv
import os
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from io import StringIO
from itertools import chain
from pathlib import Path
from typing import BinaryIO, Final, TextIO

import numpy as np

from kbapi.errors import KbapiError
from kbapi.telemetry.cell_block import ByteCells, split_block
from kbapi.telemetry.cells import Times, number_in, unit_of
from kbapi.telemetry.words import known_words

_SAMPLE_BYTES: Final = 262_144
_PIECES: Final = 64
_PIECE_BYTES: Final = 16_384
_SAMPLE_ROWS: Final = 400
_DELIMITERS: Final = (";", "\t", ",", "|")
_MOST_COLUMNS: Final = 2_000
_BLOCK: Final = 1_048_576
_LONGEST_LINE: Final = 1_048_576
_CODE_PAGES: Final = ("cp1252", "cp1250", "cp1251", "gb18030", "cp932")
_MOST_NOTED: Final = 1_000
_FIRST_ROWS: Final = 100


Cells = Sequence[str] | ByteCells
_Piece = tuple[Sequence[int], list[Cells], int]
"""The number of the line of each row, the columns, and the number of lines that were read."""


class UnreadableLog(KbapiError):
    """A file in which no table of measurements can be found."""

    code = "unreadable_log"
    title = "No table in the log"
    explanation = (
        "A log is a text file with a line of column names, and then a line for each moment. "
        "Export it as CSV or TSV."
    )


@dataclass(frozen=True)
class Layout:
    """How a log is written."""

    encoding: str
    delimiter: str
    decimal: str
    header: tuple[str, ...]
    """The names of the columns; the second of the same name has `#2` at its end, and so on."""
    units: tuple[str, ...]
    """The unit of each column, as a line below the header or most cells tell; else ''."""
    first_row: int
    """The number of lines before the first row of data."""


class LogFile:
    """A log on disk, which is read in pieces: its size does not matter.

    Raises
    ------
    UnreadableLog
        When no line of column names is followed by rows of numbers.
    OSError
        When the file cannot be read.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._wanted: Sequence[int] = ()
        self._places: list[int | None] = []
        """Where the wanted columns are now: column names in the midst of a log move them."""
        self._columns = 0
        self.dropped: Counter[str] = Counter()
        """Lines that are no row of data, by reason."""
        self.dropped_lines: list[tuple[int, str]] = []
        self.new_headers: list[int] = []
        """Lines from which on the columns are others."""
        with path.open("rb") as file:
            sample = file.read(_SAMPLE_BYTES)
            size = os.fstat(file.fileno()).st_size
            pieces = list(_pieces_of(file, size))
            file.seek(max(size - _PIECE_BYTES, 0))
            # Zero bytes follow where a crash cut the log off.
            end = file.read().rstrip(b"\0")
            self._ends_within_a_line = bool(end) and not end.endswith((b"\n", b"\r"))
        encoding = _encoding_of(sample, path)
        lines = _lines_of(sample, encoding)
        if len(sample) == _SAMPLE_BYTES and len(lines) > 1:
            lines.pop()  # it may be cut
        self.layout = _layout_of(lines[:_SAMPLE_ROWS], encoding)
        lines = lines[self.layout.first_row :]
        for piece in pieces:
            lines += _lines_of(piece, encoding)[1:-1]
        self.survey = self._survey(lines)

    def _survey(self, lines: list[str]) -> list[list[str]]:
        """Rows of the begin of the log and of places all over it."""
        columns = len(self.layout.header)
        rows = list(csv.reader(lines, delimiter=self.layout.delimiter))
        first = rows[:_FIRST_ROWS]
        wider = sum(len(row) > columns and any(map(str.strip, row[columns:])) for row in first)
        is_other = any(self._is_header(row) for row in first)
        if wider > len(first) / 10 and not is_other:
            raise UnreadableLog(
                f"{wider} of {len(first)} lines have more cells than the {columns} column names. "
                "A decimal comma may separate cells there: export with decimal points, "
                "or with semicolons."
            )
        return [row[:columns] for row in rows if self._is_row(row)]

    def _is_row(self, row: list[str]) -> bool:
        columns = len(self.layout.header)
        return len(row) == columns or (len(row) == columns + 1 and not row[-1].strip())

    def _is_header(self, row: list[str]) -> bool:
        names = set(_clean(row))
        return len(names & set(self.layout.header)) >= max(2, len(names) / 3)

    def chunks(self, wanted: Sequence[int]) -> Iterator[tuple[Sequence[int], list[Cells]]]:
        """The wanted columns of rows of data, in pieces, with the number of the line of each.

        Lines that are no rows are counted in `dropped`.
        """
        self._wanted, self._places = wanted, list(wanted)
        self._columns = len(self.layout.header)
        line = self.layout.first_row
        csv.field_size_limit(_LONGEST_LINE)
        with self.path.open(encoding=self.layout.encoding, errors="replace", newline="") as text:
            for _ in range(line):
                next(text, None)
            while block := text.read(_BLOCK) + text.readline():
                numbers, cells, lines = self._usual_rows(block, line) or self._rows(
                    block, text, line
                )
                line += lines
                if numbers:
                    yield numbers, cells

    def _usual_rows(self, block: str, line: int) -> _Piece | None:
        """The wanted columns of a block, if each of its lines is a usual row."""
        name, delimiter = self.layout.header[0], self.layout.delimiter
        cells = name and split_block(block, delimiter, self._columns, self._places, name)
        if not cells:
            return None
        lines = len(cells[0])
        return range(line + 1, line + 1 + lines), [*cells], lines

    def _rows(self, block: str, text: TextIO, line: int) -> _Piece:
        """The wanted columns of a block, and of the lines after it that its last row reaches."""
        lines = sum(1 for _ in StringIO(block, newline=""))
        reader = csv.reader(
            chain(StringIO(block, newline=""), text), delimiter=self.layout.delimiter
        )
        numbers, rows = list[int](), list[list[str]]()
        while reader.line_num < lines:
            try:
                row = next(reader, None)
            except csv.Error:
                self.drop(line + reader.line_num, "not readable")
                continue
            if row is not None and self._is_data(line + reader.line_num, row):
                numbers.append(line + reader.line_num)
                rows.append(["" if one is None else row[one] for one in self._places])
        is_cut = self._ends_within_a_line and block[-1] not in "\r\n"
        if is_cut and numbers[-1:] == [line + reader.line_num]:
            rows.pop()
            self.drop(numbers.pop(), "the last line has no end")
        return numbers, list(zip(*rows, strict=True)), reader.line_num

    def _is_data(self, line: int, row: list[str]) -> bool:
        """Whether a row is one of data; column names that repeat tell where columns are now."""
        if len(row) == self._columns and row[0] != self.layout.header[0]:
            return True
        if names := self._names_in(line, row):
            wanted = [self.layout.header[one] for one in self._wanted]
            self._places = [names.index(one) if one in names else None for one in wanted]
            self._columns = len(names)
            return False
        if len(row) == self._columns or (len(row) == self._columns + 1 and not row[-1].strip()):
            return True
        self.drop(line, self._fault_of(row, self._columns))
        return False

    def _names_in(self, line: int, row: list[str]) -> tuple[str, ...]:
        """The names of columns in a line in the midst of the log; none if it is another line."""
        if not self._is_header(row):
            return ()
        names = _unique(_clean(row))
        while names and not names[-1]:
            names.pop()
        if tuple(names) != self.layout.header:
            self.new_headers.append(line)
        self.drop(line, "repeats the column names")
        return tuple(names)

    def _fault_of(self, row: list[str], columns: int) -> str:
        if not any(cell.strip(" \0") for cell in row):
            return "empty"
        return f"has {len(row)} of {columns} columns"

    def drop(self, line: int, reason: str) -> None:
        """Count a line that is no row of data."""
        self.dropped[reason] += 1
        if len(self.dropped_lines) < _MOST_NOTED:
            self.dropped_lines.append((line, reason))


def _pieces_of(file: BinaryIO, size: int) -> Iterator[bytes]:
    """Pieces of a file from its sample to its end, at even places as UTF-16 needs."""
    if size > _SAMPLE_BYTES:
        for place in np.linspace(_SAMPLE_BYTES, max(size - _PIECE_BYTES, _SAMPLE_BYTES), _PIECES):
            file.seek(int(place) // 2 * 2)
            yield file.read(_PIECE_BYTES)


def _lines_of(piece: bytes, encoding: str) -> list[str]:
    # Only a mark at the begin of the file tells the order of bytes.
    exact = encoding if encoding != "utf-16" else "utf-16-le"
    return piece.decode(exact, "replace").removeprefix("\ufeff").splitlines()


def _encoding_of(sample: bytes, path: Path) -> str:
    for mark, encoding in (
        (b"\xef\xbb\xbf", "utf-8-sig"),
        (b"\xff\xfe", "utf-16"),
        (b"\xfe\xff", "utf-16-be"),
    ):
        if sample.startswith(mark):
            return encoding
    if not sample.strip(b" \r\n\t\0"):
        raise UnreadableLog(f"{path.name} is empty.")
    even, odd = sample[0:4000:2].count(0), sample[1:4000:2].count(0)
    if max(even, odd) > 0.4 * (len(sample[:4000]) // 2):
        return "utf-16-le" if odd > even else "utf-16-be"
    # A character at the end of the sample may be cut, and a fault of the disk may break one.
    text = codecs.getincrementaldecoder("utf-8")("replace").decode(sample)
    broken = text.count("\ufffd")
    whole = sum(letter > "\x7f" for letter in text) - broken
    return "utf-8" if 20 * broken <= whole else _code_page_of(sample)


def _code_page_of(sample: bytes) -> str:
    """The code page in which most words are known; the first of several."""
    begin = b"\n".join(sample[:16_384].splitlines()[:20])

    def score(code_page: str) -> tuple[int, int]:
        text = begin.decode(code_page, "replace")
        return known_words(text) + text.count("°") + text.count("℃"), -text.count("\ufffd")

    return max(_CODE_PAGES, key=score)


def _clean(row: Sequence[str]) -> list[str]:
    return [" ".join(cell.split()).strip('"\ufeff') for cell in row]


def _unique(names: Sequence[str]) -> list[str]:
    seen: Counter[str] = Counter()
    found = []
    for name in names:
        seen[name] += 1
        found.append(f"{name} #{seen[name]}" if name and seen[name] > 1 else name)
    return found


def _layout_of(lines: Sequence[str], encoding: str) -> Layout:
    found = [
        layout
        for delimiter in _DELIMITERS
        if (layout := _layout_with(lines, encoding, delimiter)) is not None
    ]
    if not found:
        raise UnreadableLog("No line of column names is followed by rows of numbers.")
    return max(found, key=lambda one: one[0])[1]


def _layout_with(
    lines: Sequence[str], encoding: str, delimiter: str
) -> tuple[tuple[int, int], Layout] | None:
    """The layout with this delimiter, and how well it fits: rows that agree, then columns."""
    rows = [next(csv.reader([line], delimiter=delimiter), []) for line in lines]
    if max(map(len, rows), default=0) > _MOST_COLUMNS:
        return None
    for number, row in enumerate(rows):
        if not _is_header(row):
            continue
        header = _clean(row)
        while header and not header[-1]:
            header.pop()
        below = number + 1
        units = [""] * len(header)
        if below < len(rows) and _is_units(rows[below]):
            units = [cell.strip(" []()") for cell in (*rows[below], *units)][: len(header)]
            below += 1
        next_rows = [one for one in rows[below : below + 6] if any(map(str.strip, one))]
        data = [one for one in rows[below:] if len(one) >= len(header)]
        if (
            len(header) < 2
            or not next_rows
            or any(len(one) > len(header) and _is_header(one) for one in next_rows)
            or _is_header(next_rows[0])
            or not any(map(_has_numbers, next_rows))
            or 2 * len(data) < len(rows) - below
        ):
            continue
        decimal = decimal_of(data)
        units = [
            unit or _unit_of_cells([one[column] for one in data[:50]], decimal)
            for column, unit in enumerate(units)
        ]
        layout = Layout(encoding, delimiter, decimal, tuple(_unique(header)), tuple(units), below)
        return (len(data) * min(len(header), 3), len(header)), layout
    return None


def _is_header(row: Sequence[str]) -> bool:
    named = [cell for cell in row if cell.strip()]
    if len(named) < max(2, len(row) // 2):
        return False
    times = Times(".")
    return not any(_is_number(cell) or not np.isnan(times.seconds(cell)) for cell in named)


def _is_number(cell: str) -> bool:
    return any(letter.isdigit() for letter in cell[:3]) and not np.isnan(number_in(cell, ".")[0])


def _has_numbers(row: Sequence[str]) -> bool:
    return sum(_is_number(cell) for cell in row) >= max(1, len(row) // 4)


def _is_units(row: Sequence[str]) -> bool:
    written = [cell for cell in row if cell.strip(" []()-")]
    known = sum(unit_of(cell) is not None for cell in written)
    return known >= max(1, len(written) / 2)


def decimal_of(rows: Sequence[Sequence[str]]) -> str:
    """The decimal sign: a comma, or a point where both or neither can be it.

    A sign that is followed by other than three digits somewhere separates no thousands.

    >>> decimal_of([["1.234,5", "12,75"]]), decimal_of([["1,234", "71"]])
    (',', '.')
    """
    votes: Counter[str] = Counter()
    for row in rows:
        for cell in row:
            text = cell.strip(' "').split(" ", 1)[0].rstrip("%°CFWVMHGzkmµ")
            for sign in ",.":
                head, found, tail = text.rpartition(sign)
                before = head.lstrip("-+−")
                if found and tail.isdigit() and before.replace(".", "").replace(",", "").isdigit():
                    votes[sign] += (len(tail) != 3 or before == "0") and text.count(sign) == 1
    return "," if votes[","] > votes["."] else "."


def _unit_of_cells(cells: Sequence[str], decimal: str) -> str:
    """The unit that most cells of a column carry; empty where they carry none."""
    after = [text for cell in cells if (text := number_in(cell, decimal)[1])]
    usual = Counter(text for text in after if unit_of(text) is not None).most_common(1)
    return usual[0][0] if usual and 2 * usual[0][1] > len(cells) else ""
