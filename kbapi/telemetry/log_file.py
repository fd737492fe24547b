"""A log file as rows of text: its encoding, delimiter, decimal sign and header are found."""

import csv
import io
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, Final

import numpy as np

from kbapi.errors import KbapiError
from kbapi.telemetry.cells import Times, number_in, unit_of

_SAMPLE_BYTES: Final = 262_144
_SAMPLE_ROWS: Final = 400
_DELIMITERS: Final = (";", "\t", ",", "|")
_MOST_COLUMNS: Final = 2_000
_ROWS_AT_ONCE: Final = 20_000
_LONGEST_LINE: Final = 1_048_576


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
    units: tuple[str, ...]
    """The unit of each column, as a line below the header or most cells tell; else ''."""
    first_row: int
    """The number of lines before the first row of data."""

    @property
    def columns(self) -> int:
        """The number of columns."""
        return len(self.header)


@dataclass(frozen=True)
class DroppedRow:
    """A line that is no row of data, and why."""

    line: int
    reason: str


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
        with path.open("rb") as file:
            sample = file.read(_SAMPLE_BYTES)
        encoding = _encoding_of(sample, path)
        text = sample.decode(encoding, "replace").removeprefix("\ufeff")
        lines = text.splitlines()
        if len(sample) == _SAMPLE_BYTES and len(lines) > 1:
            lines.pop()  # it may be cut
        self.layout = _layout_of(lines[:_SAMPLE_ROWS], encoding)
        self.dropped: list[DroppedRow] = []
        self.dropped_more = 0

    def chunks(self) -> Iterator[tuple[Sequence[int], list[list[str]]]]:
        """Rows of data in pieces, with the number of the line of each; all have every column.

        Lines that are no rows are noted in `dropped`.
        """
        with self.path.open("rb") as raw:
            numbers: list[int] = []
            rows: list[list[str]] = []
            for line, row in self._rows(raw):
                reason = self._fault_of(row)
                if reason:
                    self._drop(line, reason)
                    continue
                numbers.append(line)
                rows.append(row[: self.layout.columns])
                if len(rows) == _ROWS_AT_ONCE:
                    yield numbers, rows
                    numbers, rows = [], []
            if rows:
                yield numbers, rows

    def _rows(self, raw: BinaryIO) -> Iterator[tuple[int, list[str]]]:
        text = io.TextIOWrapper(raw, self.layout.encoding, errors="replace", newline="")
        # A log that was cut off at a crash may end in zero bytes.
        lines = (line.replace("\0", "") for line in text)
        for _ in range(self.layout.first_row):
            next(lines, None)
        reader = csv.reader(lines, delimiter=self.layout.delimiter)
        csv.field_size_limit(_LONGEST_LINE)
        while True:
            try:
                row = next(reader)
            except StopIteration:
                return
            except csv.Error:
                self._drop(self.layout.first_row + reader.line_num, "not readable")
                continue
            yield self.layout.first_row + reader.line_num, row

    def _fault_of(self, row: list[str]) -> str:
        columns = self.layout.columns
        if len(row) == columns or (len(row) == columns + 1 and not row[-1].strip()):
            if row[0] == self.layout.header[0] and tuple(_clean(row))[:columns] == self.layout.header:
                return "repeats the column names"
            return ""
        if not any(cell.strip() for cell in row):
            return "empty"
        return f"has {len(row)} of {columns} columns"

    def _drop(self, line: int, reason: str) -> None:
        if len(self.dropped) < 1_000:
            self.dropped.append(DroppedRow(line, reason))
        else:
            self.dropped_more += 1

    def drop(self, line: int, reason: str) -> None:
        """Note a row that a reader of the rows found to be none."""
        self._drop(line, reason)


def _encoding_of(sample: bytes, path: Path) -> str:
    for mark, encoding in (
        (b"\xef\xbb\xbf", "utf-8-sig"),
        (b"\xff\xfe", "utf-16"),
        (b"\xfe\xff", "utf-16"),
    ):
        if sample.startswith(mark):
            return encoding
    if not sample.strip():
        raise UnreadableLog(f"{path.name} is empty.")
    even, odd = sample[0:4000:2].count(0), sample[1:4000:2].count(0)
    half = len(sample[:4000]) // 2
    if max(even, odd) > 0.4 * half:
        return "utf-16-le" if odd > even else "utf-16-be"
    try:
        # The last character may be cut.
        sample[: len(sample) - 4 if len(sample) == _SAMPLE_BYTES else None].decode("utf-8")
    except UnicodeDecodeError:
        return _code_page_of(sample)
    return "utf-8"


def _code_page_of(sample: bytes) -> str:
    """The code page of a text that is not UTF-8, by its letters beyond ASCII."""
    # In the Cyrillic code page nearly all letters of a word lie beyond ASCII.
    words = [word for word in sample.split() if any(byte >= 0xC0 for byte in word)]
    letters = sum(sum(byte >= 0xC0 for byte in word) for word in words)
    ascii_letters = sum(sum(chr(byte).isalpha() for byte in word if byte < 128) for word in words)
    return "cp1251" if letters > 2 * ascii_letters else "cp1252"


def _clean(row: Sequence[str]) -> list[str]:
    return [" ".join(cell.split()).strip('"') for cell in row]


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
    widths = Counter(len(row) for row in rows if len(row) > 1)
    if not widths or max(widths) > _MOST_COLUMNS:
        return None
    width, _ = max(widths.items(), key=lambda one: (one[1], one[0]))
    # Rows may end with one more delimiter than the header.
    fits = [len(row) in (width, width - 1, width + 1) for row in rows]
    for number, row in enumerate(rows):
        if fits[number] and _is_header(row) and any(map(_has_numbers, rows[number + 1 : number + 6])):
            header = _clean(row)
            while header and not header[-1]:
                header.pop()
            below = number + 1
            units = [""] * len(header)
            if below < len(rows) and _is_units(rows[below]):
                units = [cell.strip(" []()") for cell in (*rows[below], *units)][: len(header)]
                below += 1
            data = [one for one in rows[below:] if len(one) in (len(header), len(header) + 1)]
            if not data or len(header) < 2:
                continue
            decimal = _decimal_of(data)
            units = [
                unit or _unit_of_cells([row[column] for row in data[:50]], decimal)
                for column, unit in enumerate(units)
            ]
            named = tuple(header)
            layout = Layout(encoding, delimiter, decimal, named, tuple(units), below)
            return (len(data) * min(len(header), 3), len(header)), layout
    return None


def _is_header(row: Sequence[str]) -> bool:
    named = [cell for cell in row if cell.strip()]
    if len(named) < max(2, len(row) // 2):
        return False
    times = Times(".", month_first=False)
    return not any(_is_number(cell) or not np.isnan(times.seconds(cell)) for cell in named)


def _is_number(cell: str) -> bool:
    return any(not np.isnan(number_in(cell, decimal)[0]) for decimal in ".,") and any(
        letter.isdigit() for letter in cell[:3]
    )


def _has_numbers(row: Sequence[str]) -> bool:
    return sum(_is_number(cell) for cell in row) >= max(1, len(row) // 4)


def _is_units(row: Sequence[str]) -> bool:
    written = [cell for cell in row if cell.strip(" []()-")]
    known = sum(unit_of(cell) is not None for cell in written)
    return bool(written) and known >= 1 and known >= len(written) / 2


def _decimal_of(rows: Sequence[Sequence[str]]) -> str:
    """The decimal sign: a comma, or a point where both or neither can be it.

    A sign that is followed by other than three digits somewhere separates no thousands.
    """
    votes: Counter[str] = Counter()
    for row in rows:
        for cell in row:
            text = cell.strip().strip('"')
            for sign in ",.":
                head, found, tail = text.rpartition(sign)
                digits = tail.split(" ", 1)[0].rstrip("%°CFWVMHGzk")
                if found and head.lstrip("-+−").replace(".", "").replace(",", "").isdigit():
                    is_decimal = digits.isdigit() and (len(digits) != 3 or head.lstrip("-+") == "0")
                    votes[sign] += is_decimal and text.count(sign) == 1
    return "," if votes[","] > votes["."] else "."


def _unit_of_cells(cells: Sequence[str], decimal: str) -> str:
    """The unit that most cells of a column carry; empty where they carry none."""
    after = [text for cell in cells if (text := number_in(cell, decimal)[1])]
    usual = Counter(text for text in after if unit_of(text) is not None).most_common(1)
    return usual[0][0] if usual and 2 * usual[0][1] > len(cells) else ""
