"""Every sentence of every answer goes through one door, where another language may stand."""

import gettext
import re
from collections.abc import Iterator
from random import Random
from typing import Any

import orjson
import pytest
from flask.testing import FlaskClient

from kbapi import vocabulary
from kbapi.advice.wording.language import speaking
from kbapi.app import create_app
from kbapi.exchange.club.follow_ups import draw_follow_up
from kbapi.exchange.club.results import club_results
from kbapi.exchange.in_batches import as_lines
from kbapi.intake.batch import accept_batch
from kbapi.intake.follow_up import accept_follow_up
from tests.makers import HandMovedClock, an_instance

_PLACES = re.compile(r"(\{[^{}]*\})")
_NOT_SENTENCES = {"name", "notes"}
"""Names of chips, and notes, which people write in a language of their own."""
_WORDS = re.compile(r"[A-Za-z][A-Za-z_]*")
_CODES = {
    word
    for name, words in vars(vocabulary).items()
    if name.isupper()
    for one in words
    for word in _WORDS.findall(str(one))
}
"""What programs read may stand inside a sentence as it is."""


class Wordless(gettext.NullTranslations):
    """A language in which every letter is a dash: what is left was never looked up."""

    def gettext(self, message: str) -> str:
        return "".join(
            part if _PLACES.fullmatch(part) else re.sub("[A-Za-z]", "-", part)
            for part in _PLACES.split(message)
        )

    def ngettext(self, one: str, many: str, number: int) -> str:
        return self.gettext(one if number == 1 else many)


@pytest.fixture(scope="module")
def club(tmp_path_factory: pytest.TempPathFactory) -> Iterator[FlaskClient]:
    made = an_instance(tmp_path_factory.mktemp("club"), HandMovedClock())
    dice, later = Random(6), Random(7)
    results = list(club_results(1_500, dice))
    for begin in range(0, len(results), 500):
        some = results[begin : begin + 500]
        told = accept_batch(made, as_lines(one.document for one in some), is_ndjson=True)
        for item, result in zip(told.items, some, strict=True):
            follow_up = draw_follow_up(later, result)
            if follow_up and item.id and item.receipt:
                accept_follow_up(made, item.id, item.receipt, orjson.dumps(follow_up))
    yield create_app(made).test_client()
    made.close()


def sentences(value: Any, name: str = "") -> Iterator[str]:
    """Every text of an answer that is made for people."""
    if isinstance(value, dict):
        for key, inner in value.items():
            if key not in _NOT_SENTENCES:
                yield from sentences(inner, key)
    elif isinstance(value, list):
        for inner in value:
            yield from sentences(inner, name)
    elif isinstance(value, str) and " " in value:
        yield value


def never_looked_up(answer: Any, chip_name: str) -> set[str]:
    """Words that stand in sentences of an answer in a language without words."""
    return {
        word
        for sentence in sentences(answer)
        for word in _WORDS.findall(sentence.replace(chip_name, ""))
        if word not in _CODES
    }


CHIPS = {
    "norvane-sable-7-4820mx": "Norvane Sable 7 4820MX",
    "ketterly-quorrel-8-3180x": "Ketterly Quorrel 8 3180X",
    "osmer-kestrel-660-laptop": "Osmer Kestrel 660 Laptop Graphics",
    "norvane-tarnel-3-2120n": "Norvane Tarnel 3 2120N",
    "norvane-sable-7-9999mx": "Norvane Sable 7 9999MX",
}
"""Well known, in counts, of graphics, hardly known, and never seen."""


@pytest.mark.parametrize("chip", CHIPS)
@pytest.mark.parametrize(
    "asked",
    [
        "start?detail=percentiles&chip=",
        "start?confidence=0.99&stable_share=0.99&chip=",
        "stability?chip=",
        "locks?chip=",
        "longevity?chip=",
        "gains?own_power_stock_w=60&own_power_tuned_w=54&chip=",
        "power?limit_w=40&chip=",
    ],
)
def test_no_word_of_an_answer_is_said_past_the_door(
    club: FlaskClient, asked: str, chip: str
) -> None:
    with speaking(Wordless()):
        told = club.get(f"/v1/{asked}{chip}")
    assert told.status_code == 200, told.json
    assert never_looked_up(told.json, CHIPS[chip]) == set()
    assert any("---" in sentence for sentence in sentences(told.json))


def a_run(value: float, outcome: str) -> dict[str, Any]:
    in_force = [{"domain": "core", "control": "voltage_offset", "value": value}]
    failure = {"failure": "wrong_result"} if outcome == "failed" else {}
    return {"settings": in_force, "outcome": outcome, **failure}


@pytest.mark.parametrize(
    ("path", "body"),
    [
        ("next-step", {}),
        (
            "next-step",
            {"trials": [a_run(-50, "stable"), {**a_run(-60, "failed"), "failure": "wrong_result"}]},
        ),
        ("next-step", {"trials": [a_run(0, "failed")]}),
        ("next-step", {"chip": "norvane-sable-7-9999mx"}),
        ("diagnose", {"setting": -74, "days": 60, "failure": "wrong_result"}),
        ("diagnose", {"fails_at_stock": "yes"}),
        ("diagnose", {"setting": -74, "read_back": 0, "changed": ["microcode"]}),
    ],
)
def test_nor_of_an_answer_to_ones_own_runs(
    club: FlaskClient, path: str, body: dict[str, Any]
) -> None:
    chip = next(iter(CHIPS))
    rail = {"domain": "core", "control": "voltage_offset"} if path == "diagnose" else {}
    with speaking(Wordless()):
        told = club.post(f"/v1/{path}", json={"chip": chip, **rail, **body})
    assert told.status_code == 200, told.json
    assert never_looked_up(told.json, CHIPS[body.get("chip", chip)]) == set()


def test_a_word_past_the_door_would_be_found(club: FlaskClient) -> None:
    english = club.get("/v1/stability?confidence=0.8&chip=norvane-sable-7-4820mx").json
    assert {"machines", "hold", "promise", "Save", "work"} <= never_looked_up(english, "")
