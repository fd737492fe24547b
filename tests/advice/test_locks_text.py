"""Sentences about locks: direction, interval, conditions; never advice to open a control."""

import pytest

from kbapi.advice.locks.text import (
    based_on_reports,
    change_in_short,
    change_text,
    contradiction_text,
    differences_text,
    machines_open_text,
    no_change_text,
    no_split_text,
    split_text,
)
from kbapi.evidence.locks import OpenShare
from kbapi.vocabulary import PROTECTIONS


def a_part(share_open: float, value: str = "", units: int = 40) -> OpenShare:
    return OpenShare(value, share_open, (share_open - 0.1, share_open + 0.1), units)


@pytest.mark.parametrize(
    ("before", "after", "text"),
    [
        (0.9, 0.4, "locked on most machines"),
        (0.9, 0.6, "locked more often"),
        (0.2, 0.7, "open on most machines"),
        (0.1, 0.4, "open more often"),
    ],
)
def test_the_text_of_a_change_has_its_direction(before: float, after: float, text: str) -> None:
    short = change_in_short("2025-03", a_part(before), a_part(after))
    assert short == f"{text} since firmware month 2025-03"


def test_a_certain_month_has_no_range() -> None:
    sides = a_part(0.9), a_part(0.4)
    sure = change_text("2025-03", ("2025-03", "2025-03"), *sides)
    unsure = change_text("2025-03", ("2025-02", "2025-05"), *sides)
    assert "may lie anywhere" not in sure
    assert "may lie anywhere from 2025-02 to 2025-05" in unsure
    assert sure == (
        "Open since firmware month 2025-03: 40 % (30 % to 50 %, 40 machines); "
        "before it: 90 % (80 % to 100 %, 40 machines)."
    )


@pytest.mark.parametrize("by", [*PROTECTIONS, "machine", "firmware_month", "microcode"])
def test_a_difference_never_ends_in_advice_to_open(by: str) -> None:
    others = [a_part(0.2, value) for value in ("b", "c", "d", "e")]
    text = split_text(by, a_part(0.8, "a"), others)
    assert text.startswith("Open share by ")
    assert ": a 80 % (70 % to 90 %, 40 machines)." in text
    assert ", and 2 more" in text
    assert ("Ask again with" in text) is (by in ("machine", "firmware_month"))
    together = differences_text([by], 40, [by], has_change=False, has_contradictions=False)
    assert together.startswith("Reports differ by ")
    assert together.endswith("keep the firmware and microcode that the maker advises.")
    assert ("lowers security" in together) is (by in PROTECTIONS)


def test_contradicting_units_may_be_of_several_machine_classes() -> None:
    conditions = [("microcode", "0x2b"), ("memory_integrity", "on")]
    one = contradiction_text(conditions, 6, 4, 1)
    several = contradiction_text(conditions, 6, 4, 3)
    alike = "Microcode 0x2b, memory_integrity on: 6 of 10 machines open, 4 locked"
    assert one == f"{alike} (one machine class)."
    assert several == f"{alike} (3 machine classes)."
    together = differences_text([], 40, ["machine"], has_change=False, has_contradictions=True)
    assert "a firmware setting or an unreported condition may explain it" in together


def test_too_few_units_and_no_difference_have_different_texts() -> None:
    assert "each of two needs five machines of the same machine classes" in no_split_text(3, ())
    assert "of 3 machines in all" in no_split_text(3, ())
    assert no_split_text(40, ("machine",)) == ("No difference beyond chance by machine class.")


def test_an_answer_by_new_contributors_alone_says_so_at_once() -> None:
    asked = "voltage_offset", "core", 0.98
    new = machines_open_text(*asked, only_new_contributors=True)
    assert new.endswith("nearly all machines (all senders are new)")
    assert "new" not in machines_open_text(*asked, only_new_contributors=False)
    assert "All senders of these reports are new." in based_on_reports(30, has_established=False)
    assert "new" not in based_on_reports(30, has_established=True)


def test_what_a_comparison_needs_names_machine_classes() -> None:
    assert "machine class needs machines on each side" in no_change_text(can_compare=False)
