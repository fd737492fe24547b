"""The reader: text, shape, rules and chip together; it lists every problem once."""

import json
from typing import Any

import pytest
from marshmallow import Schema, fields

from kbapi.chips.catalogue_file import load_catalogue
from kbapi.documents.reader import ReadDocument, read_document, read_json
from kbapi.documents.results import SettingSchema, SubmissionSchema
from kbapi.documents.shapes import did_you_mean
from kbapi.errors import DocumentRefused, JsonUnreadable
from kbapi.settings import bundled_folder
from tests.makers import CHIP, a_body, a_setting, a_submission

CATALOGUE = load_catalogue(bundled_folder("seed_data") / "club" / "catalogue")
THIS_MONTH = "2026-09"


def read(body: bytes) -> ReadDocument:
    return read_document(read_json(body), THIS_MONTH, CATALOGUE)


def problems_of(document: Any) -> list[tuple[str, str]]:
    body = document if isinstance(document, bytes) else a_body(document)
    with pytest.raises(DocumentRefused) as caught:
        read(body)
    return [(problem.pointer, problem.code) for problem in caught.value.problems]


def test_a_sound_document_is_parsed_and_loses_its_tokens() -> None:
    sent = a_submission()
    document = read(a_body(sent))
    assert document.chip.key == CHIP
    assert document.result.unit_token == sent["unit_token"]
    tokens = {"unit_token", "contributor_token"}
    assert document.raw == {name: value for name, value in sent.items() if name not in tokens}


def test_problems_of_text_shape_rules_and_chip_are_listed_together() -> None:
    document = a_submission(a_setting(stable_at=80), a_setting(domain="cores"), chip="bogus thing")
    body = json.dumps(document).replace('"minutes": 20', '"minutes": NaN', 1).encode()
    assert problems_of(body) == [
        ("/stock_passed/0/minutes", "not_finite"),
        ("/settings/1/domain", "invalid"),
        ("/chip", "chip_unreadable"),
        ("/settings/0/stable_at", "above_stock"),
    ]


def test_a_problem_of_the_text_is_not_listed_again_for_its_shape() -> None:
    body = json.dumps(a_submission()).replace("-80", "NaN").encode()
    assert problems_of(body) == [("/settings/0/stable_at", "not_finite")]


@pytest.mark.parametrize(
    ("text", "code"),
    [("bogus thing", "chip_unreadable"), ("QEMU Virtual CPU version 2.5+", "chip_unreadable")],
)
def test_a_text_that_names_no_chip_is_refused(text: str, code: str) -> None:
    assert problems_of(a_submission(chip=text)) == [("/chip", code)]


def test_sound_settings_of_a_misshapen_document_are_checked_too() -> None:
    document = a_submission(a_setting(minutes="long"), a_setting(domain="ring", in_use=5))
    assert problems_of(document) == [
        ("/settings/0/minutes", "invalid"),
        ("/settings/1/in_use", "above_stock"),
    ]


def test_problems_of_the_whole_document_are_listed_with_a_wrong_shape() -> None:
    twice = a_submission(a_setting(), a_setting(), measured_in="2027-01", bogus=1)
    assert set(problems_of(twice)) == {
        ("/bogus", "unknown_field"),
        ("/settings/1", "setting_twice"),
        ("/measured_in", "month_in_future"),
    }


def test_problems_of_the_whole_document_are_listed_with_those_of_a_setting() -> None:
    document = a_submission(a_setting(stable_at=80), measured_in="2027-01")
    assert set(problems_of(document)) == {
        ("/settings/0/stable_at", "above_stock"),
        ("/measured_in", "month_in_future"),
    }


@pytest.mark.parametrize("body", [b"", b"{", b"\xff", b"[" * 600])
def test_a_value_that_is_not_a_text_is_listed_alone(body: bytes) -> None:
    with pytest.raises(JsonUnreadable):
        read(body)


@pytest.mark.parametrize("document", [None, [], 7, "text"])
def test_a_document_that_is_not_an_object_is_refused(document: Any) -> None:
    assert problems_of(document) == [("", "invalid")]


def faulty_locks(number: int, faults: int = 1) -> list[dict[str, Any]]:
    """So many locks, each with so many of three possible faults of shape."""
    faulty = {"domain": "cores", "control": "volts", "status": "closed"}
    sound = {"domain": "core", "control": "voltage_offset", "status": "open"}
    wrong = tuple(faulty)[:faults]
    return [{**sound, **{name: faulty[name] for name in wrong}} for _ in range(number)]


def test_reading_stops_at_the_65th_problem_of_shape() -> None:
    at_most = problems_of(a_submission(locks=faulty_locks(64), chip="QEMU Virtual CPU"))
    listed = [(f"/locks/{place}/domain", "invalid") for place in range(64)]
    assert at_most == [*listed, ("", "more_problems")]
    assert len(problems_of(a_submission(locks=faulty_locks(63), chip="QEMU Virtual CPU"))) == 64
    with pytest.raises(DocumentRefused) as caught:
        read(a_body(a_submission(locks=faulty_locks(64, faults=3))))
    *listed, last = caught.value.problems
    assert len(listed) == 64
    assert last.detail == "Reading stopped after 64 problems. Correct these and send it again."


@pytest.mark.parametrize(
    "text",
    [
        "[" + ",".join(["NaN"] * 65) + "]",
        "{" + ",".join(f'"{key}": 1, "{key}": 2' for key in range(65)) + "}",
        json.dumps([f"{number}@mail.example" for number in range(65)]),
    ],
)
def test_nothing_else_is_read_after_65_problems_of_the_text(text: str) -> None:
    body = json.dumps(a_submission(chip="bogus thing")).replace('"bogus thing"', text).encode()
    found = problems_of(body)
    assert len(found) == 65
    assert found[-1] == ("", "more_problems")
    assert not {"invalid", "unknown_field", "chip_unreadable"} & {code for _, code in found}


def test_reading_stops_at_the_33rd_unknown_field_of_all_objects_together() -> None:
    known = a_submission(a_setting(bogus1=1, bogus2=1), a_setting(bogus3={"a": 1}))
    below = {f"bogus{number}": 1 for number in range(29)}
    assert set(problems_of({**known, **below})) == {
        ("/settings/0/bogus1", "unknown_field"),
        ("/settings/0/bogus2", "unknown_field"),
        ("/settings/1/bogus3", "unknown_field"),
        *((f"/{name}", "unknown_field") for name in below),
    }
    beyond = {**known, **below, "bogus29": 1, "chip": 7, "settings": [*known["settings"], {}]}
    found = problems_of(beyond)
    assert len(found) == 33
    assert found[-1] == ("", "too_many_unknown_fields")
    assert {code for _, code in found[:-1]} == {"unknown_field"}


@pytest.mark.parametrize("field", ["locks", "settings", "trials", "readings", "stock_passed"])
def test_the_records_of_a_list_that_is_too_long_are_not_read(field: str) -> None:
    document = a_submission(**{field: [{}] * 300})
    assert problems_of(document) == [(f"/{field}", "invalid")]


def test_a_problem_never_repeats_a_sent_value() -> None:
    secret = "member-name-7f3a"
    document = a_submission(
        a_setting(domain=secret, effect={"shown_by": secret}, loads=[secret]),
        unit_token=f"!{secret}",
        client=f"{secret}!",
        chip=f"bogus {secret}",
        measured_in=secret,
    )
    with pytest.raises(DocumentRefused) as caught:
        read(a_body(document))
    assert len(caught.value.problems) == 7
    assert not any(secret in problem.detail for problem in caught.value.problems)


def largest(schema: Schema) -> dict[str, Any]:
    """A document with every field, and as many entries in each list as its schema allows."""
    return {name: _largest_of(field) for name, field in schema.fields.items()}


def _largest_of(field: Any) -> Any:
    if isinstance(field, fields.List):
        (length,) = field.validators
        return [_largest_of(field.inner)] * length.max
    if isinstance(field, fields.Nested):
        return largest(field.schema)
    return 1 if isinstance(field, fields.Number) else "text"


def test_the_largest_possible_result_is_within_the_bound_of_values() -> None:
    reading = read_json(json.dumps(largest(SubmissionSchema())).encode())
    assert reading.is_complete
    assert reading.problems == ()


@pytest.mark.parametrize(
    ("name", "detail"),
    [
        ("stable_att", "Unknown field: did you mean 'stable_at'?"),
        ("stable_at" * 1_000, "Unknown field. Known fields:"),
        ("é" * 1_000, "Unknown field. Known fields:"),
    ],
)
def test_a_suggestion_compares_the_beginning_of_a_name(name: str, detail: str) -> None:
    assert did_you_mean(name, tuple(SettingSchema().fields)).startswith(detail)
