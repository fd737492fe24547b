"""Texts and names of a query are checked like those of a result, and never repeated."""

import pytest

from kbapi.advice.locks.query import LockQuestionSchema
from kbapi.advice.start.query import QuestionSchema
from kbapi.documents.reader import Parameters, read_parameters, unknown_parameters
from kbapi.errors import Problem
from tests.documents.test_personal_data_strings import strings

CHIP = "norvane-sable-7-4820mx"
PERSONAL = "anna@mail.example"
SERIAL = "PF3A2B1C"


def asked(**sent: str) -> Parameters:
    return read_parameters(QuestionSchema(), {"chip": [CHIP]} | {n: [v] for n, v in sent.items()})


@pytest.mark.parametrize("name", ["chip", "machine", "firmware", "microcode", "domain", "load"])
def test_personal_data_is_found_in_each_text_and_not_repeated(name: str) -> None:
    read = asked(**{name: PERSONAL})
    assert [(one.pointer, one.code) for one in read.problems] == [(name, "personal_data_found")]
    assert PERSONAL not in repr(read.problems)


def test_a_text_is_checked_as_in_a_result() -> None:
    for name in ("firmware", "microcode", "machine"):
        assert asked(**{name: SERIAL}).problems[0].code == "personal_data_found"
    assert asked(machine="Quay 14 20XW004QUS").problems == ()
    assert asked(firmware="31.0.101.5590", microcode="0x08701021").problems == ()


def test_every_planted_version_and_machine_is_refused_in_a_query_too() -> None:
    names = {"firmware", "microcode"}
    for one in strings("strings_planted.jsonl"):
        if one["field"] in names:
            problems = asked(**{one["field"]: one["text"]}).problems
            assert problems, one
            assert one["text"] not in repr(problems)


def test_each_value_of_a_repeated_parameter_is_checked() -> None:
    sent = {"chip": [CHIP], "machine": ["harbour-15", PERSONAL]}
    codes = [one.code for one in read_parameters(LockQuestionSchema(), sent).problems]
    assert codes == ["repeated_parameter", "personal_data_found"]


def test_a_number_with_many_digits_is_no_device_number() -> None:
    assert asked(clock_mhz="1800.12345678").problems == ()


@pytest.mark.parametrize("name", [PERSONAL, "annas-macbook.local", "x" * 33, "call 0170 1234567"])
def test_a_name_that_does_not_look_like_one_is_not_repeated(name: str) -> None:
    for problems in (asked(**{name: "1"}).problems, unknown_parameters([name])):
        assert [one.code for one in problems] == ["unknown_field"]
        assert problems[0].pointer == ""
        assert name not in repr(problems)


def test_a_name_that_looks_like_one_is_repeated() -> None:
    (problem,) = asked(firmwear="1.14").problems
    assert isinstance(problem, Problem)
    assert problem.pointer == "firmwear"
