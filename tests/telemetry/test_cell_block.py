import random
from dataclasses import fields

import numpy as np
import pytest

from kbapi.telemetry import log_file
from kbapi.telemetry.cell_block import split_block
from kbapi.telemetry.cells import Numbers, Times
from kbapi.telemetry.log_file import UnreadableLog
from kbapi.telemetry.series import read_log
from tests.telemetry.drawn_logs import draw
from tests.telemetry.logs import HEADER, a_log

NUMBERS = (
    "", "0", "7", "45.2", "-3", "-0.0", "- 5", "--5", "5-", "+5", " 45.2", "45.2  ", "4 5", "45.",
    ".5", "1.2.3", "1e5", "1,234.5", "45,2", "007.50", "n/a", "Yes", "No", "45 W", "45200 mW",
    "71 °C", "９", "0.1", "123456789012345", "9007199254740993", "123456789012345678901234567890",
    "0.00000000000000000000000000001", "0.1234567890123456", "18446744073709551620", "nan",
)  # fmt: skip
TIMES = (
    "", "10:00:00", "10:00:01.5", "10:00:01.25", "9:59:59", "10:00", "1:02:03:04", "10:00:7.25",
    "2026-11-30T10:00:00.125", "30.11.2026 10:00:00", "10:00:00 PM", "下午 1:00:00", "90", "90.25",
    "-5", "Average", "10:00:75", "10:00:175", "10:00:-1", "10:00:00,5", "10:00: 5", " 10:00:05",
    "2026-11-30 10:00:00Z", "30.11.2026 1:00:07.125 PM", "30.11.2026 1:00:08.25 PM",
    "10:00:05.5 AM", "1795000000123", "46000.4166666667",
)  # fmt: skip


def in_a_block(*columns):
    """The columns as the bytes of one block of a log."""
    block = "".join(";".join(row) + "\n" for row in zip(*columns, strict=True))
    return split_block(block, ";", len(columns), range(len(columns)), "Time")


def drawn(texts, seed):
    rng = random.Random(seed)
    many = [text for text in texts for _ in range(rng.randint(1, 3))]
    rng.shuffle(many)
    return many


@pytest.mark.parametrize("decimal", [".", ","])
def test_a_column_of_bytes_has_the_numbers_of_its_texts(decimal):
    for seed in range(20):
        texts = drawn(NUMBERS, seed)
        found = Numbers(decimal, "mw", "w").of(in_a_block(texts, texts)[0])
        one_by_one = Numbers(decimal, "mw", "w").of(texts)
        assert found.tobytes() == one_by_one.tobytes()


def test_a_usual_number_is_rounded_as_python_rounds_it():
    rng = random.Random(1)
    texts = [f"{rng.uniform(-1e4, 1e4):.{rng.randint(0, 11)}f}" for _ in range(20_000)]
    (found, _) = in_a_block(texts, texts)
    assert found.numbers(".").tolist() == list(map(float, texts))


def test_a_column_of_bytes_has_the_times_of_its_texts():
    for seed in range(40):
        texts = drawn(TIMES, seed)
        days = drawn(("2026-11-30", "29.11.2026", "", "today") * 20, seed)[: len(texts)]
        for given in ((), (days,)):
            in_bytes = in_a_block(texts, *given, *([texts] if not given else []))
            found = Times(".").of(in_bytes[0], *([in_bytes[1]] if given else []))
            assert found.tobytes() == Times(".").of(texts, *given).tobytes()


@pytest.mark.parametrize("after", ["", " PM", " p.m.", "Z", " +01:00", " +0100"])
def test_times_of_one_form_are_read_as_their_texts(after):
    rng = random.Random(1)
    texts = [f"30.11.2026 1:{at // 60:02}:{at % 60 + rng.random():.3f}{after}" for at in range(600)]
    found = Times(".").of(in_a_block(texts, texts)[0])
    assert found.tobytes() == Times(".").of(texts).tobytes()
    assert 599 <= found[-1] - found[0] <= 601


@pytest.mark.parametrize(
    "block",
    [
        "1;2;3\n4;5\n",
        "1;2;3\n4;5;6;7;8\n7\n",
        "1;2;3\n4;5;6",
        "1;2;3\n\n4;5;6\n",
        '1;"2"3;4\n',
        '1;2"";3\n',
        '1;"2""";3\n',
        '1;"2;3\n4;5";6\n',
        '1;"2\n3";4\n',
        '1;2;"3\n',
        "1;2;3\r4;5;6\n",
        "1;2;\0003\n",
        "Time;2;3\n",
        '1;2;3\n"Time";2;3\n',
        "1;2;3\nTime;2;3\n",
        "1;2;3;\n1;2;3;4\n",
    ],
)
def test_a_block_with_an_unusual_line_is_not_split(block):
    assert split_block(block, ";", 3, [0, 2], "Time") == []


@pytest.mark.parametrize("block", ["1;2;3\n4;5;6\n", "1;2;3\r\n4;5;6\r\n", "1;2;3;\n4;5;6;\n"])
def test_a_usual_block_is_split_at_the_places(block):
    columns = split_block(block, ";", 3, [2, None, 0], "Time")
    places = np.arange(2)
    assert [one.texts(places) for one in columns] == [["3", "6"], ["", ""], ["1", "4"]]


def test_quotes_around_cells_are_no_part_of_them():
    block = '"10:00";"1,5";""\n9:00;"2;5";"x"\n'
    columns = split_block(block, ";", 3, [0, 1, 2], "Time")
    texts = [one.texts(np.arange(2)) for one in columns]
    assert texts == [["10:00", "9:00"], ["1,5", "2;5"], ["", "x"]]


def both_ways(path, monkeypatch):
    found = read_log(path, {})
    with monkeypatch.context() as row_by_row:
        row_by_row.setattr(log_file, "split_block", lambda *_: [])
        return found, read_log(path, {})


def assert_equal(one, other):
    for field in fields(one):
        first, second = getattr(one, field.name), getattr(other, field.name)
        if isinstance(first, np.ndarray):
            assert first.tobytes() == second.tobytes(), field.name
        elif isinstance(first, dict):
            assert first.keys() == second.keys(), field.name
            for key, value in first.items():
                if isinstance(value, np.ndarray):
                    assert value.tobytes() == second[key].tobytes(), key
                elif hasattr(value, "__dataclass_fields__"):
                    assert_equal(value, second[key])
                else:
                    assert value == second[key], key
        else:
            assert first == second, field.name


@pytest.mark.parametrize("seed", [4, 5, 6, 7, 9, 10, 11, 12, 13, 16, 17, 19, 20, 22, 23, 24, 26])
def test_a_drawn_log_is_read_as_row_by_row(tmp_path, monkeypatch, seed):
    monkeypatch.setattr(log_file, "_BLOCK", 8_000)
    path = tmp_path / "log.csv"
    path.write_bytes(draw(seed).content)
    try:
        found, row_by_row = both_ways(path, monkeypatch)
    except UnreadableLog:
        assert draw(seed).is_refused
        return
    assert_equal(found, row_by_row)


def test_lines_of_every_kind_are_read_as_row_by_row(tmp_path, monkeypatch):
    monkeypatch.setattr(log_file, "_BLOCK", 60)
    log = a_log(tmp_path, rows=150)
    order = [HEADER[0], "SSD temperature [°C]", HEADER[3], HEADER[1]]
    more = [f"{place},38,71,{place % 9}" for place in range(150, 300)]
    odd = ["", "300,38", '301,38,"71",45', '302,38,71,"4', '5"', "303,38,71,45,", "Average,1,2,3"]
    log.write_text(log.read_text() + "\n".join([",".join(order), *more, *odd, *more]) + "\n304,3")
    found, row_by_row = both_ways(log, monkeypatch)
    assert_equal(found, row_by_row)
    assert found.dropped == {
        "repeats the column names": 1,
        "empty": 1,
        "has 2 of 4 columns": 2,
        "has no time": 1,
    }
    assert (153, "repeats the column names") not in found.dropped_lines
    assert (152, "repeats the column names") in found.dropped_lines
    assert (309, "has no time") in found.dropped_lines
