"""A number that was not sold is read, and the numbers that were probably meant are known."""

import pytest

from kbapi.chips.grammar.families import SOLD
from kbapi.chips.grammar.reading import find_meant
from kbapi.chips.naming import identify_chip
from tests.chips.given import load_given

DESCRIBED = ("norvane-sable-7-4820mx",)


def meant_by(text: str) -> tuple[str, ...]:
    chip = identify_chip(text).chip
    assert chip is not None, text
    return find_meant(chip.key, DESCRIBED)


@pytest.mark.parametrize(
    ("text", "meant"),
    [
        ("Intel(R) Core(TM) i7-8505U CPU @ 1.80GHz", "intel-core-i7-8550u"),  # swapped
        ("i7-10757H", "intel-core-i7-10750h"),  # replaced
        ("AMD Ryzen 5 3060", "amd-ryzen-5-3600"),
        ("AMD Ryzen 7 PRO 5851U", "amd-ryzen-7-pro-5850u"),
        ("AMD Ryzen 5 5800X", "amd-ryzen-7-5800x"),  # another class
        ("RTX 4080 Ti Laptop", ""),
        ("RTX 4030", "nvidia-geforce-rtx-4050"),
        ("RX 6606", "amd-radeon-rx-6600"),
        ("Core Ultra 7 156H", "intel-core-ultra-7-165h"),
        ("AMD Ryzen 5 160", "amd-ryzen-7-160"),
        ("Norvane Sable 7 4280MX", "norvane-sable-7-4820mx"),
    ],
)
def test_the_number_that_was_meant_is_first(text: str, meant: str) -> None:
    assert (*meant_by(text), "")[0] == meant


@pytest.mark.parametrize(
    "text",
    [
        "i7-8550U",
        "i7-8650U",
        "RTX 6070",  # a generation that is not listed is new
        "Core Ultra 7 358H",
        "i7-880",
        "Xeon E5-2681 v2",  # a line that is not listed
        "Norvane Sable 7 4820MX",
        "Norvane Sable 7 4830MX",  # one digit differs between siblings
        "Norvane Sable 7 4280K",
        "Intel UHD Graphics 620",
        "Apple M1",
    ],
)
def test_a_number_that_can_be_right_is_not_questioned(text: str) -> None:
    assert meant_by(text) == ()


def test_no_chip_that_a_system_printed_is_questioned() -> None:
    keys = {str(row.wanted["canonical"]) for row in load_given() if row.wanted["canonical"]}
    assert {key: meant for key in keys if (meant := find_meant(key, ()))} == {}


@pytest.mark.parametrize("line", SOLD)
def test_every_listed_number_is_read_in_its_line(line: str) -> None:
    for number in SOLD[line]:
        endings = ("", "u", "h", "x", "g7", "hx", "xe", "hq", "m")
        texts = [f"{line}{number}{ending}" for ending in endings]
        assert any(identify_chip(text).match != "none" for text in texts), number


def test_what_is_meant_is_always_a_chip() -> None:
    for line, numbers in SOLD.items():
        for number in sorted(numbers)[::7]:
            for digit in "0159":
                for key in find_meant(f"{line}{number[:-2]}{digit}{number[-1]}", ()):
                    found = identify_chip(key)
            assert key in ((found.chip.key,) if found.chip else found.candidates)
