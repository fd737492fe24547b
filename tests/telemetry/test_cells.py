import math

import pytest

from kbapi.telemetry.cells import Numbers, Times, number_in


@pytest.mark.parametrize(
    ("cell", "decimal", "value"),
    [
        ("4600,0000", ".", 4600.0),
        ("2000.000", ",", 2000.0),
        ("4700,0000", ",", 4700.0),
        ("1.234,5", ",", 1234.5),
        ("1,234.5", ".", 1234.5),
        ("1 234,5", ",", 1234.5),
        ("1'234.5", ".", 1234.5),
        ("1\u202f234,5", ",", 1234.5),
        ("−12", ".", -12.0),
        ("1e3", ".", 1000.0),
        ('"45.2"', ".", 45.2),
        ("Yes", ".", 1.0),
        ("nein", ".", 0.0),
    ],
)
def test_a_number_is_read_in_every_way_that_it_is_written(cell, decimal, value):
    assert number_in(cell, decimal)[0] == value


@pytest.mark.parametrize(
    "cell", ["", " ", "N/A", "-", "NaN", "inf", "error", "1,2,3", "12:30", "x"]
)
def test_what_is_no_number_is_missing_not_zero(cell):
    assert math.isnan(number_in(cell, ".")[0])


def test_a_number_beyond_floats_is_missing():
    assert math.isnan(Numbers(".", "w", "w").of(["1e400"])[0])


def test_a_unit_holds_for_its_own_cell():
    volts = Numbers(".", "", "mv").of(["592.00 mV", "1.86 V", "592000 µV", "71 °C"])
    assert volts[:3].tolist() == pytest.approx([592.0, 1860.0, 592.0])
    assert math.isnan(volts[3])


@pytest.mark.parametrize(
    ("cell", "unit", "celsius"),
    [
        ("190", "°f", 87.78),
        ("48500", "m°c", 48.5),
        ("3010", "dk", 27.85),
        ("301", "k", 27.85),
        ("87.8", "°c", 87.8),
    ],
)
def test_a_temperature_is_converted_from_its_unit(cell, unit, celsius):
    assert Numbers(".", unit, "c").of([cell])[0] == pytest.approx(celsius, abs=0.01)


@pytest.mark.parametrize(
    ("text", "hour"),
    [
        ("13:00:00", 13.0),
        ("01:00:00 PM", 13.0),
        ("12:00:00 AM", 0.0),
        ("12:00:00 p.m.", 12.0),
        ("下午 1:00:00", 13.0),
        ("午前 12:30", 0.5),
        ("13:00:00,000", 13.0),
        ("13:00:00Z", 13.0),
        ("13:00:00 +02:00", 13.0),
        ("13:00", 13.0),
    ],
)
def test_a_time_of_day_is_read_with_its_half_of_the_day(text, hour):
    assert Times(".").seconds(text) == hour * 3600
    assert Times(".").of([text]).tolist() == [hour * 3600]


@pytest.mark.parametrize(
    "text",
    [
        "2026-11-29 13:00:00",
        "2026-11-29T13:00:00",
        "29.11.2026 13:00:00",
        "29/11/2026 1:00:00 PM",
        "29-Nov-2026 13:00:00",
        "13:00:00 29.11.2026",
        "2026年11月29日 13:00:00",
        "29.11.26 13:00",
    ],
)
def test_dates_in_many_orders_are_the_same_moment(text):
    assert Times(".").seconds(text) == Times(".").seconds("2026-11-29T13:00:00Z")


def test_the_month_may_come_first():
    first, day_first = Times(".", month_first=True), Times(".")
    assert first.seconds("11/29/2026 13:00:00") == day_first.seconds("29/11/2026 13:00:00")


@pytest.mark.parametrize("text", ["Average", "", "13:00:00:00:00", "31.02.2026 13:00:00", "45 W"])
def test_what_is_no_time_is_missing(text):
    assert math.isnan(Times(".").of([text])[0])


def test_many_different_cells_do_not_fill_memory():
    numbers, times = Numbers(".", "w", "w"), Times(".")
    for part in range(3):
        numbers.of([str(part * 40_000 + place) for place in range(40_000)])
        times.of([f"{part}:{place % 60}:{place / 1000:.3f}" for place in range(40_000)])
    assert len(numbers) == 0
    assert len(times._rest) <= 32_768
