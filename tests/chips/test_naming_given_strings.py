import pytest

from kbapi.chips.naming import identify_chip
from tests.chips.given import load_development, load_given, load_held_back, load_near_misses
from tests.chips.scoring import score


def test_the_split_keeps_a_third_back_and_loses_no_row() -> None:
    assert len(load_development()) + len(load_held_back()) == len(load_given()) == 636
    assert len(load_held_back()) == 204


@pytest.mark.parametrize("load", [load_development, load_held_back])
def test_given_strings_are_understood_as_wanted(load) -> None:
    scores = score(load())
    right, total = scores["exact"]
    assert right >= 0.985 * total
    assert scores["none"][0] == scores["none"][1]
    assert scores["ambiguous"][0] == scores["ambiguous"][1]


def test_candidates_that_were_wanted_are_offered() -> None:
    named = [row for row in load_given() if row.wanted.get("candidates")]
    offered = [identify_chip(row.raw).candidates for row in named]
    missed = {
        row.raw: row.wanted["note"]
        for row, candidates in zip(named, offered, strict=True)
        if not set(row.wanted["candidates"]) <= set(candidates)
    }
    # Of one row the candidate is known from a discussion around it, not from the text.
    assert [note for note in missed.values() if "thread says" not in note] == []


def test_kinds_are_those_that_were_given() -> None:
    exact = [row for row in load_given() if row.wanted["match"] == "exact"]
    wrong = [row.raw for row in exact if identify_chip(row.raw).chip.kind != row.wanted["kind"]]
    assert wrong == []


@pytest.mark.parametrize("near_miss", load_near_misses(), ids=lambda row: row["members"][0])
def test_no_set_of_near_misses_is_merged(near_miss) -> None:
    for key in near_miss["members"]:
        found = identify_chip(key)
        assert found.match == "exact"
        assert found.chip.key == key
        assert {identify_chip(key.upper()).chip, identify_chip(f"  {key} ").chip} == {found.chip}
