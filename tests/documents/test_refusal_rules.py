"""Each rule of refusal just inside and just outside its bound, and all that apply at once."""

from typing import Any

import pytest

from kbapi.documents.refusal_rules import REFUSALS, refuse_document, refuse_setting
from kbapi.documents.results import SubmissionSchema, SubmittedResult
from tests.makers import a_fixed_clock_setting, a_setting, a_submission


def offset(**changes: Any) -> dict[str, Any]:
    return a_setting(**{"stable_at": None, "unstable_at": None, **changes})


def counts(**changes: Any) -> dict[str, Any]:
    return offset(control="count_offset", **changes)


def fixed(**changes: Any) -> dict[str, Any]:
    return a_fixed_clock_setting(**{"stable_at": None, "unstable_at": None, **changes})


VALUES = ("first_tried", "stable_at", "unstable_at", "planned_end", "in_use")

# Of each rule: settings that just keep it, and settings that just break it with its field.
CASES: dict[str, tuple[list[dict[str, Any]], list[tuple[dict[str, Any], str]]]] = {
    "no_outcome": (
        [offset(stable_at=-80), offset(unstable_at=-80)],
        [(offset(), "stable_at"), (offset(in_use=-70, read_back=-70), "stable_at")],
    ),
    "clock_missing": (
        [fixed(stable_at=800), offset(stable_at=-80, clock_mhz=None)],
        [(fixed(stable_at=800, clock_mhz=None), "clock_mhz")],
    ),
    "looks_like_volts": (
        [
            offset(stable_at=-1),
            offset(stable_at=0),
            counts(stable_at=-0.5),
            *(offset(**{"stable_at": -80, field: -1}) for field in VALUES),
            *(offset(stable_at=round(-step * 1000 / 1024, 2)) for step in (2, 3, 4, 5)),
            *(offset(stable_at=value) for value in (-2, -2.5, -2.9, -3, -4, -4.9, -5, -5.25)),
            fixed(stable_at=None, unstable_at=801.25),
        ],
        [
            (offset(stable_at=-0.95), "stable_at"),
            *((offset(stable_at=value), "stable_at") for value in (-1.2, -1.25, 1.2, -1.01)),
            *((offset(stable_at=value), "stable_at") for value in (-1.5, -1.8, -3.3, -4.99)),
            *((offset(**{"stable_at": -80, field: -1.05}), field) for field in VALUES),
            (offset(stable_at=-0.08), "stable_at"),
            (offset(stable_at=-0.999), "stable_at"),
            (offset(stable_at=0.08), "stable_at"),
            *((offset(**{"stable_at": -80, field: -0.08}), field) for field in VALUES),
        ],
    ),
    "above_stock": (
        [
            offset(stable_at=0),
            counts(stable_at=0),
            fixed(stable_at=900),
            fixed(stable_at=1_000, stock_mv=None),
        ],
        [
            *((offset(**{"stable_at": -80, field: 1}), field) for field in VALUES),
            (counts(stable_at=1), "stable_at"),
            (fixed(stable_at=900.1), "stable_at"),
            (fixed(stable_at=800, in_use=901), "in_use"),
        ],
    ),
    "count_not_whole": (
        [counts(stable_at=-15), counts(stable_at=-15.0), offset(stable_at=-15.5)],
        [
            (counts(stable_at=-15.5), "stable_at"),
            *((counts(**{"stable_at": -15, field: -14.9}), field) for field in VALUES),
        ],
    ),
    "outside_fixed_clock_range": (
        [
            fixed(stable_at=400, stock_mv=700),
            fixed(stable_at=1_500, stock_mv=1_500),
            fixed(stable_at=400, stock_mv=400),
            offset(stable_at=-80, stock_mv=0),
        ],
        [
            (fixed(stable_at=399.9, stock_mv=700), "stable_at"),
            (fixed(stable_at=1_500.1, stock_mv=None), "stable_at"),
            (fixed(stable_at=1_400, stock_mv=1_500.1), "stock_mv"),
            (fixed(stable_at=0.8, stock_mv=None), "stable_at"),
            (fixed(stable_at=-80, stock_mv=None), "stable_at"),
        ],
    ),
    "beyond_hard_bound": (
        [
            offset(stable_at=-300),
            offset(domain="memory", stable_at=-300),
            counts(stable_at=-60),
            fixed(stable_at=550),
            fixed(stable_at=500, stock_mv=None),
        ],
        [
            (offset(stable_at=-300.1), "stable_at"),
            (offset(domain="memory", unstable_at=-300.1), "unstable_at"),
            (offset(stable_at=-80, planned_end=-301), "planned_end"),
            (counts(stable_at=-61), "stable_at"),
            (fixed(stable_at=549.9), "stable_at"),
        ],
    ),
    "unstable_not_deeper": (
        [
            offset(stable_at=-80, unstable_at=-80.01),
            counts(stable_at=-15, unstable_at=-16),
            fixed(stable_at=800, unstable_at=799.9),
        ],
        [
            (offset(stable_at=-80, unstable_at=-80), "unstable_at"),
            (offset(stable_at=-80, unstable_at=-79), "unstable_at"),
            (fixed(stable_at=800, unstable_at=800), "unstable_at"),
        ],
    ),
    "in_use_fails": (
        [
            offset(stable_at=-80, unstable_at=-85, in_use=-84),
            offset(stable_at=-80, unstable_at=None, in_use=-80),
            fixed(stable_at=800, unstable_at=790, in_use=791),
        ],
        [
            (offset(stable_at=-80, unstable_at=-85, in_use=-85), "in_use"),
            (offset(stable_at=-80, unstable_at=-85, in_use=-95), "in_use"),
            (fixed(stable_at=800, unstable_at=790, in_use=790), "in_use"),
        ],
    ),
}


def loaded(*settings: dict[str, Any], **changes: Any) -> SubmittedResult:
    result = SubmissionSchema().load(a_submission(*settings, **changes))
    assert isinstance(result, SubmittedResult)
    return result


def refused(setting: dict[str, Any]) -> list[tuple[str, str]]:
    (parsed,) = loaded(setting).settings
    return [
        (problem.code, problem.pointer.removeprefix("/settings/0/"))
        for problem in refuse_setting(parsed, "/settings/0")
    ]


def test_every_rule_has_its_cases() -> None:
    assert list(CASES) == [rule.code for rule in REFUSALS]


@pytest.mark.parametrize(
    ("code", "setting"), [(code, setting) for code, (kept, _) in CASES.items() for setting in kept]
)
def test_a_value_just_inside_the_bound_passes(code: str, setting: dict[str, Any]) -> None:
    assert code not in [found for found, _ in refused(setting)]


@pytest.mark.parametrize(
    ("code", "setting", "field"),
    [(code, *broken) for code, (_, breaking) in CASES.items() for broken in breaking],
)
def test_a_value_just_outside_the_bound_names_the_field(
    code: str, setting: dict[str, Any], field: str
) -> None:
    assert (code, field) in refused(setting)


def details_of(setting: dict[str, Any]) -> dict[str, str]:
    (parsed,) = loaded(setting).settings
    return {problem.code: problem.detail for problem in refuse_setting(parsed, "/settings/0")}


@pytest.mark.parametrize(
    ("setting", "code", "hint"),
    [
        (offset(stable_at=80), "above_stock", "negative is lower. Did you mean -80?"),
        (offset(stable_at=-0.08), "looks_like_volts", "did you mean -80?"),
        (offset(stable_at=-0.3), "looks_like_volts", "did you mean -300?"),
        (offset(stable_at=-0.95), "looks_like_volts", "0.95 V is no offset: send the distance"),
        (offset(stable_at=-1.25), "looks_like_volts", "1.25 V is no offset: send the distance"),
        (fixed(stable_at=0.8, stock_mv=None), "outside_fixed_clock_range", "Did you mean 800?"),
        (fixed(stable_at=905), "above_stock", "stock_mv is 900"),
        (offset(stable_at=-90, unstable_at=-80), "unstable_not_deeper", "exchanged?"),
    ],
)
def test_the_sentence_suggests_a_correction(setting: dict[str, Any], code: str, hint: str) -> None:
    assert hint in details_of(setting)[code]


def test_a_positive_number_of_volts_gets_one_hint() -> None:
    hints = [
        found for found in details_of(offset(stable_at=0.08)).values() if "did you mean" in found
    ]
    assert hints
    assert all("-80?" in hint for hint in hints)


def test_every_rule_that_applies_is_listed_in_the_order_of_the_table() -> None:
    setting = offset(first_tried=-0.05, stable_at=90, unstable_at=95, in_use=-400)
    assert refused(setting) == [
        ("looks_like_volts", "first_tried"),
        ("above_stock", "stable_at"),
        ("above_stock", "unstable_at"),
        ("beyond_hard_bound", "in_use"),
        ("unstable_not_deeper", "unstable_at"),
        ("in_use_fails", "in_use"),
    ]


def test_every_rule_has_a_sentence() -> None:
    assert all(rule.sentence.endswith(".") for rule in REFUSALS)


def refused_whole(*settings: dict[str, Any], **changes: Any) -> list[tuple[str, str]]:
    problems = refuse_document(loaded(*settings, **changes), "2026-09")
    return [(problem.pointer, problem.code) for problem in problems]


@pytest.mark.parametrize(
    ("first", "second", "twice"),
    [
        (offset(stable_at=-80), offset(stable_at=-70), True),
        (offset(stable_at=-80), offset(stable_at=-80, domain="ring"), False),
        (offset(stable_at=-80), counts(stable_at=-10), False),
        (offset(moved_with=["ring"]), offset(domain="ring", moved_with=["core"]), True),
        (offset(moved_with=["ring"]), offset(), False),
        (fixed(), fixed(), True),
        (fixed(), fixed(clock_mhz=1_900), False),
        # An offset has no clock: a clock beside it does not make another setting.
        (offset(stable_at=-80), offset(stable_at=-70, clock_mhz=1_800), True),
    ],
)
def test_a_setting_is_sent_once(first: Any, second: Any, twice: bool) -> None:
    expected = [("/settings/1", "setting_twice")] if twice else []
    assert refused_whole(first, second) == expected


@pytest.mark.parametrize(
    ("month", "ahead"),
    [("2026-08", False), ("2026-09", False), ("2026-10", True), ("2027-01", True)],
)
def test_a_future_month_is_refused(month: str, ahead: bool) -> None:
    expected = [("/measured_in", "month_in_future")] if ahead else []
    assert refused_whole(measured_in=month) == expected


@pytest.mark.parametrize("read_back", [-0.98, 0.98, 903.0, -1_000.0])
def test_a_strange_read_back_never_refuses_a_result(read_back: float) -> None:
    assert refused(offset(stable_at=-80, unstable_at=-85, read_back=read_back)) == []
