"""Texts of real systems that a person wrote who had seen no rule: what is read, is read right."""

import json
from pathlib import Path
from typing import Any

from kbapi.chips.naming import identify_chip

LINES = (Path(__file__).parent / "data" / "blind_strings.jsonl").read_text(encoding="utf-8")
ROWS: list[dict[str, Any]] = [json.loads(line) for line in LINES.splitlines()]
"""`canonical` is the key that was read when they were judged, checked against `model` by eye."""


def test_texts_that_were_read_right_still_are() -> None:
    known = [row for row in ROWS if row["canonical"] is not None]
    assert len(known) == 107
    for row in known:
        chip = identify_chip(row["raw"]).chip
        assert chip is not None, row
        assert chip.key == row["canonical"], row


def test_no_text_without_one_chip_is_taken_for_a_chip() -> None:
    others = [row for row in ROWS if row["match"] != "exact"]
    assert len(others) == 30
    assert [row["raw"] for row in others if identify_chip(row["raw"]).chip is not None] == []
