"""The README, the guides and the developers' texts: short files, short sentences, no dialect."""

import re

import pytest

from tests.house.test_messages import faults_of
from tests.house.texts import DEVELOPERS, FOR_DEVELOPERS, FOR_USERS, README, plain_parts

MOST_LINES = 300
EVERY_TEXT = {**FOR_USERS, **FOR_DEVELOPERS}


@pytest.mark.parametrize("text", [README, DEVELOPERS], ids=["README", "DEVELOPERS"])
def test_a_first_text_is_short(text: str) -> None:
    assert len(text.splitlines()) <= MOST_LINES


def test_the_first_paragraph_contains_the_usual_search_terms() -> None:
    assert "undervolting" in README.split("\n\n")[1]


@pytest.mark.parametrize("place", sorted(EVERY_TEXT))
def test_every_sentence_is_short_and_plain(place: str) -> None:
    parts = plain_parts(EVERY_TEXT[place])
    assert len(parts) >= 5
    assert [fault for part in parts for fault in faults_of(part)] == []


@pytest.mark.parametrize("place", FOR_USERS)
def test_a_text_holds_no_html(place: str) -> None:
    examples = re.compile(r"^```.*?^```$", re.MULTILINE | re.DOTALL)
    prose = re.sub(r"`[^`]*`", "", examples.sub("", FOR_USERS[place]))
    if place == "README":
        prose = re.sub(r"<!-- (?:Written by|End\.|Place for)[^\n]*-->", "", prose)
    assert "<" not in prose
