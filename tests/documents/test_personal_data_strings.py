"""Planted and honest strings of each field: half were written by a person who saw no pattern."""

import json
from functools import cache
from pathlib import Path
from typing import Any

from kbapi.chips.catalogue_file import load_catalogue
from kbapi.documents.reader import JsonReading, read_document
from kbapi.errors import DocumentRefused, Problem
from kbapi.settings import bundled_folder
from kbapi.vocabulary import OPERATING_SYSTEMS, TEMPERATURE_SENSORS
from tests.makers import a_submission

CATALOGUE = load_catalogue(bundled_folder("seed_data") / "club" / "catalogue")
DATA = Path(__file__).parent / "data"
CLOSED = {"os": OPERATING_SYSTEMS, "temp_sensor": TEMPERATURE_SENSORS}
MOST_HONEST_REFUSED = 7


def strings(name: str) -> list[dict[str, Any]]:
    """The strings of a file, one on each line."""
    return [json.loads(line) for line in (DATA / name).read_text(encoding="utf-8").splitlines()]


def document_with(field: str, text: str) -> dict[str, Any]:
    if field in ("chip", "client"):
        return a_submission(**{field: text})
    if field == "temp_sensor":
        reading = {"state": "stock", "load": "all_core", "temp_max_c": 80, "temp_sensor": text}
        return a_submission(readings=[reading])
    return a_submission(platform={field: text})


@cache
def problems_with(field: str, text: str) -> tuple[Problem, ...]:
    try:
        reading = JsonReading(document_with(field, text), ())
        read_document(reading, "2026-09", CATALOGUE)
    except DocumentRefused as refused:
        return refused.problems
    return ()


def test_every_planted_string_is_refused_and_not_repeated() -> None:
    planted = strings("strings_planted.jsonl")
    assert len(planted) >= 450
    assert sum(one["blind"] for one in planted) == 299
    missed = [one for one in planted if not problems_with(one["field"], one["text"])]
    assert missed == []
    for one in planted:
        details = [problem.detail for problem in problems_with(one["field"], one["text"])]
        assert not any(one["text"] in detail for detail in details), one


def test_each_form_is_found_in_several_strings() -> None:
    forms = [one["shape"] for one in strings("strings_planted.jsonl")]
    assert min(forms.count(form) for form in forms) >= 5


def test_nearly_every_honest_string_is_accepted() -> None:
    honest = strings("strings_honest.jsonl")
    assert len(honest) >= 450
    assert sum(one["blind"] for one in honest) == 300
    read = [one for one in honest if one["field"] not in CLOSED]
    refused = [one["text"] for one in read if problems_with(one["field"], one["text"])]
    assert len(refused) == MOST_HONEST_REFUSED, refused
    assert len(read) > 410


def test_a_closed_list_accepts_its_values_and_refuses_other_texts_with_the_list() -> None:
    for one in strings("strings_honest.jsonl"):
        if (known := CLOSED.get(one["field"])) is None:
            continue
        found = problems_with(one["field"], one["text"])
        if one["text"] in known:
            assert found == ()
        else:
            assert any("Send one of: " in problem.detail for problem in found), one
