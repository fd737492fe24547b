"""Query parameters become one frozen question with one key, or all problems at once."""

from itertools import permutations

import pytest

from kbapi.advice.start.query import CONFIDENCES, Question, parse_question
from kbapi.chips.catalogue_file import load_catalogue
from kbapi.errors import QueryInvalid
from kbapi.settings import bundled_folder
from tests.makers import CHIP, GRAPHICS

CATALOGUE = load_catalogue(bundled_folder("seed_data") / "club" / "catalogue")


def asked(**parameters: str) -> Question:
    sent = {name: [value] for name, value in {"chip": CHIP, **parameters}.items()}
    return parse_question(sent, CATALOGUE)


def problems_of(sent: dict[str, list[str]]) -> list[tuple[str, str]]:
    with pytest.raises(QueryInvalid) as caught:
        parse_question(sent, CATALOGUE)
    return [(problem.pointer, problem.code) for problem in caught.value.problems]


def detail_of(**parameters: str) -> str:
    with pytest.raises(QueryInvalid) as caught:
        asked(**parameters)
    (problem,) = caught.value.problems
    return problem.detail


def test_a_missing_parameter_has_its_default() -> None:
    question = asked()
    assert (question.chip.key, question.domain, question.control) == (CHIP, "core", None)
    assert (question.moved_with, question.clock_mhz) == (None, None)
    assert (question.stable_share, question.confidence) == (0.9, 0.95)


def test_the_usual_domain_of_graphics_is_gpu_core() -> None:
    assert asked(chip=GRAPHICS).domain == "gpu_core"


def test_every_parameter_is_understood() -> None:
    question = asked(
        domain="ring",
        control="fixed_clock_voltage",
        moved_with="core",
        clock_mhz="1800",
        stable_share="0.75",
        confidence="0.9",
    )
    assert (question.domain, question.control) == ("ring", "fixed_clock_voltage")
    assert (question.moved_with, question.clock_mhz) == (("core",), 1800.0)
    assert (question.stable_share, question.confidence) == (0.75, 0.9)


def test_the_costs_of_options_are_part_of_the_question() -> None:
    question = asked(detail="options", failure_minutes="30", value_per_mv_minutes="1.5")
    assert (question.failure_minutes, question.value_per_mv_minutes) == (30.0, 1.5)
    keys = {
        asked(detail="options").key,
        question.key,
        asked(detail="options", failure_minutes="30", value_per_count_minutes="1.5").key,
    }
    assert len(keys) == 3
    assert detail_of(value_per_mv_minutes="1.5") == "Send it with detail=options."
    assert detail_of(detail="percentiles", failure_minutes="30") == "Send it with detail=options."
    assert "0" in detail_of(detail="options", failure_minutes="-1")


def test_all_problems_come_at_once() -> None:
    sent = {
        "chip": ["bogus thing"],
        "domain": ["cores"],
        "control": ["load_line"],
        "moved_with": ["ring,rnig"],
        "clock_mhz": ["fast"],
        "stable_share": ["0.905"],
        "confidence": ["0.94"],
        "confidense": ["0.9"],
    }
    assert sorted(problems_of(sent)) == [
        ("chip", "chip_unreadable"),
        ("clock_mhz", "invalid"),
        ("confidence", "invalid"),
        ("confidense", "unknown_field"),
        ("control", "invalid"),
        ("domain", "invalid"),
        ("moved_with", "invalid"),
        ("stable_share", "invalid"),
    ]


def test_the_chip_is_required() -> None:
    assert problems_of({}) == [("chip", "required")]
    assert problems_of({"chip": [""]}) == [("chip", "invalid")]


def test_an_unknown_parameter_is_refused_with_the_nearest_name() -> None:
    assert detail_of(confidense="0.9") == "Unknown parameter: did you mean 'confidence'?"
    assert detail_of(zzzz="1").startswith("Unknown parameter. Known fields: chip, ")


def test_an_unknown_value_is_refused_with_the_nearest_value() -> None:
    assert detail_of(domain="cores").endswith("Did you mean 'core'?")


def test_a_parameter_sent_twice_is_refused_even_with_equal_values() -> None:
    assert problems_of({"chip": [CHIP], "domain": ["core", "core"]}) == [
        ("domain", "repeated_parameter")
    ]


@pytest.mark.parametrize("share", ["0.5", "0.50", "0.57", "0.9", "0.95", "0.99", "9e-1"])
def test_a_share_in_hundredths_is_accepted(share: str) -> None:
    assert asked(stable_share=share).stable_share == float(share)


@pytest.mark.parametrize("share", ["0.49", "1", "0.905", "0.9001", "nan", "inf", "-0.9", "90", ""])
def test_any_other_share_is_refused(share: str) -> None:
    assert {pointer for pointer, _ in problems_of({"chip": [CHIP], "stable_share": [share]})} == {
        "stable_share"
    }


@pytest.mark.parametrize("confidence", ["0.9", "0.95", "0.99", "0.950"])
def test_a_confidence_of_the_list_is_accepted(confidence: str) -> None:
    assert asked(confidence=confidence).confidence in CONFIDENCES


@pytest.mark.parametrize("confidence", ["0.8", "0.85", "1", "0", "nan", "95", ""])
def test_any_other_confidence_is_refused(confidence: str) -> None:
    assert problems_of({"chip": [CHIP], "confidence": [confidence]}) == [("confidence", "invalid")]


@pytest.mark.parametrize("clock_mhz", ["99.9", "10001", "nan", "inf", ""])
def test_a_clock_outside_the_range_is_refused(clock_mhz: str) -> None:
    assert {p for p, _ in problems_of({"chip": [CHIP], "clock_mhz": [clock_mhz]})} == {"clock_mhz"}


def test_order_and_repetition_of_domains_do_not_matter() -> None:
    keys = {asked(moved_with=",".join(order)).key for order in permutations(["ring", "io", "ring"])}
    assert len(keys) == 1
    assert asked(moved_with="ring,system_agent,io,memory").moved_with == (
        "io",
        "memory",
        "ring",
        "system_agent",
    )
    assert asked(moved_with="ring,core").moved_with == ("ring",)


def test_the_domain_alone_is_another_question_than_any_pool_with_it() -> None:
    assert asked(moved_with="").moved_with == ()
    assert asked(moved_with="core").moved_with == ()
    assert asked(moved_with="").key != asked().key


@pytest.mark.parametrize(
    "parameters",
    [
        {"chip": "Norvane(R) Sable(TM) 7 4820MX @ 2.60GHz"},
        {"domain": "core"},
        {"stable_share": "0.9"},
        {"stable_share": "0.90", "confidence": "0.950"},
    ],
)
def test_equal_questions_have_equal_keys(parameters: dict[str, str]) -> None:
    assert asked(**parameters).key == asked().key
    assert asked(**parameters) == asked()


def test_different_questions_have_different_keys() -> None:
    several = [
        asked(),
        asked(chip="norvane-sable-7-4800k"),
        asked(domain="ring"),
        asked(control="voltage_offset"),
        asked(control="count_offset"),
        asked(moved_with=""),
        asked(moved_with="ring"),
        asked(moved_with="io,ring"),
        asked(clock_mhz="1800"),
        asked(clock_mhz="1800.5"),
        asked(clock_mhz="1800.0001"),
        asked(clock_mhz="1800.0002"),
        asked(stable_share="0.91"),
        asked(confidence="0.9"),
    ]
    assert len(set(several)) == len(several)
    assert len({question.key for question in several}) == len(several)


def test_a_problem_never_repeats_what_was_sent() -> None:
    secret = "member-name-7f3a"
    names = ("chip", "domain", "control", "moved_with", "clock_mhz", "stable_share", "confidence")
    with pytest.raises(QueryInvalid) as caught:
        parse_question({name: [secret] for name in names}, CATALOGUE)
    assert len(caught.value.problems) == len(names)
    assert not any(secret in problem.detail for problem in caught.value.problems)
