"""Laws that hold for every text, tried on generated texts."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kbapi.chips.naming import identify_chip
from tests.chips.given import load_given
from tests.house.reading_steps import lines_of

RAW = [row.raw for row in load_given()]
EXACT = [row.raw for row in load_given() if row.wanted["match"] == "exact"]
# Upper-case SUPER is the only case in which upper and lower case distinguish two parts.
CASELESS = [raw for raw in RAW if "super" not in raw.lower()]
PIECES = sorted({token for raw in RAW for token in raw.split()})

MARKS = st.sampled_from([("®", "™"), ("(r)", "(tm)"), ("", ""), (" (R)", "™ ")])

spaces = st.text(" \t\u00a0\u2009", max_size=4)


@given(st.sampled_from(EXACT))
def test_the_name_of_a_named_chip_is_that_chip(raw: str) -> None:
    chip = identify_chip(raw).chip
    assert identify_chip(chip.key).chip == chip
    assert identify_chip(chip.key).match == "exact"


@given(st.sampled_from(RAW), spaces, spaces)
def test_padding_changes_nothing(raw: str, before: str, after: str) -> None:
    assert identify_chip(before + raw + after) == identify_chip(raw)


@given(st.sampled_from(CASELESS), st.sampled_from([str.lower, str.upper, str.title]))
def test_case_changes_nothing(raw: str, change) -> None:
    assert identify_chip(change(raw)) == identify_chip(raw)


@given(st.sampled_from(RAW), MARKS)
def test_how_marks_are_written_changes_nothing(raw: str, marks: tuple[str, str]) -> None:
    plain = raw.replace("(TM)", "(tm)").replace("(R)", "(r)")
    # Without its mark a token would touch the next: Core(TM)2.
    spaced = plain.replace("(tm)", f"{marks[1]} ").replace("(r)", f"{marks[0]} ")
    assert identify_chip(spaced) == identify_chip(raw)


@given(st.sampled_from(RAW), st.integers(2, 5))
def test_the_width_of_spaces_changes_nothing(raw: str, width: int) -> None:
    assert identify_chip(raw.replace(" ", " " * width)) == identify_chip(raw)


@given(st.text(max_size=10_000))
@settings(max_examples=200, deadline=None)
def test_any_text_is_answered(text: str) -> None:
    found = identify_chip(text)
    assert (found.chip is not None) == (found.match == "exact")
    assert found.reason.endswith(".")


@given(st.lists(st.sampled_from(PIECES), max_size=12).map(" ".join))
@settings(max_examples=400, deadline=None)
def test_any_mixture_of_tokens_is_answered_consistently(text: str) -> None:
    found = identify_chip(text)
    if found.chip is not None:
        assert identify_chip(found.chip.key).chip == found.chip
    for key in found.candidates:
        assert identify_chip(key).chip.key == key


@pytest.mark.parametrize("separator", ["", " ", "/", " / ", "(", ")("])
def test_no_long_run_of_any_token_takes_many_steps(separator: str) -> None:
    most = 3 * max(lines_of(lambda raw=raw: identify_chip(raw)) for raw in RAW)
    runs = [((piece + separator) * 250)[:250] for piece in PIECES]
    assert [run for run in runs if lines_of(lambda run=run: identify_chip(run)) > most] == []
