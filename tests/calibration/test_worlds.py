"""The law of drawn worlds itself: exact truths, testers as described, and how it is summed up."""

from dataclasses import replace

import numpy as np
import pytest

from kbapi.evidence.units import OTHERS_NEEDED
from kbapi.stats.estimate.siblings import Siblings
from kbapi.stats.intervals import NEVER_FAILED
from tests.calibration._drawn import (
    FAMILIES,
    Component,
    DrawnTruth,
    Population,
    World,
    draw_pools,
    draw_world,
)
from tests.calibration._liars import (
    DEEP,
    SCENES,
    Scene,
    a_fifth,
    accounts,
    cluster,
    middles_mv,
    move,
    ten_of_three_units,
    two_fresh,
)
from tests.calibration._reports import USUAL, Reports, answered
from tests.calibration._world_report import (
    COARSE,
    HIDDEN,
    ONE_DEEP,
    PLAIN,
    STRICT,
    Cell,
    Measured,
    asked_pairs,
    compared,
    low_quantile,
    moved_by_one,
    read_worlds,
    rows_of,
    summaries,
    write_worlds,
)
from tests.calibration.testers import STEP_MV
from tests.calibration.worlds import (
    Plan,
    beside_one_deep,
    cells_of,
    measure_world,
    measure_worlds,
    world_of,
)

SOME = range(1, 41)
MANY = [draw_world(seed) for seed in range(1, 301)]
TINY = Plan({PLAIN: {10: 2}}, crowd_runs=0, most_units=0)
OPEN = Population(
    first_mv=(40.0, 50.0),
    step_shares=(0.25, 0.25, 0.25, 0.25),
    tens=0.5,
    planned=0.0,
    unreported=0.0,
    unease_mv=10.0,
    short=0.0,
    noise_mv=0.0,
    one_unit=0.7,
    newcomers=0.3,
)
"""People who find each limit as it is, and report it."""


def a_normal(mean_mv: float, spread_mv: float, share: float = 1.0) -> Component:
    return Component("normal", 1.0, False, share, mean_mv, spread_mv)


def a_point(at_mv: float) -> DrawnTruth:
    return DrawnTruth((a_normal(at_mv, 1e-9),), 0.0)


def a_pool(world: World, units: int) -> Reports:
    return draw_pools(np.random.default_rng(1), world, units, 1)[0]


@pytest.mark.parametrize("seed", SOME)
def test_the_exact_share_is_that_of_many_draws(seed):
    truth, draws = draw_world(seed).truth, 20_000
    limits = truth.draw(np.random.default_rng(seed), draws)
    for depth_mv in np.quantile(limits, [0.02, 0.1, 0.3, 0.5, 0.9]):
        exact = truth.share_at(depth_mv)
        error = np.sqrt(max(exact * (1 - exact), 1e-4) / draws)
        assert np.mean(limits >= depth_mv - 1e-9) == pytest.approx(exact, abs=4.5 * error)


@pytest.mark.parametrize("seed", SOME)
@pytest.mark.parametrize("share", [0.95, 0.90, 0.50])
def test_the_true_depth_is_the_deepest_that_the_share_reaches(seed, share):
    truth = draw_world(seed).truth
    depth_mv = truth.depth_mv(share)
    assert truth.share_at(depth_mv - 1e-5) >= share or depth_mv == 0
    assert truth.share_at(depth_mv + 1e-4 + truth.lattice_mv * 1e-3) < share


@pytest.mark.parametrize("name", FAMILIES)
@pytest.mark.parametrize("mirrored", [False, True])
def test_a_component_has_its_mean_and_spread_either_way_round(name, mirrored):
    for shape in FAMILIES[name].shapes:
        one = Component(name, shape, mirrored, 1.0, 90.0, 12.0)
        limits = one.draw(np.random.default_rng(3), 200_000)
        assert limits.mean() == pytest.approx(90.0, abs=0.2)
        assert limits.std() == pytest.approx(12.0, rel=0.03)
        assert np.mean(limits >= 80) == pytest.approx(one.share_at(80.0), abs=0.006)


def test_a_lattice_moves_limits_to_its_own_points():
    truth = DrawnTruth((a_normal(100, 20),), 10.0)
    limits = truth.draw(np.random.default_rng(1), 1000)
    assert np.all(limits % 10 == 0)
    assert truth.depth_mv(0.9) == 70.0
    assert truth.share_at(70.0) == truth.share_at(61.0) > 0.9 > truth.share_at(71.0)


def test_the_same_seed_draws_the_same_world_and_pools():
    assert draw_world(5) == draw_world(5) != draw_world(6)
    assert measure_world(5, TINY) == measure_world(5, TINY)


def test_a_world_is_measured_alike_alone_and_among_others_in_two_processes():
    assert measure_worlds([4, 5], TINY, jobs=2) == [
        *measure_world(4, TINY),
        *measure_world(5, TINY),
    ]


def test_every_kind_of_truth_occurs():
    components = [one for world in MANY for one in world.truth.components]
    assert {one.family for one in components} == set(FAMILIES)
    assert {one.family for one in components if one.mirrored} == set(FAMILIES) - {"normal"}
    assert {world.truth.lattice_mv for world in MANY} == {0.0, 5.0, 10.0}
    assert {len(world.truth.components) for world in MANY} == {2, 3, 4}
    for world in MANY:
        assert sum(one.share for one in world.truth.components) == pytest.approx(1.0)
        assert all(one.spread_mv > 0 for one in world.truth.components)


def test_depths_reach_over_the_whole_law():
    depths = np.array([world.truth.depth_mv(0.90) for world in MANY])
    assert depths.min() < 25
    assert depths.max() > 140
    middles = np.array([world.truth.depth_mv(0.50) for world in MANY])
    assert 30 < middles.min() < 60
    assert 150 < middles.max() < 180


def test_weak_groups_that_lie_apart_occur():
    """A stretch of 10 mV holds fewer than 2 in 1,000 units, and 2 to 12 % lie before it."""

    def has_a_gap(world: World) -> bool:
        share = np.array([world.truth.share_at(depth) for depth in np.arange(5.0, 200.0, 5.0)])
        is_empty = share[:-2] - share[2:] < 2e-3
        return bool(np.any(is_empty & (share[:-2] < 0.98) & (share[:-2] > 0.88)))

    found = sum(has_a_gap(world) for world in MANY if world.truth.lattice_mv == 0)
    assert found >= 10


def test_every_kind_of_tester_occurs():
    testers = [world.testers for world in MANY]
    for name, low, high in (
        ("tens", 0.0, 1.0),
        ("planned", 0.0, 0.6),
        ("unreported", 0.0, 0.6),
        ("short", 0.0, 0.5),
        ("noise_mv", 0.0, 8.0),
    ):
        values = np.array([getattr(one, name) for one in testers])
        assert low <= values.min() < low + 0.1 * (high - low)
        assert high >= values.max() > high - 0.1 * (high - low)
    for place in range(4):
        assert max(one.step_shares[place] for one in testers) > 0.8


def test_without_hidden_habits_a_world_keeps_all_the_rest():
    world = draw_world(3)
    plain = world.without_hidden_habits()
    assert world.testers.unreported > 0
    assert world.testers.short > 0
    assert plain.testers.unreported == plain.testers.short == 0
    assert replace(plain, testers=world.testers) == world


def test_coarse_testers_take_steps_of_25_and_50_mv():
    world, coarse = draw_world(3), world_of(COARSE, draw_world(3))
    assert coarse.testers.step_shares == (0.0, 0.0, 0.5, 0.5)
    plain = world.without_hidden_habits()
    assert world_of(PLAIN, world) == replace(coarse, testers=plain.testers) == plain
    assert world_of(HIDDEN, world) == world


def test_open_testers_find_the_limit():
    pool = a_pool(World(1, a_point(100.2), OPEN), 500)
    assert np.all(pool.stable * STEP_MV <= 100.2)
    assert np.all(pool.unstable * STEP_MV > 100.2)
    assert pool.unstable.max() * STEP_MV <= 151
    assert set(np.unique(np.bincount(pool.contributor)[:-1])) == {1, 2, 3, 4, 5}


def test_a_first_setting_beyond_the_limit_fails_at_once():
    pool = a_pool(World(1, a_point(30.0), OPEN), 100)
    assert np.all(pool.stable == 0)
    assert np.all(pool.unstable * STEP_MV >= 39)


def test_planned_and_unreported_stops_leave_units_without_a_failure():
    planned = a_pool(World(1, a_point(250.0), replace(OPEN, planned=1.0)), 300)
    assert np.all(planned.unstable == NEVER_FAILED)
    assert planned.stable.max() * STEP_MV <= 131
    small = replace(
        OPEN, step_shares=(1.0, 0.0, 0.0, 0.0), tens=0.0, unreported=1.0, unease_mv=20.0
    )
    unreported = a_pool(World(1, a_point(100.0), small), 500)
    never = unreported.unstable == NEVER_FAILED
    assert 0.5 < never.mean() < 1.0
    assert np.all(unreported.stable[never] * STEP_MV > 74)


def test_planned_ends_are_stated_by_a_share_and_uneasy_stops_never():
    half = World(1, a_point(250.0), replace(OPEN, planned=1.0, one_unit=1.0), stated=0.5)
    pool = a_pool(half, 1000)
    assert np.all(pool.unstable == NEVER_FAILED)
    assert 0.4 < pool.stated.mean() < 0.6
    small = replace(OPEN, step_shares=(1.0, 0.0, 0.0, 0.0), tens=0.0, unease_mv=20.0)
    uneasy = a_pool(World(1, a_point(100.0), replace(small, unreported=1.0)), 500)
    left_mv = 100.0 - uneasy.stable * STEP_MV
    assert np.mean(uneasy.unstable == NEVER_FAILED) > 0.5
    assert not uneasy.stated.any()
    assert left_mv[uneasy.unstable == NEVER_FAILED].max() < 20.0


def test_what_is_stated_changes_nothing_else_of_a_pool():
    world = draw_world(3)
    assert 0.0 < world.stated < 1.0
    found = [a_pool(replace(world, stated=stated), 300) for stated in (0.0, world.stated, 1.0)]
    for one in found[1:]:
        for name in ("stable", "unstable", "contributor", "established"):
            assert np.array_equal(getattr(one, name), getattr(found[0], name))
    assert not found[0].stated.any()
    assert found[1].stated.sum() < found[2].stated.sum()


def test_short_tests_and_noise_move_the_limit_that_is_found():
    small = replace(OPEN, step_shares=(1.0, 0.0, 0.0, 0.0), tens=0.0)
    found = a_pool(World(1, a_point(100.0), replace(small, short=1.0)), 500)
    assert np.all((found.stable * STEP_MV <= 110.5) & (found.unstable * STEP_MV > 99.5))
    assert found.stable.max() * STEP_MV > 103
    noisy = a_pool(World(1, a_point(100.0), replace(small, noise_mv=6.0)), 500)
    assert noisy.stable.min() * STEP_MV < 92
    assert noisy.stable.max() * STEP_MV > 101


def test_none_is_established_among_few_contributors():
    alone = replace(OPEN, newcomers=0.0, one_unit=1.0)
    assert not a_pool(World(1, a_point(100.0), alone), OTHERS_NEEDED).established.any()
    assert a_pool(World(1, a_point(100.0), alone), OTHERS_NEEDED + 1).established.all()


@pytest.mark.parametrize(
    ("drawn", "quantile", "off"),
    [
        (lambda rng: np.full(300, 0.95), 0.95, 0.02),
        (lambda rng: rng.beta(19, 1, 300), 0.854, 0.04),
        (lambda rng: np.where(np.arange(300) < 30, 0.80, 0.99), 0.80, 0.03),
        (lambda rng: np.where(np.arange(300) < 9, 0.30, 0.98), 0.98, 0.02),
    ],
    ids=["all alike", "spread", "a tenth is bad", "a few are bad"],
)
def test_the_low_quantile_is_that_of_the_worlds_without_binomial_noise(drawn, quantile, off):
    rng = np.random.default_rng(8)
    runs, alike = np.full(300, 60), np.ones(300)
    found = [low_quantile(rng.binomial(runs, drawn(rng)), runs, alike) for _ in range(3)]
    assert np.mean(found) == pytest.approx(quantile, abs=off)


def test_the_raw_quantile_would_have_the_noise():
    raw = np.quantile(np.random.default_rng(8).binomial(60, np.full(300, 0.95)) / 60, 0.05)
    assert raw < 0.92


def a_cell(start_mv: float, **changed) -> Cell:
    cell = Cell(
        units=20,
        share=0.90,
        confidence=0.95,
        runs=10,
        covered=10,
        depth_mv=80.0,
        start_mv=start_mv,
        none=0,
        lost=0.0,
    )
    return replace(cell, **changed)


def two_worlds(cell: Cell, label: str = PLAIN) -> list[Measured]:
    return [Measured(1, label, "one", (cell,)), Measured(2, label, "two", (cell,))]


def by_name(rows):
    return {row.what: row for row in rows}


def test_worlds_are_written_and_read(tmp_path):
    write_worlds(tmp_path / "worlds.json", two_worlds(a_cell(50.0)))
    assert read_worlds(tmp_path / "worlds.json") == two_worlds(a_cell(50.0))


def test_worlds_are_compared_with_an_earlier_run():
    before = two_worlds(a_cell(50.0))
    for start_mv, more, met in ((56.0, -6.0, True), (55.0, -5.0, False)):
        rows = compared(two_worlds(a_cell(start_mv)), before)
        assert [(row.value, row.met) for row in rows] == [(more, met)] * 2
    (every,) = compared(two_worlds(a_cell(45.0)), two_worlds(a_cell(50.0, covered=9)))
    assert every.what == "more timid than before, all worlds, n = 20"


def test_coarse_testers_are_compared_by_their_timidity():
    at = {"units": 1000, "depth_mv": 90.0}
    before = two_worlds(a_cell(70.0, **at), COARSE)
    for start_mv, share, met in ((80.0, 0.5, True), (79.0, 0.55, False)):
        (row,) = compared(two_worlds(a_cell(start_mv, **at), COARSE), before)
        assert (row.value, row.met) == (share, met)


def test_one_deep_unit_may_make_a_start_a_little_shallower():
    for moved_mv in (5.0, 5.1):
        deep = two_worlds(a_cell(50.0 - moved_mv), ONE_DEEP)
        rows = moved_by_one([*two_worlds(a_cell(50.0)), *deep])
        assert [row.value for row in rows] == [moved_mv] * 2
        assert [row.met for row in rows] == [moved_mv <= 5] * 2


def test_a_deep_unit_lies_beyond_all_others():
    honest = a_pool(World(1, a_point(90.0), OPEN), 20)
    beside = beside_one_deep(honest)
    assert beside.where(np.arange(21) < 20).stable.tolist() == honest.stable.tolist()
    assert beside.stable[-1] * STEP_MV == pytest.approx(middles_mv(honest).max() + 40, abs=0.5)
    assert beside.honest.all()
    assert beside.contributor[-1] > honest.contributor.max()


@pytest.mark.parametrize(
    ("label", "pair", "units", "mean", "low"),
    [
        (PLAIN, USUAL, 5, "", ""),
        (PLAIN, USUAL, 70, ">= 0.95", ">= 0.85"),
        (PLAIN, USUAL, 100, ">= 0.95", ">= 0.9"),
        (PLAIN, (0.95, 0.95), 100, ">= 0.95", ">= 0.88"),
        (PLAIN, (0.99, 0.95), 100, "", ""),
        (HIDDEN, USUAL, 10, "", ""),
        (HIDDEN, USUAL, 40, ">= 0.92", ">= 0.8"),
    ],
)
def test_what_is_wanted_of_coverage(label, pair, units, mean, low):
    cell = a_cell(50.0, units=units, share=pair[0], confidence=pair[1])
    rows = by_name(rows_of(summaries(label, two_worlds(cell, label))))
    where = f"{label}, ({pair[0]:.2f}, {pair[1]:.2f}), n = {units}"
    assert rows[f"mean coverage, {where}"].wanted == mean
    assert rows[f"5 % quantile, {where}"].wanted == low


def test_coverage_wherever_a_number_is_given():
    at = {"share": 0.99, "runs": 10, "none": 9}
    rows = by_name(rows_of(summaries(PLAIN, two_worlds(a_cell(5.0, **at, covered=9)))))
    where = "no hidden habits, (0.99, 0.95), n = 20"
    assert rows[f"mean coverage, {where}"].value == 0.9
    for name in ("worlds alike", "worlds by starts"):
        assert rows[f"mean coverage of starts, {name}, {where}"].value == 0.0
        assert not rows[f"mean coverage of starts, {name}, {where}"].met
        assert rows[f"5 % quantile of starts, {name}, {where}"].wanted == ">= 0.85"
    (none,) = summaries(PLAIN, two_worlds(a_cell(0.0, share=0.99, none=10)))
    assert none.without == 1.0
    assert none.of_starts.mean == 1.0


def test_worlds_count_alike_or_by_their_starts():
    rare = Measured(1, PLAIN, "rare", (a_cell(5.0, none=9, covered=9),))
    (found,) = summaries(PLAIN, [rare, two_worlds(a_cell(50.0))[1]])
    assert found.all_runs.mean == pytest.approx(0.95)
    assert found.of_starts.mean == 0.5
    assert found.by_starts.mean == pytest.approx(10 / 11)
    assert found.of_starts.low < 0.5


def test_pairs_are_asked_of_honest_testers_alone():
    assert asked_pairs(PLAIN, 70) == asked_pairs(HIDDEN, 100) == (USUAL,)
    assert len(asked_pairs(PLAIN, 10)) == len(asked_pairs(PLAIN, 1000)) == 5


def test_a_summary_names_the_worst_world():
    good = two_worlds(a_cell(50.0))[0]
    bad = Measured(2, PLAIN, "the bad one", (a_cell(85.0, covered=4),))
    (found,) = summaries(PLAIN, [good, bad])
    assert (found.all_runs.mean, found.all_runs.worst) == (0.7, 0.4)
    assert found.worst_words == "the bad one"
    assert found.timidity_mv == pytest.approx((30 - 5) / 2)


WORLD = World(1, DrawnTruth((a_normal(110, 20),), 0.0), OPEN)


@pytest.mark.parametrize("name", DEEP)
def test_deep_crowds_are_a_fifth_of_all_accounts_with_standing(name):
    honest = a_pool(WORLD, 60)
    liars = DEEP[name](np.random.default_rng(1), honest)
    everyone = honest.beside(liars)
    assert accounts(liars) == len(liars.stable) == a_fifth(honest)
    assert accounts(liars) / accounts(everyone) == pytest.approx(0.2, abs=0.02)
    assert liars.established.all()
    assert not liars.honest.any()
    assert liars.stable.max() * STEP_MV <= 161


@pytest.mark.parametrize("name", ["at the edge of every cut", "a drip over 12 months"])
def test_crowds_at_the_edge_are_counted(name):
    honest = a_pool(WORLD, 60)
    liars = DEEP[name](np.random.default_rng(1), honest)
    loses = answered(honest.beside(liars), Siblings()).loses[~honest.beside(liars).honest]
    assert loses.mean() <= 0.35
    assert np.median(liars.stable) > np.quantile(honest.stable, 0.9)


def test_the_aimed_cluster_moves_the_start_at_least_as_far_as_the_one_at_the_median():
    honest = a_pool(WORLD, 60)
    starts = [
        answered(honest.beside(DEEP[name](np.random.default_rng(1), honest)), Siblings()).start_mv
        for name in ("a cluster where it moves the start most", "a cluster near the median")
    ]
    assert starts[0] >= starts[1] - 3


def test_small_crowds_have_the_accounts_that_they_are_named_for():
    honest = a_pool(WORLD, 60)
    ten = ten_of_three_units(np.random.default_rng(1), honest)
    assert np.bincount(ten.contributor).tolist() == [3] * 10
    two = two_fresh(np.random.default_rng(1), honest)
    assert accounts(two) == 2
    assert not two.established.any()


def test_a_crowd_of_none_moves_nothing():
    scene = Scene("none", 40, lambda rng, honest: cluster(rng, 0, 0.0))
    found = move(scene, WORLD, 2, seed=1)
    assert found.deeper_mv == 0.0
    assert found.given == found.given_before == 2


@pytest.mark.parametrize("scene", [scene for scene in SCENES if "shallow" in scene.name])
def test_shallow_crowds_only_ever_make_a_start_shallower(scene):
    found = move(replace(scene, units=40), WORLD, 2, seed=1)
    assert found.deeper_mv <= 0.0
    assert found.covered == 2


def test_a_young_scene_has_its_number_of_people_and_none_is_established():
    (scene,) = [scene for scene in SCENES if scene.name == "young, two fresh accounts"]
    (pool,) = scene.pools(np.random.default_rng(1), WORLD, 1)
    assert accounts(pool) == 25
    assert not pool.established.any()


APART = World(
    2,
    DrawnTruth((a_normal(110, 10, 0.92), a_normal(40, 4, 0.08)), 0.0),
    replace(OPEN, first_mv=(20.0, 30.0), step_shares=(0.5, 0.5, 0.0, 0.0), tens=0.0),
)
"""A weak group of 8 %, 70 mV from the rest."""


def with_a_shallow_cut(reports: Reports) -> Reports:
    """The broken rule: what lies five robust spreads before the median is thrown out."""
    known = middles_mv(reports)
    spread_mv = np.subtract(*np.quantile(known, [0.75, 0.25])) / 1.349
    return reports.where(known >= np.median(known) - 5 * spread_mv)


def test_a_weak_group_that_lies_apart_is_counted_and_covered():
    pools = draw_pools(np.random.default_rng(1), APART, 300, 8)
    cell, strict = cells_of(APART, 300, pools, (USUAL, STRICT))
    assert cell.covered >= 7
    assert strict.covered >= 7
    assert cell.lost < 0.01


def test_a_rule_that_throws_weak_units_out_would_be_seen():
    pools = draw_pools(np.random.default_rng(1), APART, 300, 8)
    (strict,) = cells_of(APART, 300, [with_a_shallow_cut(pool) for pool in pools], (STRICT,))
    assert strict.covered <= 1
