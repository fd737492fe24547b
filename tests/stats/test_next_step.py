"""The planned search against the definition itself, and what it never does."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kbapi.stats.intervals import NEVER_FAILED
from kbapi.stats.search.chances import LimitChances, Run
from kbapi.stats.search.next_step import (
    OPTION_RISKS,
    Boldness,
    FixedStepSearch,
    RunErrors,
    SearchPlan,
    SearchTerms,
    Stop,
    expected_of_plan,
    expected_search,
    plan_search,
    search_options,
    search_unit,
)

PRICE = 3.0


def slow_search(chances: LimitChances, terms: SearchTerms):
    """Least cost and the shallowest first setting that has it, by plain recursion."""
    begin, mass = chances.stable_steps, chances.mass.tolist()

    def chance(first, last):
        return sum(mass[first - begin : last - begin])

    @cache
    def best(stable, unstable):
        inside = chance(stable, unstable)
        width, resolution = unstable - stable, terms.resolution_steps
        if width <= resolution:
            return 0.0, None
        ways = []
        for setting in range(stable + terms.least_gain_steps, unstable):
            gain = setting - stable
            settles = gain >= width - resolution
            if gain < resolution and not settles:
                continue
            failing = chance(stable, setting) / inside
            farthest = max(stable, terms.start_steps) + (terms.max_step_steps or 10**9)
            if terms.careful_from_steps is not None:
                near = max(terms.careful_from_steps, stable + resolution)
                farthest = min(farthest, near)
            if failing > terms.max_risk + 1e-12 or setting > farthest:
                continue
            cost = (
                terms.trial_minutes
                + failing * (terms.failure_minutes + best(stable, setting)[0])
                + (1 - failing) * best(setting, unstable)[0]
            )
            ways.append((cost, setting))
        if not ways:
            left = sum((t - stable) * mass[t - begin] for t in range(stable, unstable)) / inside
            return PRICE * terms.trial_minutes * left / resolution, None
        least = min(cost for cost, _ in ways)
        return least, next(setting for cost, setting in ways if cost <= least * (1 + 1e-12))

    return best(begin, chances.unstable_steps)


def cost_of(plan: SearchPlan) -> float:
    """Expected minutes of a plan with the price of what stays unsettled."""
    terms = plan.terms

    def cost(stable, unstable):
        setting = plan.next_from(stable, unstable)
        if setting is None:
            if plan.stop_in(stable, unstable) is not Stop.TOO_RISKY:
                return 0.0
            begin = plan.chances.stable_steps
            inside = plan.chances.mass[stable - begin : unstable - begin]
            left = float(inside @ np.arange(len(inside)) / inside.sum())
            return PRICE * terms.trial_minutes * left / terms.resolution_steps
        stays = plan.chance_stable(setting, stable, unstable)
        failed = terms.failure_minutes + cost(stable, setting)
        return terms.trial_minutes + (1 - stays) * failed + stays * cost(setting, unstable)

    return cost(plan.chances.stable_steps, plan.chances.unstable_steps)


@st.composite
def a_search(draw):
    weights = draw(st.lists(st.integers(1, 9), min_size=1, max_size=14))
    mass = np.array(weights, dtype=float)
    chances = LimitChances(draw(st.integers(0, 5)), mass / mass.sum(), is_open=draw(st.booleans()))
    resolution = draw(st.integers(1, 3))
    return chances, SearchTerms(
        trial_minutes=draw(st.sampled_from([5.0, 20.0])),
        failure_minutes=draw(st.sampled_from([0.0, 10.0, 40.0])),
        resolution_steps=resolution,
        max_risk=draw(st.sampled_from([0.1, 0.25, 0.5, 1.0])),
        max_step_steps=draw(st.sampled_from([None, resolution, resolution + 3])),
        start_steps=draw(st.integers(0, 9)),
        least_gain_steps=draw(st.integers(1, resolution)),
        careful_from_steps=draw(st.sampled_from([None, 3, 8])),
    )


@settings(max_examples=300, deadline=None)
@given(a_search())
def test_the_plan_costs_what_the_slow_recursion_costs(search):
    chances, terms = search
    plan = plan_search(chances, terms)
    least, _ = slow_search(chances, terms)
    assert cost_of(plan) == pytest.approx(least, rel=1e-9, abs=1e-9)


@settings(max_examples=150, deadline=None)
@given(a_search())
def test_the_plan_begins_where_the_slow_recursion_begins(search):
    chances, terms = search
    bracket = chances.stable_steps, chances.unstable_steps
    found = plan_search(chances, terms).next_from(*bracket)
    _, wanted = slow_search(chances, terms)
    if found != wanted:
        # Equally cheap ways may differ in their last bits: then both cost the same.
        assert None not in (found, wanted)
        assert cost_of(plan_search(chances, terms)) == pytest.approx(
            slow_search(chances, terms)[0], rel=1e-9
        )


def brackets_met(plan: SearchPlan):
    waiting = [(plan.chances.stable_steps, plan.chances.unstable_steps)]
    while waiting:
        stable, unstable = waiting.pop()
        setting = plan.next_from(stable, unstable)
        yield stable, unstable, setting
        if setting is not None:
            waiting += [(stable, setting), (setting, unstable)]


@settings(max_examples=200, deadline=None)
@given(a_search())
def test_no_proposed_setting_is_riskier_or_farther_than_allowed(search):
    chances, terms = search
    plan = plan_search(chances, terms)
    for stable, unstable, setting in brackets_met(plan):
        if setting is None:
            continue
        assert stable < setting < unstable
        assert 1 - plan.chance_stable(setting, stable, unstable) <= terms.max_risk + 1e-9
        if terms.max_step_steps is not None:
            assert setting <= max(stable, terms.start_steps) + terms.max_step_steps
        if terms.careful_from_steps is not None:
            assert setting <= max(terms.careful_from_steps, stable + terms.resolution_steps)


@settings(max_examples=200, deadline=None)
@given(a_search())
def test_without_caps_every_search_ends_within_the_resolution(search):
    chances, asked = search
    terms = SearchTerms(
        asked.trial_minutes, asked.failure_minutes, asked.resolution_steps, max_risk=1.0
    )
    plan = plan_search(chances, terms)
    for stable, unstable, setting in brackets_met(plan):
        assert (setting is None) is (unstable - stable <= terms.resolution_steps)
    assert expected_of_plan(plan).left_steps <= terms.resolution_steps


@settings(max_examples=150, deadline=None)
@given(a_search())
def test_a_search_that_ends_has_a_reason_and_one_that_continues_has_none(search):
    chances, terms = search
    bracket = chances.stable_steps, chances.unstable_steps
    plan = plan_search(chances, terms)
    setting = plan.next_from(*bracket)
    if setting is None:
        assert plan.stop_in(*bracket) in (
            Stop.BRACKETED,
            Stop.DEEPEST_ALLOWED_REACHED,
            Stop.TOO_RISKY,
        )
    else:
        assert plan.stop_in(*bracket) is None


def allowed_at_all(chances: LimitChances, terms: SearchTerms) -> int:
    """The deepest setting whose risk is allowed."""
    return chances.stable_steps + int((chances.failing <= terms.max_risk + 1e-12).sum()) - 1


@settings(max_examples=200, deadline=None)
@given(a_search(), st.data())
def test_more_weight_short_of_the_next_setting_never_allows_a_deeper_one(search, data):
    chances, terms = search
    deepest = allowed_at_all(chances, terms)
    if deepest == chances.stable_steps:
        return
    shallow = data.draw(st.integers(0, deepest - chances.stable_steps - 1))
    mass = chances.mass.copy()
    mass[shallow] += data.draw(st.floats(0.01, 1.0))
    heavier = LimitChances(chances.stable_steps, mass / mass.sum(), chances.is_open)
    assert allowed_at_all(heavier, terms) <= deepest


def test_the_cheapest_next_setting_may_go_deeper_for_more_weight_near_stock():
    # What is forbidden stays forbidden; among what is allowed, more weight at the first step can
    # make another split the cheapest. So only the bound is a law.
    terms = SearchTerms(20, 10, 1, 0.5)
    before = LimitChances(0, np.array([4, 1, 2, 4, 9.0]) / 20, is_open=False)
    heavier = LimitChances(0, np.array([4, 5, 2, 4, 9.0]) / 24, is_open=False)
    for chances, setting in ((before, 2), (heavier, 3)):
        assert plan_search(chances, terms).next_from(0, 5) == setting
        assert slow_search(chances, terms)[1] == setting


def test_the_same_arguments_give_the_same_plan_to_the_bit():
    rng = np.random.default_rng(4)
    mass = rng.random(120)
    chances = LimitChances(0, mass / mass.sum(), is_open=True)
    terms = SearchTerms(20, 10, 5, 0.1, 20, 40, 2)
    assert plan_search(chances, terms).gain.tobytes() == plan_search(chances, terms).gain.tobytes()


def test_a_fine_bracket_and_the_deepest_allowed_are_different_stop_reasons():
    terms = SearchTerms(20, 10, 5, 0.1)
    failed = LimitChances(80, np.full(5, 0.2), is_open=False)
    never = LimitChances(80, np.full(5, 0.2), is_open=True)
    assert plan_search(failed, terms).stop_in(80, 85) is Stop.BRACKETED
    assert plan_search(never, terms).stop_in(80, 85) is Stop.DEEPEST_ALLOWED_REACHED


@pytest.mark.parametrize(
    "wrong",
    [
        {"max_risk": 0.0},
        {"max_risk": 1.1},
        {"trial_minutes": 0.0},
        {"failure_minutes": -1.0},
        {"least_gain_steps": 6},
        {"max_step_steps": 4},
    ],
)
def test_terms_that_make_no_sense_are_refused(wrong):
    right = {"trial_minutes": 20, "failure_minutes": 10, "resolution_steps": 5, "max_risk": 0.1}
    SearchTerms(**right)
    with pytest.raises(ValueError, match=r"\w+"):
        SearchTerms(**{**right, **wrong})


def walked(choose, begin, end, limit):
    """Settings tried on a unit with this limit."""
    stable, unstable, tried = begin, end, []
    while (setting := choose(stable, unstable)) is not None:
        tried.append(setting)
        stable, unstable = (setting, unstable) if setting <= limit else (stable, setting)
    return tried, stable


def test_expectations_are_the_mean_over_all_limits():
    rng = np.random.default_rng(9)
    mass = rng.random(40)
    chances = LimitChances(3, mass / mass.sum(), is_open=True)
    fixed = FixedStepSearch(first=12, step=4, refine=2, deepest=42)
    expected = expected_search(chances, fixed, 20, 10)
    walks = [walked(fixed, 3, 43, limit) for limit in range(3, 43)]
    trials = chances.mass @ [len(tried) for tried, _ in walks]
    ends = chances.mass @ [stable for _, stable in walks]
    failures = chances.mass @ [
        sum(setting > limit for setting in tried) for limit, (tried, _) in enumerate(walks, start=3)
    ]
    assert expected.trials == pytest.approx(trials)
    assert expected.stable_steps == pytest.approx(ends)
    assert expected.failures == pytest.approx(failures)
    assert expected.minutes == pytest.approx(20 * trials + 10 * failures)


def test_the_fixed_step_search_goes_down_by_ten_and_back_by_five():
    fixed = FixedStepSearch(first=50, step=10, refine=5, deepest=160)
    assert walked(fixed, 0, 161, 77) == ([50, 60, 70, 80, 75], 75)
    assert walked(fixed, 0, 161, 74) == ([50, 60, 70, 80, 75], 70)
    assert walked(fixed, 0, 161, 33) == ([50, 40, 30, 35], 30)
    assert walked(fixed, 0, 161, 160)[0][-1] == 160


def slow_expectation(limit, choose, begin, end, errors):
    """Trials, failures and last pass on a unit with this limit, by recursion over outcomes."""
    setting = choose(begin, end)
    if setting is None:
        return np.array([0.0, 0.0, begin])
    passes = 1 - errors.false_failure if setting <= limit else errors.missed
    after_pass = slow_expectation(limit, choose, setting, end, errors)
    after_failure = slow_expectation(limit, choose, begin, setting, errors)
    here = np.array([1.0, 1 - passes, 0.0])
    return here + passes * after_pass + (1 - passes) * after_failure


@pytest.mark.parametrize("minutes", [1.0, 20.0, 120.0])
def test_expectations_with_misleading_runs_are_those_of_the_slow_recursion(minutes):
    mass = np.random.default_rng(9).random(14)
    chances = LimitChances(3, mass / mass.sum(), is_open=True)
    errors = RunErrors.of_length(minutes)
    plan = plan_search(chances, SearchTerms(20, 10, 2, 0.25, 5))
    for choose in (plan.next_from, FixedStepSearch(first=6, step=3, refine=1, deepest=16)):
        expected = expected_search(chances, choose, 20, 10, errors)
        each = [slow_expectation(limit, choose, 3, 17, errors) for limit in range(3, 17)]
        trials, failures, stable = chances.mass @ np.array(each)
        assert expected.trials == pytest.approx(trials, abs=1e-3)
        assert expected.failures == pytest.approx(failures, abs=1e-3)
        assert expected.stable_steps == pytest.approx(stable, abs=1e-2)
        assert expected.minutes == pytest.approx(20 * trials + 10 * failures, abs=1e-1)


EVEN = np.full(101, 1 / 101)
USUAL = SearchTerms(20, 10, 5, 0.25, 20, start_steps=15)


def test_a_search_without_runs_begins_at_the_start_unless_that_is_too_risky():
    assert search_unit(EVEN, USUAL, (0, NEVER_FAILED)).next_run().steps == 15
    cheapest = search_unit(EVEN, USUAL, (0, NEVER_FAILED), begins_at_start=False).next_run()
    assert cheapest.steps != 15
    cautious = SearchTerms(20, 10, 5, 0.1, 20, start_steps=15)
    assert search_unit(EVEN, cautious, (0, NEVER_FAILED)).next_run().steps < 15
    # A start that is typed as 0 is stock, which needs no trial.
    at_stock = SearchTerms(20, 10, 5, 0.25, 20, start_steps=1, least_gain_steps=2)
    assert search_unit(EVEN, at_stock, (0, NEVER_FAILED)).next_run().steps > 1
    run = Run(10, 20.0, is_stable=True)
    assert search_unit(EVEN, USUAL, (10, NEVER_FAILED), [run]).next_run().steps > 15


def walk_with_errors(limit, outcomes, minutes=20.0):
    """The runs of a search whose outcomes are given, each whether the run tells the truth."""
    terms = SearchTerms(minutes, 10, 5, 0.25, 20, start_steps=15)
    runs, bracket = [], (0, NEVER_FAILED)
    for is_true in outcomes:
        following = search_unit(EVEN, terms, bracket, runs).next_run()
        if following is None:
            return runs, bracket, None
        is_stable = (following.steps <= limit) == is_true
        runs.append(Run(following.steps, following.minutes, is_stable))
        failed = min((one.steps for one in runs if not one.is_stable), default=NEVER_FAILED)
        runs = [one for one in runs if not one.is_stable or one.steps < failed]
        bracket = max((one.steps for one in runs if one.is_stable), default=0), failed
    return runs, bracket, search_unit(EVEN, terms, bracket, runs).next_run()


@pytest.mark.parametrize("minutes", [2.0, 5.0, 20.0])
@pytest.mark.parametrize("limit", [10, 33, 60, 100])
def test_every_search_ends_with_a_long_run_at_its_deepest_pass(limit, minutes):
    runs, (stable, _), following = walk_with_errors(limit, [True] * 60, minutes)
    assert following is None
    assert stable <= limit
    passed = [one.minutes for one in runs if one.is_stable and one.steps == stable]
    assert stable == 0 or sum(passed) >= 30


@pytest.mark.parametrize("wrong", range(4))
def test_a_false_outcome_never_leads_to_a_setting_that_failed(wrong):
    outcomes = [place != wrong for place in range(40)]
    runs, (stable, unstable), following = walk_with_errors(60, outcomes)
    assert following is None
    assert stable < unstable
    deepest_failure = max(one.steps for one in runs if not one.is_stable)
    assert all(one.steps <= deepest_failure for one in runs)
    # What passed by mistake does not stay the end of the search.
    assert stable <= 60


def a_bell(mean: float, sd: float, deepest: int = 120) -> LimitChances:
    mass = np.exp(-0.5 * ((np.arange(deepest + 1) - mean) / sd) ** 2)
    return LimitChances(0, mass / mass.sum(), is_open=True)


@settings(max_examples=40, deadline=None)
@given(st.floats(20, 100), st.floats(3, 30), st.integers(1, 80), st.sampled_from([1, 3, 6]))
def test_options_begin_on_both_sides_of_the_start_by_a_resolution(mean, sd, start, resolution):
    chances = a_bell(mean, sd)
    terms = SearchTerms(20, 10, resolution, 0.10, 20, start)
    options = {one.boldness: one for one in search_options(plan_search(chances, terms))}
    assert options[Boldness.USUAL].first_steps == start
    cautious = options.get(Boldness.CAUTIOUS)
    if cautious is None:
        assert start <= resolution
    else:
        first = cautious.first_steps
        assert max(start - 20, 1) <= first <= start - resolution
        half = chances.failing[start] / 2
        if first not in (start - 20, start - resolution):
            assert chances.failing[first] <= half + 1e-9 < chances.failing[first + 1] + 2e-9
    bold = options.get(Boldness.BOLD)
    if bold is not None:
        assert start + resolution <= bold.first_steps <= start + 20
        assert chances.failing[bold.first_steps] <= 0.25 + 1e-9


def test_an_option_takes_what_its_own_plan_takes_from_its_first_setting():
    chances = a_bell(80, 20)
    terms = SearchTerms(20, 30, 6, 0.10, 20, 45, 2)
    for one in search_options(plan_search(chances, terms)):
        assert one.max_risk == OPTION_RISKS[one.boldness]
        plan = plan_search(chances, replace(terms, max_risk=one.max_risk))
        errors = RunErrors.of_length(20)
        first = replace(plan, first_steps=one.first_steps)
        assert one.expected == expected_of_plan(first, errors)


def test_a_start_one_step_below_stock_has_no_cautious_option():
    options = search_options(plan_search(a_bell(40, 10), SearchTerms(20, 10, 6, 0.10, 20, 4, 2)))
    assert [one.boldness for one in options] == [Boldness.USUAL, Boldness.BOLD]
