"""Wire schema: strict types, closed lists, unknown fields, tokens; each fault at its pointer."""

from typing import Any

import pytest
from marshmallow import ValidationError

from kbapi.documents.results import SubmissionSchema
from kbapi.documents.shapes import problems_of
from tests.makers import a_setting, a_submission


def faults_of(document: Any) -> dict[str, str]:
    try:
        SubmissionSchema().load(document)
    except ValidationError as error:
        return {problem.pointer: problem.code for problem in problems_of(error.messages)}
    return {}


def details_of(document: Any) -> list[str]:
    with pytest.raises(ValidationError) as caught:
        SubmissionSchema().load(document)
    return [problem.detail for problem in problems_of(caught.value.messages)]


def test_a_whole_document_has_the_right_shape() -> None:
    full = a_setting(
        first_tried=-40,
        planned_end=None,
        failure="wrong_result",
        in_use=-74,
        read_back=-82.03,
        effect={"shown_by": "rail_voltage", "rail_mv": 1012.5},
        moved_with=["ring"],
        clock_mhz=None,
        stock_mv=None,
    )
    assert faults_of(a_submission(full)) == {}


def test_optional_fields_may_be_left_out() -> None:
    least = {"chip": "x", "settings": [{"domain": "core", "control": "voltage_offset"}]}
    assert faults_of(least) == {}


@pytest.mark.parametrize("field", ["chip", "settings"])
def test_required_fields_are_reported(field: str) -> None:
    assert faults_of(a_submission(**{field: ...})) == {f"/{field}": "required"}


@pytest.mark.parametrize("field", ["domain", "control"])
def test_required_fields_of_a_setting_are_reported(field: str) -> None:
    assert faults_of(a_submission(a_setting(**{field: ...}))) == {
        f"/settings/0/{field}": "required"
    }


@pytest.mark.parametrize(
    ("document", "pointer", "meant"),
    [
        (a_submission(contributer_token="x"), "/contributer_token", "contributor_token"),
        (a_submission(a_setting(stabel_at=-80)), "/settings/0/stabel_at", "stable_at"),
        (
            a_submission(a_setting(effect={"shown_by": "read_back", "rail_mw": 1})),
            "/settings/0/effect/rail_mw",
            "rail_mv",
        ),
        (
            a_submission(stock_passed=[{"load": "all_core", "minute": 1, "minutes": 1}]),
            "/stock_passed/0/minute",
            "minutes",
        ),
    ],
)
def test_an_unknown_field_gets_the_nearest_known_name(
    document: Any, pointer: str, meant: str
) -> None:
    assert faults_of(document) == {pointer: "unknown_field"}
    (detail,) = details_of(document)
    assert f"did you mean '{meant}'?" in detail


def test_an_unknown_field_without_a_near_one_gets_the_list() -> None:
    (detail,) = details_of(a_submission(zzzzzz=1))
    assert "Known fields: chip, chip_confirmed, chip_ids, client" in detail
    assert "zzzzzz" not in detail


def test_pointers_escape_and_stay_short() -> None:
    assert set(faults_of(a_submission(**{"a/b~c": 1}))) == {"/a~1b~0c"}
    (long,) = faults_of(a_submission(**{"x" * 5_000: 1}))
    assert len(long) == 81
    (half,) = faults_of(a_submission(**{"\ud800": 1}))
    half.encode()


NUMBERS = (
    "first_tried",
    "stable_at",
    "unstable_at",
    "planned_end",
    "in_use",
    "read_back",
    "minutes",
    "clock_mhz",
    "stock_mv",
)


@pytest.mark.parametrize("value", ["-80", True, False, [], {}, [-80], float("nan"), float("inf")])
@pytest.mark.parametrize("field", NUMBERS)
def test_a_number_is_a_number(field: str, value: Any) -> None:
    assert faults_of(a_submission(a_setting(**{field: value}))) != {}


@pytest.mark.parametrize("field", NUMBERS)
def test_any_number_may_be_null(field: str) -> None:
    assert faults_of(a_submission(a_setting(**{field: None}))) == {}


@pytest.mark.parametrize(
    ("field", "inside", "outside"),
    [
        ("minutes", (0, 525_600), (-0.1, 525_600.1)),
        ("clock_mhz", (100, 10_000), (99.9, 10_000.1)),
    ],
)
def test_a_number_stays_inside_its_range(
    field: str, inside: tuple[float, float], outside: tuple[float, float]
) -> None:
    for value in inside:
        assert faults_of(a_submission(a_setting(**{field: value}))) == {}
    for value in outside:
        assert faults_of(a_submission(a_setting(**{field: value}))) == {
            f"/settings/0/{field}": "invalid"
        }


@pytest.mark.parametrize("value", [0, 1, "true", "yes", "on", []])
def test_a_flag_is_true_or_false_and_nothing_else(value: Any) -> None:
    assert list(faults_of(a_submission(a_setting(checked_results=value)))) == [
        "/settings/0/checked_results"
    ]


@pytest.mark.parametrize("value", [True, False, None])
def test_a_flag_is_optional(value: bool | None) -> None:
    assert faults_of(a_submission(a_setting(checked_results=value))) == {}


@pytest.mark.parametrize("value", [7, True, [], {}, "", "x" * 10_001])
def test_the_chip_is_a_text(value: Any) -> None:
    assert faults_of(a_submission(chip=value)) == {"/chip": "invalid"}


def test_the_longest_chip_text_is_accepted() -> None:
    assert faults_of(a_submission(chip="x" * 400)) == {}


TOKENS = pytest.mark.parametrize("token", ["unit_token", "contributor_token"])


@TOKENS
@pytest.mark.parametrize("value", ["a" * 16, "Z" * 128, "AZaz09._~-AZaz09", None])
def test_a_token_is_accepted(token: str, value: str | None) -> None:
    assert faults_of(a_submission(**{token: value})) == {}


@TOKENS
@pytest.mark.parametrize(
    "value",
    [
        "a" * 15,
        "a" * 129,
        "a" * 16 + "\n",
        "\n" + "a" * 16,
        "a" * 8 + " " + "a" * 8,
        "ä" * 16,
        "a" * 15 + "/",
        "٣" * 16,
        "",
        7,
        ["a" * 16],
    ],
)
def test_a_text_that_is_not_a_token_is_refused(token: str, value: Any) -> None:
    assert faults_of(a_submission(**{token: value})) == {f"/{token}": "invalid"}


@pytest.mark.parametrize(
    ("value", "right"),
    [
        ("2026-09", True),
        ("2000-01", True),
        ("2026-12", True),
        (None, True),
        ("2026-13", False),
        ("2026-00", False),
        ("2026-9", False),
        ("1999-12", False),
        ("2026-09-01", False),
        ("2026-09\n", False),
        (202609, False),
    ],
)
def test_a_month_is_a_month(value: Any, right: bool) -> None:
    assert faults_of(a_submission(measured_in=value)) == (
        {} if right else {"/measured_in": "invalid"}
    )


@pytest.mark.parametrize(
    ("value", "right"),
    [
        ("bench-script/0.3", True),
        ("x" * 79 + "1", True),
        (None, True),
        ("x" * 80 + "1", False),
        ("Anna Holt", False),
        ("script@example", False),
        ("script\n", False),
        ("", False),
    ],
)
def test_the_client_is_a_name_and_a_version(value: Any, right: bool) -> None:
    assert faults_of(a_submission(client=value)) == ({} if right else {"/client": "invalid"})


@pytest.mark.parametrize(
    ("field", "near", "meant"),
    [
        ("domain", "cores", "core"),
        ("control", "voltage_ofset", "voltage_offset"),
        ("failure", "wrong_results", "wrong_result"),
    ],
)
def test_a_value_outside_its_list_gets_the_nearest_one(field: str, near: str, meant: str) -> None:
    document = a_submission(a_setting(**{field: near}))
    assert faults_of(document) == {f"/settings/0/{field}": "invalid"}
    (detail,) = details_of(document)
    assert detail.endswith(f"Did you mean '{meant}'?")


@pytest.mark.parametrize(
    ("field", "value", "pointer"),
    [
        ("moved_with", ["ring", "rnig"], "/settings/0/moved_with/1"),
        ("moved_with", ["ring"] * 10, "/settings/0/moved_with"),
        ("moved_with", "ring", "/settings/0/moved_with"),
        ("loads", ["everything"], "/settings/0/loads/0"),
        ("loads", ["all_core"] * 8, "/settings/0/loads"),
        ("effect", {"shown_by": "magic"}, "/settings/0/effect/shown_by"),
        ("effect", {}, "/settings/0/effect/shown_by"),
        ("effect", "read_back", "/settings/0/effect"),
    ],
)
def test_lists_and_effects_have_known_values_only(field: str, value: Any, pointer: str) -> None:
    assert list(faults_of(a_submission(a_setting(**{field: value})))) == [pointer]


@pytest.mark.parametrize(("number", "right"), [(0, False), (1, True), (32, True), (33, False)])
def test_a_document_has_one_to_thirty_two_settings(number: int, right: bool) -> None:
    document = {**a_submission(), "settings": [a_setting()] * number}
    code = "invalid" if number else "required"
    assert faults_of(document) == ({} if right else {"/settings": code})


@pytest.mark.parametrize("document", [None, [], 7, "text", True])
def test_a_document_is_an_object(document: Any) -> None:
    assert faults_of(document) == {"": "invalid"}


def test_every_fault_is_listed_at_once() -> None:
    document = a_submission(
        a_setting(stable_at="-80", domain="cores"),
        7,
        a_setting(bogus=1),
        unit_token="short",
        measured_in="soon",
    )
    assert set(faults_of(document)) == {
        "/settings/0/stable_at",
        "/settings/0/domain",
        "/settings/1",
        "/settings/2/bogus",
        "/unit_token",
        "/measured_in",
    }


def test_domains_that_moved_and_loads_have_one_order_and_come_once() -> None:
    setting = a_setting(moved_with=["ring", "io", "ring"], loads=["vector_heavy", "all_core"])
    (loaded,) = SubmissionSchema().load(a_submission(setting)).settings
    assert loaded.moved_with == ("io", "ring")
    assert loaded.loads == ("all_core", "vector_heavy")
    assert loaded.domains == ("core", "io", "ring")
