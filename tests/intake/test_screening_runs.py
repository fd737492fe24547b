"""Runs refine settings, readings prove effects, locks and temperatures set aside."""

from dataclasses import replace
from fractions import Fraction
from typing import Any

import pytest

from kbapi.documents.measurements import InForce, Reading, StockPass, Trial
from kbapi.documents.refusal_rules import refuse_document, refuse_in_force
from kbapi.documents.results import Lock, SubmittedResult, SubmittedSetting
from kbapi.intake.screening import ScreenedSetting, is_effect_proven, screen_setting
from kbapi.stats.gains.physics import clock_ratio_range, power_ratio_range
from kbapi.stats.intervals import Grid

FIVES = Grid(Fraction(5))
CORE = SubmittedSetting(
    domain="core",
    control="voltage_offset",
    stable_at=-80.0,
    unstable_at=-90.0,
    loads=("all_core", "vector_heavy"),
    minutes=65.0,
)
CLAIM = replace(CORE, unstable_at=None, planned_end=-80.0)
GRAPHICS = replace(CORE, domain="graphics", stable_at=-40.0, unstable_at=None, read_back=-40.0)
STOCK = (StockPass("vector_heavy", 20.0),)


def a_result(*settings: SubmittedSetting, **parts: Any) -> SubmittedResult:
    return SubmittedResult(chip="any", settings=settings or (CORE,), stock_passed=STOCK, **parts)


def screened(result: SubmittedResult, place: int = 0) -> ScreenedSetting:
    return screen_setting(result.settings[place], result, FIVES)


def at(value: float, domain: str = "core", control: str = "voltage_offset") -> InForce:
    return InForce(domain, control, value)


def a_run(*in_force: InForce, outcome: str = "stable", **parts: Any) -> Trial:
    return Trial(outcome, in_force, **{"load": "vector_heavy", "seconds": 2700.0, **parts})


def failed(*in_force: InForce, **parts: Any) -> Trial:
    return a_run(*in_force, outcome="failed", **parts)


def refused(result: SubmittedResult) -> list[tuple[str, str]]:
    return [(p.pointer, p.code) for p in refuse_document(result, "2026-09")]


# Grades


@pytest.mark.parametrize(
    ("runs", "grade"),
    [
        ((), "short"),
        ((a_run(at(-80), seconds=599.0),), "short"),
        ((a_run(at(-80), seconds=600.0),), "quick"),
        ((a_run(at(-80), seconds=1800.0),), "quick"),
        ((a_run(at(-80), seconds=1800.0, checked_results=True),), "long"),
        (
            (a_run(at(-80), seconds=900.0), a_run(at(-80), seconds=900.0, load="all_core")),
            "long",
        ),
        ((a_run(at(-85), seconds=600.0),), "quick"),
        ((a_run(at(-75), seconds=600.0),), "short"),
        ((a_run(at(-80), at(-80, "ring"), seconds=600.0),), "quick"),
        ((failed(at(-90), seconds=6000.0),), "short"),
    ],
)
def test_runs_at_the_setting_or_deeper_give_it_its_grade(
    runs: tuple[Trial, ...], grade: str
) -> None:
    untold = replace(CORE, minutes=None, loads=())
    assert screened(a_result(untold, trials=runs)).grade == grade


def test_the_grade_is_the_stronger_of_fields_and_runs() -> None:
    assert screened(a_result(CORE, trials=(a_run(at(-80), seconds=60.0),))).grade == "long"


def test_a_run_of_a_joint_setting_has_all_its_domains_at_one_value() -> None:
    joint = replace(CORE, moved_with=("ring",), minutes=None)
    both = a_run(at(-80), at(-80, "ring"))
    assert screened(a_result(joint, trials=(both,))).grade == "quick"
    for run in (a_run(at(-80)), a_run(at(-80), at(-40, "ring"))):
        assert screened(a_result(joint, trials=(run,))).grade == "short"


def test_loads_of_runs_are_added_to_the_reported_ones() -> None:
    run = a_run(at(-80), load="memory_heavy")
    assert screened(a_result(CORE, trials=(run,))).loads == (
        "all_core",
        "memory_heavy",
        "vector_heavy",
    )


# Failures


BOUNDING = {
    "nothing else in force": (failed(at(-90)),),
    "the rest at stock": (failed(at(-90), at(0, "graphics")),),
    "the rest had passed by its setting": (failed(at(-90), at(-40, "graphics")),),
    "the rest had passed in a run": (
        failed(at(-90), at(-30, "soc")),
        a_run(at(-30, "soc"), seconds=60.0),
    ),
    "a power limit moves no voltage": (failed(at(-90), at(45, "core", "power_limit")),),
    "one run of two is clean": (failed(at(-90), at(-60, "graphics")), failed(at(-90))),
    "no run at all": (),
}
SHARED = {
    "deeper than it had passed": (failed(at(-90), at(-41, "graphics")),),
    "never passed": (failed(at(-90), at(-30, "soc")),),
    "another control of the same domain": (failed(at(-90), at(2, "core", "load_line")),),
}


@pytest.mark.parametrize("case", BOUNDING)
def test_a_failure_with_all_other_settings_proven_bounds_the_pool(case: str) -> None:
    setting = screened(a_result(CORE, GRAPHICS, trials=BOUNDING[case]))
    assert setting.unstable_steps == 18
    assert setting.status == "counted"


@pytest.mark.parametrize("case", SHARED)
def test_a_shared_failure_bounds_nothing_and_the_pass_counts(case: str) -> None:
    proven = replace(CORE, read_back=-80.0)
    setting = screened(a_result(proven, GRAPHICS, trials=SHARED[case]))
    assert setting.unstable_steps is None
    assert setting.stable_steps == 16
    assert setting.early_stop_steps == 1
    assert (setting.status, setting.reasons) == ("counted", ("failure_not_isolated",))


def test_a_shared_failure_without_a_pass_is_excluded() -> None:
    first = replace(CORE, stable_at=None)
    setting = screened(a_result(first, trials=SHARED["never passed"]))
    assert setting.status == "excluded"
    assert "only_failure_not_isolated" in setting.reasons


def test_a_shared_failure_proves_no_effect() -> None:
    setting = screened(a_result(CORE, trials=SHARED["never passed"]))
    assert setting.status == "unverified"


# Contradictions


CONSISTENT = {
    "as stated": (a_run(at(-80)), failed(at(-90))),
    "a pass shallower": (a_run(at(-60)),),
    "a failure deeper": (failed(at(-95)),),
    "a short pass deeper": (a_run(at(-85), seconds=599.0),),
    "one load passed where another failed": (a_run(at(-90)), failed(at(-90), load="all_core")),
    "a pass beyond a failure": (a_run(at(-95)), failed(at(-90))),
    "a shallow failure that was shared": (failed(at(-70), at(-30, "soc")),),
    "another domain's": (failed(at(-10, "ring")),),
}
CONTRADICTING = {
    "failed shallower than the pass": (failed(at(-70)),),
    "failed between the two": (failed(at(-85)),),
    "passed where it failed": (a_run(at(-90), seconds=1.0),),
    "a long pass deeper": (a_run(at(-85), seconds=600.0),),
}


@pytest.mark.parametrize("case", CONSISTENT)
def test_runs_that_agree_are_accepted(case: str) -> None:
    assert refused(a_result(CORE, trials=CONSISTENT[case])) == []


@pytest.mark.parametrize("case", CONTRADICTING)
def test_runs_that_contradict_are_refused_with_their_pointer(case: str) -> None:
    runs = (a_run(at(-80)), *CONTRADICTING[case])
    assert refused(a_result(CORE, trials=runs)) == [("/trials/1", "trial_contradicts")]


def test_a_failed_run_is_refused_if_its_setting_reports_no_failure() -> None:
    never = replace(CORE, unstable_at=None)
    assert refused(a_result(never, trials=(failed(at(-95)),)))


def test_a_run_at_another_clock_is_not_one_of_the_setting() -> None:
    clocked = replace(
        CORE,
        domain="gpu_core",
        control="fixed_clock_voltage",
        clock_mhz=1800.0,
        stock_mv=900.0,
        stable_at=820.0,
        unstable_at=810.0,
    )
    in_force = at(850, "gpu_core", "fixed_clock_voltage")
    assert refused(a_result(clocked, trials=(failed(in_force, clock_mhz=1900.0),))) == []
    assert refused(a_result(clocked, trials=(failed(in_force, clock_mhz=1800.0),)))


@pytest.mark.parametrize(
    ("one", "code"),
    [
        (at(5), "above_stock"),
        (at(-0.08), "looks_like_volts"),
        (at(-301), "beyond_hard_bound"),
        (at(-1.5, "core", "count_offset"), "count_not_whole"),
        (at(0.85, "gpu_core", "fixed_clock_voltage"), "outside_fixed_clock_range"),
    ],
)
def test_single_values_in_force_have_the_same_bounds(one: InForce, code: str) -> None:
    result = a_result(trials=(a_run(one),), readings=(Reading("tuned", (one,)),))
    assert [(p.pointer, p.code) for p in refuse_in_force(result)] == [
        ("/trials/0/settings/0/value", code),
        ("/readings/0/settings/0/value", code),
    ]


@pytest.mark.parametrize(
    "one", [at(0), at(-300), at(45, "core", "power_limit"), at(3, "core", "load_line")]
)
def test_values_inside_the_bounds_and_controls_without_limits_pass(one: InForce) -> None:
    assert list(refuse_in_force(a_result(trials=(a_run(one),)))) == []


# Effects


def a_pair(power: float = 60.0, clock: float = 3000.0, **tuned: Any) -> tuple[Reading, Reading]:
    stock = Reading(
        "stock", load="all_core", power_w=60.0, clock_mhz=3000.0, temp_avg_c=84.0, ambient_c=22.0
    )
    changes = {"state": "tuned", "power_w": power, "clock_mhz": clock, **tuned}
    return stock, replace(stock, **changes)


LEAST_POWER, MOST_POWER = power_ratio_range(80)
SLOWEST, FASTEST = clock_ratio_range(80)
SHOWN = {
    "less power at equal clock": a_pair(60 * 0.85),
    "the most saving": a_pair(60 * LEAST_POWER + 0.01),
    "the least saving": a_pair(60 * MOST_POWER - 0.01),
    "a clock as good as equal": a_pair(60 * 0.85, 3060),
    "more clock at equal power": a_pair(60, 3000 * 1.1),
    "the most clock": a_pair(60, 3000 * FASTEST - 1),
    "the least clock": a_pair(60, 3000 * SLOWEST + 1),
    "at a sent value": a_pair(60 * 0.85, settings=(at(-80),)),
}
NOT_SHOWN = {
    "nothing changed": a_pair(),
    "more saving than physics": a_pair(60 * LEAST_POWER - 0.01),
    "less saving than physics": a_pair(60 * MOST_POWER + 0.01),
    "another clock": a_pair(60 * 0.85, 3063),
    "more clock than physics": a_pair(60, 3000 * FASTEST + 1),
    "less clock than physics": a_pair(60, 3000 * SLOWEST - 1),
    "another load": a_pair(60 * 0.85, load="gpu_only"),
    "another power limit": a_pair(60 * 0.85, power_cap_w=45.0),
    "another scope": a_pair(60 * 0.85, power_scope="wall"),
    "another domain in force": a_pair(60 * 0.85, settings=(at(-80, "graphics"),)),
    "at stock": a_pair(60 * 0.85, settings=(at(0),)),
    "no clock": a_pair(60 * 0.85, clock_mhz=None),
}


@pytest.mark.parametrize("case", SHOWN)
def test_readings_that_fit_the_offset_prove_its_effect(case: str) -> None:
    setting = screened(a_result(CLAIM, readings=SHOWN[case]))
    assert "effect_unproven" not in setting.reasons


@pytest.mark.parametrize("case", NOT_SHOWN)
def test_other_readings_prove_nothing(case: str) -> None:
    result = a_result(CLAIM, readings=NOT_SHOWN[case])
    assert not is_effect_proven(result.settings[0], result)
    assert screened(result).status == "unverified"


def test_counts_are_never_read_as_millivolts() -> None:
    counts = replace(CLAIM, control="count_offset", stable_at=-20.0, planned_end=-20.0)
    for power, proven in ((0.97, True), (0.985, False), (0.51, True), (0.49, False)):
        result = a_result(counts, readings=a_pair(60 * power))
        assert is_effect_proven(counts, result) is proven, power


# Locks and temperatures


def test_a_control_reported_as_locked_excludes_its_settings() -> None:
    lock = Lock("core", "voltage_offset", "firmware_locked")
    setting = screened(a_result(CORE, locks=(lock,)))
    assert setting.status == "excluded"
    assert setting.reasons[0] == "control_locked"
    assert "effect_unproven" in setting.reasons
    joint = replace(CORE, domain="ring", moved_with=("core",))
    assert screened(a_result(joint, locks=(lock,))).status == "excluded"


@pytest.mark.parametrize(
    "lock",
    [
        Lock("core", "voltage_offset", "open"),
        Lock("core", "voltage_offset", "unknown"),
        Lock("graphics", "voltage_offset", "chip_locked"),
        Lock("core", "power_limit", "chip_locked"),
    ],
)
def test_other_locks_do_not_affect_a_setting(lock: Lock) -> None:
    assert screened(a_result(CORE, locks=(lock,))).status == "counted"


# At 45 of 60 W the physics of a fixed fan expects 15.5 K less; half as much again is 23.25 K.
COOLED = {
    "just inside": (a_pair(45.0, temp_avg_c=84 - 23.2), False),
    "just outside": (a_pair(45.0, temp_avg_c=84 - 23.3), True),
    "a cooler room explains it": (a_pair(45.0, temp_avg_c=60.7, ambient_c=20.0), False),
    "whole degrees decide when little is expected": (a_pair(60.0, temp_avg_c=81.0), False),
    "more than whole degrees": (a_pair(60.0, temp_avg_c=80.9), True),
    "no power sent": (a_pair(45.0, temp_avg_c=50.0, power_w=None), False),
    "a fan that regulates itself": (a_pair(45.0, temp_avg_c=50.0, fan="auto"), False),
    "warmer is another rule's": (a_pair(45.0, temp_avg_c=90.0), False),
}


@pytest.mark.parametrize("case", COOLED)
def test_more_cooling_than_the_power_explains_excludes(case: str) -> None:
    readings, aside = COOLED[case]
    setting = screened(a_result(CORE, readings=readings))
    assert ("temperature_implausible" in setting.reasons) is aside
    assert (setting.status == "excluded") is aside


def test_a_chip_at_its_power_limit_may_only_clock_higher() -> None:
    setting = screened(a_result(CLAIM, readings=a_pair(60.0, 3240.0)))
    assert (setting.status, setting.reasons) == ("counted", ())
