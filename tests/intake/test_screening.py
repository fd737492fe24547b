"""Screening: each rule just inside and just outside, the standing, grades, steps, early stops."""

from dataclasses import replace
from fractions import Fraction
from typing import Any

import pytest

from kbapi.documents.measurements import StockPass
from kbapi.documents.results import Effect, SubmittedResult, SubmittedSetting
from kbapi.intake.screening import SCREENING_RULES, ScreenedSetting, grade_of, screen_setting
from kbapi.stats.intervals import Grid

FIVES = Grid(Fraction(5))
COUNTED = SubmittedSetting(
    domain="core",
    control="voltage_offset",
    stable_at=-80.0,
    unstable_at=-90.0,
    loads=("all_core", "vector_heavy"),
    minutes=65.0,
)
PASSED_ALONE = replace(COUNTED, unstable_at=None, read_back=-80.0)
AT_A_CLOCK = replace(
    COUNTED,
    domain="gpu_core",
    control="fixed_clock_voltage",
    clock_mhz=1800.0,
    stock_mv=900.0,
    stable_at=800.0,
    unstable_at=790.0,
)
IN_COUNTS = replace(COUNTED, control="count_offset", stable_at=-15.0, unstable_at=-16.0)
FAILED_FIRST = replace(COUNTED, stable_at=None)
SOUND_STOCK = (StockPass("vector_heavy", 20.0),)


def screened(
    setting: SubmittedSetting, stock: tuple[StockPass, ...] = SOUND_STOCK, grid: Grid = FIVES
) -> ScreenedSetting:
    result = SubmittedResult(chip="some chip", settings=(setting,), stock_passed=stock)
    return screen_setting(setting, result, grid)


Case = tuple[SubmittedSetting, tuple[StockPass, ...]]


def case(setting: SubmittedSetting, stock: tuple[StockPass, ...] = SOUND_STOCK, **c: Any) -> Case:
    return replace(setting, **c), stock


# Of each rule: cases that it leaves alone, and cases that it applies to.
CASES: dict[str, tuple[list[Case], list[Case]]] = {
    "beyond_soft_bound": (
        [
            case(PASSED_ALONE, stable_at=-160.0),
            case(COUNTED, stable_at=-150.0, unstable_at=-160.0),
            case(COUNTED, domain="memory", stable_at=-90.0, unstable_at=-100.0),
            case(IN_COUNTS, stable_at=-29.0, unstable_at=-30.0),
            case(AT_A_CLOCK, stable_at=710.0, unstable_at=700.0),
            case(AT_A_CLOCK, stock_mv=None, stable_at=500.0, unstable_at=490.0),
        ],
        [
            case(PASSED_ALONE, stable_at=-160.1),
            case(COUNTED, stable_at=-150.0, unstable_at=-160.1),
            case(COUNTED, domain="memory", stable_at=-90.0, unstable_at=-100.1),
            case(COUNTED, domain="graphics", stable_at=-90.0, unstable_at=-100.1),
            case(IN_COUNTS, stable_at=-30.0, unstable_at=-31.0),
            case(AT_A_CLOCK, stable_at=710.0, unstable_at=699.9),
        ],
    ),
    "stock_mv_missing": (
        [case(AT_A_CLOCK), case(COUNTED)],
        [case(AT_A_CLOCK, stock_mv=None)],
    ),
    "not_on_this_chip": (
        [case(COUNTED, is_foreign=False)],
        [case(COUNTED, is_foreign=True)],
    ),
    "fails_at_stock": (
        [
            case(FAILED_FIRST, unstable_at=-1.0),
            case(AT_A_CLOCK, unstable_at=None),
            case(AT_A_CLOCK, stable_at=None, stock_mv=900.0, unstable_at=899.0),
        ],
        [
            case(FAILED_FIRST, unstable_at=0.0),
            case(AT_A_CLOCK, stable_at=None, stock_mv=900.0, unstable_at=900.0),
        ],
    ),
    "only_short_test": (
        [case(PASSED_ALONE, minutes=10.0), case(COUNTED, minutes=1.0)],
        [case(PASSED_ALONE, minutes=9.9), case(PASSED_ALONE, minutes=None)],
    ),
    "effect_unproven": (
        [
            case(COUNTED),
            case(FAILED_FIRST),
            case(PASSED_ALONE),
            case(PASSED_ALONE, read_back=-86.25),
            case(PASSED_ALONE, read_back=-73.75),
            case(PASSED_ALONE, read_back=-70.0, in_use=-70.0),
            case(PASSED_ALONE, stable_at=-6.0, read_back=-3.0),
            case(PASSED_ALONE, read_back=None, effect=Effect("less_power")),
            case(PASSED_ALONE, read_back=None, effect=Effect("more_clock")),
            case(PASSED_ALONE, read_back=None, effect=Effect("rail_voltage", 1012.5)),
            case(IN_COUNTS, unstable_at=None, read_back=-15.0),
        ],
        [
            case(PASSED_ALONE, read_back=None),
            case(PASSED_ALONE, read_back=0.0),
            case(PASSED_ALONE, read_back=-86.3),
            case(PASSED_ALONE, read_back=-73.7),
            case(PASSED_ALONE, stable_at=-6.0, read_back=-2.9),
            case(PASSED_ALONE, stable_at=-5.0, read_back=0.0),
            case(PASSED_ALONE, stable_at=0.0, read_back=0.0),
            case(PASSED_ALONE, read_back=None, effect=Effect("read_back")),
            case(PASSED_ALONE, read_back=None, effect=Effect("failed_deeper")),
            case(PASSED_ALONE, read_back=None, effect=Effect("rail_voltage")),
            case(IN_COUNTS, unstable_at=None, read_back=-14.0),
        ],
    ),
    "short_test": (
        [case(COUNTED, minutes=10.0), case(FAILED_FIRST, minutes=1.0), case(PASSED_ALONE)],
        [case(COUNTED, minutes=9.9), case(COUNTED, minutes=None)],
    ),
    "stock_unproven": (
        [
            case(FAILED_FIRST),
            case(FAILED_FIRST, (StockPass("all_core", 0.0), StockPass("vector_heavy", 0.1))),
            case(COUNTED, ()),
        ],
        [case(FAILED_FIRST, ()), case(FAILED_FIRST, (StockPass("all_core", 0.0),))],
    ),
}
STANDING = {"excluded": "excluded", "unverified": "unverified", "remark": "counted"}


# What needs runs, readings or locks stands in test_runs_and_readings_decide_what_counts.py.
ELSEWHERE = (
    "control_locked",
    "only_failure_not_isolated",
    "temperature_implausible",
    "failure_not_isolated",
)


def test_every_rule_has_its_cases() -> None:
    codes = [rule.code for rule in SCREENING_RULES]
    assert list(CASES) == [code for code in codes if code not in ELSEWHERE]
    assert set(ELSEWHERE) < set(codes)


@pytest.mark.parametrize(
    ("code", "kept"), [(code, one) for code, (kept, _) in CASES.items() for one in kept]
)
def test_a_value_just_inside_the_bound_passes(code: str, kept: Case) -> None:
    assert code not in screened(*kept).reasons


@pytest.mark.parametrize(
    ("code", "met"), [(code, one) for code, (_, met) in CASES.items() for one in met]
)
def test_a_value_just_outside_the_bound_gets_the_rule_and_its_status(code: str, met: Case) -> None:
    found = screened(*met)
    assert code in found.reasons
    if found.reasons == (code,):
        (weight,) = [rule.weight for rule in SCREENING_RULES if rule.code == code]
        assert found.status == STANDING[weight]


def test_a_setting_without_a_fault_counts() -> None:
    found = screened(COUNTED)
    assert (found.status, found.reasons, found.grade) == ("counted", (), "long")
    assert (found.stable_steps, found.unstable_steps, found.early_stop_steps) == (16, 18, 0)


def test_every_reason_is_listed_and_the_heaviest_decides() -> None:
    found = screened(replace(PASSED_ALONE, stable_at=-170.0, read_back=None, minutes=None))
    assert found.reasons == ("beyond_soft_bound", "only_short_test", "effect_unproven")
    assert found.status == "excluded"


def test_a_setting_without_proof_is_unverified() -> None:
    assert screened(replace(PASSED_ALONE, read_back=None)).status == "unverified"


def test_of_a_short_test_only_the_failure_counts() -> None:
    found = screened(replace(COUNTED, minutes=5.0))
    assert (found.status, found.reasons) == ("counted", ("short_test",))
    assert (found.stable_steps, found.unstable_steps) == (None, 18)


def test_every_rule_has_a_sentence() -> None:
    assert all(rule.sentence.endswith(".") for rule in SCREENING_RULES)


@pytest.mark.parametrize(
    ("minutes", "loads", "checked", "grade"),
    [
        (None, ("all_core", "vector_heavy"), True, "short"),
        (9.9, ("all_core", "vector_heavy"), True, "short"),
        (10.0, (), None, "quick"),
        (29.9, ("all_core", "vector_heavy"), True, "quick"),
        (30.0, ("all_core",), False, "quick"),
        (500.0, ("all_core",), None, "quick"),
        (30.0, ("all_core",), True, "long"),
        (30.0, ("all_core", "vector_heavy"), None, "long"),
    ],
)
def test_the_grade_of_testing(
    minutes: float | None, loads: tuple[str, ...], checked: bool | None, grade: str
) -> None:
    assert (
        grade_of(replace(COUNTED, minutes=minutes, loads=loads, checked_results=checked)) == grade
    )


@pytest.mark.parametrize(
    ("stable_at", "unstable_at", "steps"),
    [
        (-80.0, -90.0, (16, 18)),
        (-82.5, -90.0, (16, 18)),  # a tie of a pass goes toward stock
        (-82.6, -90.0, (17, 18)),
        (-80.0, -92.5, (16, 19)),  # a tie of a failure goes away from it
        (-80.0, -92.4, (16, 18)),
        (-80.0, -81.0, (16, 17)),  # on one step the failure is one deeper
        (0.0, -1.0, (0, 1)),
    ],
)
def test_settings_become_the_nearest_steps(
    stable_at: float, unstable_at: float, steps: tuple[int, int]
) -> None:
    found = screened(replace(COUNTED, stable_at=stable_at, unstable_at=unstable_at))
    assert (found.stable_steps, found.unstable_steps) == steps


@pytest.mark.parametrize(("unstable_at", "steps"), [(-1.0, 1), (-2.4, 1), (-90.0, 18)])
def test_a_first_failure_is_never_at_stock(unstable_at: float, steps: int) -> None:
    found = screened(replace(FAILED_FIRST, unstable_at=unstable_at))
    assert (found.stable_steps, found.unstable_steps) == (None, steps)


def test_a_fixed_voltage_is_measured_from_the_units_own_stock() -> None:
    assert screened(AT_A_CLOCK).stable_steps == 20
    assert screened(replace(AT_A_CLOCK, stock_mv=920.0)).stable_steps == 24
    unknown = screened(replace(AT_A_CLOCK, stock_mv=None))
    assert (unknown.stable_steps, unknown.unstable_steps) == (None, None)


@pytest.mark.parametrize(
    ("setting", "grid", "early_stop"),
    [
        (PASSED_ALONE, FIVES, 1),
        (PASSED_ALONE, Grid(Fraction(125, 128)), 5),
        (PASSED_ALONE, Grid(Fraction(25, 4)), 1),
        (replace(IN_COUNTS, unstable_at=None), Grid(Fraction(1)), 1),
        (COUNTED, FIVES, 0),
        (FAILED_FIRST, FIVES, 0),
        (replace(PASSED_ALONE, planned_end=-80.0), FIVES, 0),
        (replace(PASSED_ALONE, planned_end=-70.0), FIVES, 0),
        (replace(PASSED_ALONE, planned_end=-80.1), FIVES, 1),
        (replace(AT_A_CLOCK, unstable_at=None, planned_end=800.0), FIVES, 0),
        (replace(AT_A_CLOCK, unstable_at=None, planned_end=790.0), FIVES, 1),
    ],
)
def test_a_search_that_stopped_early_counts_one_step_shallower(
    setting: SubmittedSetting, grid: Grid, early_stop: int
) -> None:
    assert screened(setting, grid=grid).early_stop_steps == early_stop
