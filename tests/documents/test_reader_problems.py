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
from tests.makers import (
    CHIP,
    Unreviewed,
    a_body,
    a_setting,
    a_submission,
)

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


ABSENT = "not_on_this_chip"
IN_COUNTS = {"stable_at": -14, "unstable_at": -15}
IN_FORCE = {"domain": "io", "control": "voltage_offset", "value": -40}


@pytest.mark.parametrize(
    ("setting", "pointers"),
    [
        (a_setting(domain="io"), ["/settings/0/domain"]),
        (a_setting(moved_with=["io", "ring"]), ["/settings/0/moved_with"]),
        (a_setting(control="count_offset", **IN_COUNTS), ["/settings/0/control"]),
        (
            a_setting(domain="io", moved_with=["gpu_core"], control="count_offset", **IN_COUNTS),
            ["/settings/0/domain", "/settings/0/moved_with", "/settings/0/control"],
        ),
        (a_setting(domain="ring", moved_with=["core"]), []),
    ],
)
def test_a_setting_of_what_the_chip_does_not_have_is_refused(
    setting: dict[str, Any], pointers: list[str]
) -> None:
    document = a_submission(setting)
    if pointers:
        assert problems_of(document) == [(pointer, ABSENT) for pointer in pointers]
    else:
        assert not read(a_body(document)).result.settings[0].is_foreign


def test_the_refusal_names_what_the_chip_has() -> None:
    with pytest.raises(DocumentRefused) as refused:
        read(a_body(a_submission(chip="osmer-kestrel-640-laptop")))
    (domain, control) = refused.value.problems
    assert domain.detail == "Osmer Kestrel 640 Laptop Graphics has no core. It has: gpu_core."
    assert control.detail == (
        "Osmer Kestrel 640 Laptop Graphics has no voltage_offset. "
        "It has: fixed_clock_voltage, power_limit."
    )


def test_what_is_in_force_in_a_run_is_refused_once_where_the_chip_does_not_have_it() -> None:
    run = {"settings": [IN_FORCE], "outcome": "stable", "seconds": 60}
    tuned = {"state": "tuned", "load": "all_core", "power_w": 40, "settings": [IN_FORCE]}
    document = a_submission(trials=[run, run], readings=[tuned])
    assert problems_of(document) == [("/trials/0/settings/0/domain", ABSENT)]


def test_a_lock_may_name_what_the_chip_does_not_have() -> None:
    lock = {"domain": "io", "control": "count_offset", "status": "not_exposed"}
    assert len(read(a_body(a_submission(locks=[lock]))).result.locks) == 1


def test_the_sound_settings_of_an_unsound_document_are_compared_with_the_chip() -> None:
    document = a_submission(a_setting(domain="io"), a_setting(minutes="x"))
    assert problems_of(document) == [
        ("/settings/1/minutes", "invalid"),
        ("/settings/0/domain", ABSENT),
    ]
    assert problems_of({**document, "chip": "bogus thing"}) == [
        ("/settings/1/minutes", "invalid"),
        ("/chip", "chip_unreadable"),
    ]


def test_a_chip_that_no_file_describes_may_have_every_domain_of_a_processor() -> None:
    document = a_submission(a_setting(domain="io"), chip="norvane-sable-7-9990mx")
    assert not read(a_body(document)).result.settings[0].is_foreign
    assert problems_of({**document, "settings": [a_setting(domain="gpu_core")]}) == [
        ("/settings/0/domain", ABSENT)
    ]


def test_what_the_catalogue_only_believes_to_be_absent_is_marked_and_not_refused() -> None:
    unsure: Any = Unreviewed(CATALOGUE)
    body = read_json(a_body(a_submission(a_setting(domain="io"), a_setting())))
    foreign, own = read_document(body, THIS_MONTH, unsure).result.settings
    assert (foreign.is_foreign, own.is_foreign) == (True, False)


def test_a_problem_of_the_text_is_not_listed_again_for_its_shape() -> None:
    body = json.dumps(a_submission()).replace("-80", "NaN").encode()
    assert problems_of(body) == [("/settings/0/stable_at", "not_finite")]


@pytest.mark.parametrize(
    ("text", "code"),
    [("bogus thing", "chip_unreadable"), ("QEMU Virtual CPU version 2.5+", "chip_unreadable")],
)
def test_a_text_that_names_no_chip_is_refused(text: str, code: str) -> None:
    assert problems_of(a_submission(chip=text)) == [("/chip", code)]


def problems_with_candidates(document: object) -> list[tuple[str, str, tuple[str, ...]]]:
    with pytest.raises(DocumentRefused) as caught:
        read(a_body(document))
    return [(one.pointer, one.code, one.candidates) for one in caught.value.problems]


def test_a_number_with_a_typing_error_is_asked_back() -> None:
    document = a_submission(chip="Norvane(R) Sable(TM) 7 4280MX @ 2.60GHz")
    assert problems_with_candidates(document) == [("/chip", "chip_unlikely", (CHIP,))]


@pytest.mark.parametrize("confirmed", [False, None])
def test_only_true_confirms_a_chip(confirmed: bool | None) -> None:
    document = a_submission(chip="norvane sable 7 4280mx", chip_confirmed=confirmed)
    assert problems_with_candidates(document) == [("/chip", "chip_unlikely", (CHIP,))]


def test_a_confirmed_chip_is_taken_as_new() -> None:
    document = a_submission(chip="norvane sable 7 4280mx", chip_confirmed=True)
    assert read(a_body(document)).chip.key == "norvane-sable-7-4280mx"
    assert read(a_body(document)).raw["chip_confirmed"] is True


def test_a_chip_that_is_described_needs_no_confirmation() -> None:
    assert read(a_body(a_submission(chip_confirmed=False))).chip.key == CHIP


def test_of_a_whole_record_only_the_name_is_kept() -> None:
    line = "model name\t: Norvane(R) Sable(TM) 7 4820MX @ 2.60GHz"
    record = f"processor\t: 0\n{line}\nflags\t\t: {'fpu vme ' * 300}\n\n" * 4
    document = read(a_body(a_submission(chip=record)))
    assert document.chip.key == CHIP
    assert document.raw["chip"] == line


def test_a_record_of_two_chips_is_ambiguous() -> None:
    record = "Name=Norvane Sable 7 4820MX\nName=Norvane Sable 5 4810MX\n"
    assert problems_of(a_submission(chip=record)) == [("/chip", "chip_ambiguous")]


def test_a_long_text_that_is_no_record_is_refused() -> None:
    assert problems_of(a_submission(chip="x" * 401)) == [("/chip", "too_long")]


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
