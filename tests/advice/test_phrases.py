"""Every text of every answer is short, without repetition and without private dialect."""

import re
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from random import Random
from typing import Any

import orjson
import pytest
from flask.testing import FlaskClient

from kbapi.advice.phrases import percent
from kbapi.advice.start.text import not_established
from kbapi.app import create_app
from kbapi.cli import guidance, lines, search_record
from kbapi.demo.results import as_lines, club_results, draw_follow_up
from kbapi.intake.batch import accept_batch
from kbapi.intake.follow_up import accept_follow_up
from tests.makers import HandMovedClock, an_instance

CHIPS = (
    "norvane-sable-7-4820mx",
    "norvane-sable-7-4470k",
    "norvane-sable-5-4410mx",
    "norvane-tarnel-3-2110y",
    "norvane-tarnel-3-2115n",
    "norvane-sable-5-4850s",
    "ketterly-quorrel-8-3180x",
    "ketterly-drift-4-2130u",
    "osmer-kestrel-660-laptop",
    "osmer-kestrel-680x",
    "osmer-vessick-210",
    "norvane-sable-7-9990mx",
)
"""Well known, open, often locked, always locked, in counts, of graphics, hardly known, unknown."""
LOCKED_EVERYWHERE = ("norvane-tarnel-3-2115n", "norvane-sable-5-4850s")
OPEN_EVERYWHERE = ("osmer-kestrel-660-laptop", "norvane-sable-7-4470k")
QUESTIONS = (
    "start?chip=",
    "start?detail=percentiles&stable_share=0.75&chip=",
    "start?stable_share=0.99&confidence=0.99&chip=",
    "start?machine=harbour-15&chip=",
    "start?microcode=0x99&chip=",
    "start?control=count_offset&chip=",
    "start?control=fixed_clock_voltage&clock_mhz=1800&chip=",
    "stability?chip=",
    "stability?supply=battery&chip=",
    "locks?chip=",
    "locks?machine=harbour-15&chip=",
    "locks?firmware_month=2025-04&chip=",
    "longevity?chip=",
    "gains?chip=",
    "gains?load=gpu_only&chip=",
    "gains?own_power_stock_w=60&own_power_tuned_w=54&own_performance_stock=100"
    "&own_performance_tuned=103&chip=",
    "gains?own_power_stock_w=60,61,62&own_power_tuned_w=54,53,52&chip=",
    "power?limit_w=40&chip=",
    "power?limit_w=400&chip=",
    "power?load=memory_heavy&chip=",
    "chips/",
)
DIAGNOSES: tuple[dict[str, Any], ...] = (
    {},
    {"days": 60, "failure": "wrong_result"},
    {"fails_at_stock": "yes"},
    {"changed": ["microcode", "driver"], "fails_at_stock": "no", "failure": "driver_reset"},
    {"read_back": 0, "setting": -20, "changed": ["firmware"]},
)
IDENTIFIED = (
    "Norvane(R) Sable(TM) 7 4820MX @ 2.60GHz",
    "Sable 7",
    "Kestrel 660",
    "Ketterly Quorrel",
    "a washing machine",
)

MOST_WORDS = 25
_NOT_OURS = frozenset({"notes", "name", "source"})
"""Notes are what curators write, names are those of chips."""
_SENTENCE_ENDS = re.compile(r"(?<=[.!?])\s+")
_UNCHANGED = re.compile(r"^[A-Z][a-z ,()]+: measured, unchanged\.$")
"""A row of a table: under two headings it may say the same."""
DIALECT = re.compile(
    r"\b(told|tells|telling|somebody|anybody|everybody|nobody|heard|hears|speaks?|spoken|leans?|"
    r"stands? on|rests? on|seen to|claimed|set aside|judged?|verdict|believed?|supposed|hearsay|"
    r"rails|rail|settle|hurry|unit|units|lift|served|telling on|word of|honest|custom)\b",
    re.IGNORECASE,
)
THE_EXPLANATION = "supply rails (domains)"
FORBIDDEN_ADVICE = re.compile(
    r"\b(downgrade|roll back|disable|switch (?:it|them|a protection) off|older firmware helps)\b",
    re.IGNORECASE,
)


@pytest.fixture(scope="module")
def club(tmp_path_factory: pytest.TempPathFactory) -> Iterator[FlaskClient]:
    made = an_instance(tmp_path_factory.mktemp("club"), HandMovedClock())
    rng, later = Random(6), Random(7)
    results = list(club_results(1_500, rng))
    for begin in range(0, len(results), 500):
        some = results[begin : begin + 500]
        accepted = accept_batch(made, as_lines(one.document for one in some), is_ndjson=True)
        for item, result in zip(accepted.items, some, strict=True):
            follow_up = draw_follow_up(later, result)
            if follow_up and item.id and item.receipt:
                accept_follow_up(made, item.id, item.receipt, orjson.dumps(follow_up))
    yield create_app(made).test_client()
    made.close()


@pytest.fixture(scope="module")
def answers(club: FlaskClient) -> dict[str, dict[str, Any]]:
    """Every answer about a dozen chips, by its question."""
    found: dict[str, dict[str, Any]] = {}
    for chip in CHIPS:
        for question in QUESTIONS:
            found[f"{question}{chip}"] = _answer(club.get(f"/v1/{question}{chip}"))
        rail = _rail_of(found[f"start?chip={chip}"])
        described = found[f"chips/{chip}"]
        controls = [one["control"] for one in described["controls"]]
        if controls and rail["control"] not in controls:
            _check_refused(club.post("/v1/next-step", json={"chip": chip, **rail}))
            _check_refused(club.post("/v1/diagnose", json={"chip": chip, **rail}))
            continue
        for number, search in enumerate(_searches(rail, (described["domains"] or ["core"])[-1])):
            body = {"chip": chip, "stock_mv": 900, **search}
            if rail["control"] != "fixed_clock_voltage":
                del body["stock_mv"]
            found[f"next-step {number} {chip}"] = _answer(club.post("/v1/next-step", json=body))
        for number, diagnosis in enumerate(DIAGNOSES):
            body = {"chip": chip, **rail, **diagnosis}
            if rail["control"] == "fixed_clock_voltage":
                body = {name: part for name, part in body.items() if name != "read_back"}
                body.pop("setting", None)
            found[f"diagnose {number} {chip}"] = _answer(club.post("/v1/diagnose", json=body))
    for text in IDENTIFIED:
        reply = club.get("/v1/identify", query_string={"text": text})
        found[f"identify {text}"] = _answer(reply)
    return found


def _answer(reply: Any) -> dict[str, Any]:
    assert reply.status_code == 200, reply.get_json()
    answer: dict[str, Any] = reply.get_json()
    return answer


def _check_refused(reply: Any) -> None:
    """A locked chip has no setting to search for."""
    assert reply.status_code == 422, reply.get_json()
    assert [one["code"] for one in reply.get_json()["errors"]] == ["not_on_this_chip"]


def _rail_of(start: dict[str, Any]) -> dict[str, Any]:
    return {"domain": start["domain"], "control": start["control"]}


def _searches(rail: dict[str, Any], other_domain: str) -> tuple[dict[str, Any], ...]:
    if rail["control"] == "fixed_clock_voltage":
        return ({**rail, "clock_mhz": 1800},)
    first, second = (-4, -6) if rail["control"] == "count_offset" else (-30, -36)
    return (
        rail,
        {**rail, "moved_with": [], "trials": [_a_run(rail, first, "stable")]},
        {
            **rail,
            "moved_with": [],
            "trials": [_a_run(rail, first, "stable"), _a_run(rail, second, "failed")],
        },
        {**rail, "moved_with": [], "trials": [_a_run(rail, 0, "failed")]},
        {
            "domain": other_domain,
            "control": rail["control"],
            "trials": [_a_run(rail, first, "stable")],
        },
    )


def _a_run(rail: dict[str, Any], value: float, outcome: str) -> dict[str, Any]:
    failure = {"failure": "wrong_result"} if outcome == "failed" else {}
    return {"settings": [{**rail, "value": value}], "outcome": outcome, **failure}


def _texts(value: Any, name: str = "") -> Iterator[str]:
    if isinstance(value, dict):
        for key, inner in value.items():
            if key not in _NOT_OURS:
                yield from _texts(inner, key)
    elif isinstance(value, list):
        for inner in value:
            yield from _texts(inner, name)
    elif isinstance(value, str) and " " in value:
        yield value


def _sentences(answer: dict[str, Any]) -> list[str]:
    return [
        sentence
        for text in _texts(answer)
        for sentence in _SENTENCE_ENDS.split(text)
        if len(sentence.split()) > 2
    ]


def test_no_sentence_has_more_than_twenty_five_words(answers: dict[str, dict[str, Any]]) -> None:
    long = {
        sentence
        for answer in answers.values()
        for sentence in _sentences(answer)
        if len(sentence.split()) > MOST_WORDS
    }
    assert long == set()


def test_every_text_is_a_sentence(answers: dict[str, dict[str, Any]]) -> None:
    broken = {
        text
        for answer in answers.values()
        for name in ("summary", "withheld_text", "locks", "reason", "meaning", "next_actions")
        for text in _texts(answer.get(name), name)
        if len(text.split()) > 2 and not (text[-1] in ".?" and text[0] == text[0].upper())
    }
    # A sentence may begin with the code of a control, which stays as it is on the wire.
    assert {text for text in broken if text[-1] not in ".?" or "_" not in text.split()[0]} == set()


def test_no_answer_has_a_sentence_twice(answers: dict[str, dict[str, Any]]) -> None:
    twice = {
        (question, sentence)
        for question, answer in answers.items()
        # What is a warning is in the summary too.
        for sentence, times in Counter(_sentences({**answer, "warnings": []})).items()
        if times > 1 and not _UNCHANGED.fullmatch(sentence)
    }
    assert twice == set()


def test_no_answer_uses_a_word_of_a_private_dialect(answers: dict[str, dict[str, Any]]) -> None:
    found = {
        (match.group(), text)
        for answer in answers.values()
        for text in _texts(answer)
        for match in DIALECT.finditer(text.replace(THE_EXPLANATION, "domains"))
    }
    assert found == set()


def test_no_answer_advises_to_lower_a_protection(answers: dict[str, dict[str, Any]]) -> None:
    found = {
        text
        for answer in answers.values()
        for text in _texts(answer)
        if FORBIDDEN_ADVICE.search(text)
    }
    assert found == set()


@pytest.mark.parametrize("chip", CHIPS)
def test_the_share_in_a_text_about_locks_is_the_share_of_the_answer(
    answers: dict[str, dict[str, Any]], chip: str
) -> None:
    for question in ("locks?chip=", "locks?machine=harbour-15&chip="):
        for lock in answers[f"{question}{chip}"]["locks"]:
            assert lock["text"].startswith(
                f"Can be set on {percent(lock['share_open'])} of machines"
            )
            shares = re.findall(r"(\d+) %", lock["text"])
            low, high = (str(round(end * 100)) for end in lock["interval"])
            assert shares[-2:] == [low, high]
    locks = answers[f"start?chip={chip}"]["locks"]
    if locks["share_open"] is None:
        assert locks["text"].startswith("Without lock reports: ")
    else:
        assert locks["text"].startswith(f"Can be set on {percent(locks['share_open'])} of machines")


@pytest.mark.parametrize("chip", CHIPS)
def test_start_and_locks_have_the_same_text_about_a_control(
    answers: dict[str, dict[str, Any]], chip: str
) -> None:
    start = answers[f"start?chip={chip}"]
    for lock in answers[f"locks?chip={chip}"]["locks"]:
        if (lock["domain"], lock["control"]) == (start["domain"], start["control"]):
            assert lock["text"].startswith(start["locks"]["text"])


@pytest.mark.parametrize("chip", OPEN_EVERYWHERE)
def test_a_chip_that_is_open_everywhere_gets_no_text_about_locks(
    answers: dict[str, dict[str, Any]], chip: str
) -> None:
    answer = answers[f"locks?chip={chip}"]
    assert answer["alternatives"] == []
    assert answer["locks"]
    for lock in answer["locks"]:
        for phrase in ("locks it", "blocks it", "refuses it", "offers it", "protections decide"):
            assert phrase not in lock["text"]


@pytest.mark.parametrize("chip", LOCKED_EVERYWHERE)
def test_a_chip_that_is_locked_everywhere_lists_alternatives(
    answers: dict[str, dict[str, Any]], chip: str
) -> None:
    assert answers[f"locks?chip={chip}"]["alternatives"] != []


def test_a_lock_comes_before_the_number(answers: dict[str, dict[str, Any]]) -> None:
    starts = [answer for question, answer in answers.items() if question.startswith("start")]
    led = [one for one in starts if one["start"] and (one["locks"]["share_open"] or 1) < 0.5]
    assert led
    for one in led:
        often = one["locks"]["share_open"] >= 0.4
        lock = "Locked on about half of machines" if often else "Probably locked"
        summary = one["summary"].removeprefix(f"{not_established()} ")
        assert summary.startswith(f"{lock}: check this first. Enter ")


def test_a_filter_that_fits_too_few_machines_shows_no_count(
    answers: dict[str, dict[str, Any]],
) -> None:
    for chip in CHIPS:
        answer = answers[f"start?microcode=0x99&chip={chip}"]
        assert answer["evidence"]["units"] == 0
        text = " ".join(_texts({"summary": answer["summary"], "reason": answer["reason"]}))
        assert "more are needed" not in text
        assert "more is needed" not in text
        # Nothing is shown of a chip without a control, or with one that reports say is locked.
        without_control = ("not_on_this_chip", "no_known_control", "locked_by_reports")
        if (answer["reason"] or {}).get("code") in without_control:
            assert chip in LOCKED_EVERYWHERE
            continue
        assert (
            "Hidden until five known people have sent results, so that no one can be recognised."
            in text
        )


def test_the_caution_that_matters_most_comes_first(answers: dict[str, dict[str, Any]]) -> None:
    first = {
        question: answer["cautions"][0]["code"]
        for question, answer in answers.items()
        if "cautions" in answer
    }
    sable, quorrel, kestrel = CHIPS[0], "ketterly-quorrel-8-3180x", "osmer-kestrel-660-laptop"
    assert first[f"start?chip={sable}"] == "save_first"
    assert first[f"start?chip={quorrel}"] == "counts_are_not_mv"
    assert first[f"start?chip={kestrel}"] == "graphics_in_use"
    assert first[f"gains?chip={sable}"] == "temperature_alone"
    assert first[f"power?limit_w=40&chip={sable}"] == "limits_only_lower"
    assert first[f"longevity?chip={sable}"] == "limits_shrink"
    assert first[f"locks?chip={LOCKED_EVERYWHERE[0]}"] == "locked_for_security"
    assert first[f"locks?chip={kestrel}"] == "history_not_advice"
    assert first[f"diagnose 1 {sable}"] == "wrong_results_first"
    assert first[f"diagnose 2 {sable}"] == "stop_and_ask_qualified_people"
    assert first[f"diagnose 3 {kestrel}"] == "picture_faults"
    assert first[f"next-step 3 {sable}"] == "stop_and_ask_qualified_people"


def test_every_answer_with_a_number_has_all_its_cautions(
    answers: dict[str, dict[str, Any]],
) -> None:
    for question, answer in answers.items():
        if not question.startswith(("chips", "identify")):
            codes = [caution["code"] for caution in answer["cautions"]]
            assert len(codes) == len(set(codes)) >= 8, question
            assert {"save_first", "makers_instructions", "unsuitable_machines"} <= set(codes)


PRINTED: dict[str, Callable[[dict[str, Any]], str]] = {
    "start": lines.start_in_lines,
    "stability": lines.stability_in_lines,
    "locks": lines.locks_in_lines,
    "longevity": guidance.longevity_lines,
    "gains": guidance.gains_in_lines,
    "power": guidance.power_in_lines,
    "diagnose": guidance.diagnosis_in_lines,
    "next-step": search_record.opening_card,
    "identify": lines.identified_in_lines,
}


IN_BRIEF: dict[str, Callable[[dict[str, Any]], Iterable[str]]] = {
    "start": lines.start_in_brief,
    "stability": lines.stability_in_brief,
    "locks": lines.locks_in_brief,
    "longevity": guidance.longevity_in_brief,
    "gains": guidance.gains_in_brief,
    "power": guidance.power_in_brief,
    "diagnose": guidance.diagnosis_in_brief,
    "next-step": search_record.step_in_brief,
    "identify": lambda answer: [lines.identified_in_brief(answer)],
}


def test_every_answer_has_a_few_lines_without_dialect(answers: dict[str, dict[str, Any]]) -> None:
    for question, answer in answers.items():
        kind = re.split(r"[ ?/]", question)[0]
        if kind in IN_BRIEF:
            texts = list(IN_BRIEF[kind](answer))
            assert 1 <= len(texts) <= 7, question
            assert all(texts), question
            assert DIALECT.findall(" ".join(texts)) == [], question


def test_every_answer_is_printed_in_eighty_columns_without_dialect(
    answers: dict[str, dict[str, Any]],
) -> None:
    for question, answer in answers.items():
        kind = re.split(r"[ ?/]", question)[0]
        if kind in PRINTED:
            without_notes = {**answer, "notes": []} if "notes" in answer else answer
            printed = PRINTED[kind](without_notes)
            assert max(map(len, printed.splitlines())) <= 80, question
            prose = " ".join(printed.split()).replace(THE_EXPLANATION, "domains")
            assert DIALECT.findall(prose.replace("Supply rails (domains)", "")) == [], question
