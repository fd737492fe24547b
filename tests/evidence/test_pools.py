"""The merge inside the database against a slow one in Python; which pool a question gets."""

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from random import Random

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from sqlalchemy import Connection, Engine

from kbapi.chips.chip import ChipName
from kbapi.evidence.outlier_check import (
    LONE_FAILURE_WEIGHT,
    check_outliers,
    weighed_intervals,
)
from kbapi.evidence.pools import (
    OwnWeight,
    PoolEvidence,
    PoolWanted,
    RelatedUnits,
    find_pool,
    lent_weights,
    load_pool,
    related_units,
    siblings_of,
)
from kbapi.evidence.units import MILLION
from kbapi.stats.estimate.siblings import summarise_sibling
from kbapi.stats.intervals import NEVER_FAILED
from kbapi.stats.scale import VOLTAGE_OFFSET
from kbapi.storage.pools import ChipRow, ConditionsKey, PoolKey, find_chip
from tests.evidence.makers import (
    SABLE,
    STANDING,
    UnitSeen,
    a_chip,
    a_unit,
    add_outcome,
    add_units,
    an_outcome,
    load_intervals,
    slowly_grouped,
)
from tests.evidence.pool_makers import a_unit as made_unit
from tests.evidence.pool_makers import pool_of
from tests.evidence.strategies import units


@contextmanager
def undone(engine: Engine) -> Iterator[Connection]:
    with engine.connect() as connection, connection.begin() as transaction:
        yield connection
        transaction.rollback()


def several(contributor: int, number: int) -> list[UnitSeen]:
    return [UnitSeen(contributor, ((0, an_outcome(5, 7)),))] * number


@settings(max_examples=120, deadline=None)
@given(units())
@example([UnitSeen(1, ((0, an_outcome(10)), (1, an_outcome(6)), (2, an_outcome(None, 8))))])
@example([UnitSeen(1, ((0, an_outcome(10, None, 6)), (1, an_outcome(10, None, 2))))])
@example([UnitSeen(1, ((0, an_outcome(3, None, 6)),))])
@example([*several(1, 7), *several(2, 3), *several(3, 1)])
@example([*several(1, 7), *(one for person in range(2, 20) for one in several(person, 3))])
def test_it_agrees_with_a_slow_reading_of_every_outcome(
    engine: Engine, seen: list[UnitSeen]
) -> None:
    with undone(engine) as connection:
        pool_id = add_units(connection, a_chip(connection), seen)
        assert pool_id is not None
        found = load_intervals(connection, pool_id)
    assert found == slowly_grouped(seen)


@pytest.mark.parametrize(("number", "weight_ppm"), [(1, 1_000_000), (3, 999_999), (4, 1_000_000)])
def test_one_contributor_alone_weighs_one_unit(
    engine: Engine, number: int, weight_ppm: int
) -> None:
    with undone(engine) as connection:
        pool_id = add_units(connection, a_chip(connection), several(1, number))
        assert pool_id is not None
        (group,) = load_intervals(connection, pool_id)
    assert (group.weight_ppm, group.units) == (weight_ppm, number)


def test_other_pools_have_no_part_in_it(engine: Engine) -> None:
    with undone(engine) as connection:
        chip = a_chip(connection)
        here = add_units(connection, chip, several(1, 2))
        add_units(connection, chip, several(1, 6), PoolKey("voltage_offset", "core+ring", 0))
        assert here is not None
        (group,) = load_intervals(connection, here)
    assert (group.weight_ppm, group.units) == (1_000_000, 2)


@pytest.mark.sqlite("its query plan is read")
def test_the_read_of_a_pool_never_scans_a_whole_table(engine: Engine) -> None:
    statements: list[str] = []
    with undone(engine) as connection:
        pool_id = add_units(connection, a_chip(connection), [*several(1, 2), *several(2, 1)])
        assert pool_id is not None
        driver = connection.connection.driver_connection
        assert driver is not None
        driver.set_trace_callback(statements.append)
        load_intervals(connection, pool_id)
        driver.set_trace_callback(None)
        plans = [
            [str(row[3]) for row in connection.exec_driver_sql(f"EXPLAIN QUERY PLAN {one}")]
            for one in statements
        ]
    assert len(plans) == 3
    index = "USING INDEX ix_setting_result_pool_status (pool_id=? AND status=?)"
    assert f"SEARCH setting_result {index}" in plans[0]
    steps = [step for plan in plans for step in plan]
    assert not [step for step in steps if step.startswith("SCAN") and "VIRTUAL" not in step]
    assert not [step for step in steps if "TEMP B-TREE" in step]


CORE = PoolKey("voltage_offset", "core", 0)
CORE_RING = PoolKey("voltage_offset", "core+ring", 0)
RING = PoolKey("voltage_offset", "ring", 0)
IN_COUNTS = PoolKey("count_offset", "core", 0)


def at_clock(band_mhz: int) -> PoolKey:
    return PoolKey("fixed_clock_voltage", "gpu_core", band_mhz)


def found_among(
    engine: Engine, pools: dict[PoolKey, int], wanted: PoolWanted
) -> tuple[PoolKey, int] | None:
    with undone(engine) as connection:
        chip = a_chip(connection)
        for pool, number in pools.items():
            for contributor in range(number):
                add_units(connection, chip, several(contributor, 1), pool)
        found = find_pool(connection, chip.line_id, SABLE, wanted)
    if found is None or found.own is None:
        return None
    assert found.own.key == found.key
    return found.key, found.own.units


@pytest.mark.parametrize(
    ("pools", "wanted", "key"),
    [
        ({CORE: 2, CORE_RING: 3}, PoolWanted("voltage_offset", "core", None, None), CORE_RING),
        ({CORE: 3, CORE_RING: 2}, PoolWanted("voltage_offset", "core", None, None), CORE),
        ({CORE: 3, CORE_RING: 1}, PoolWanted("voltage_offset", "ring", None, None), CORE_RING),
        ({RING: 9, CORE: 1}, PoolWanted("voltage_offset", "core", None, None), CORE),
        ({IN_COUNTS: 9, CORE: 1}, PoolWanted("voltage_offset", "core", None, None), CORE),
        ({CORE: 3, CORE_RING: 1}, PoolWanted("voltage_offset", "core", ("ring",), None), CORE_RING),
        ({IN_COUNTS: 2, CORE: 1}, PoolWanted(None, "core", None, None), IN_COUNTS),
        ({IN_COUNTS: 1, CORE: 2}, PoolWanted(None, "core", None, None), CORE),
        ({CORE: 1, CORE_RING: 3}, PoolWanted("voltage_offset", "core", (), None), CORE),
        ({CORE_RING: 3}, PoolWanted("voltage_offset", "core", (), None), None),
        ({CORE_RING: 3}, PoolWanted("voltage_offset", "core", ("ring", "io"), None), None),
        ({RING: 3}, PoolWanted("voltage_offset", "core", None, None), None),
        ({}, PoolWanted("voltage_offset", "core", None, None), None),
    ],
)
def test_the_largest_pool_with_the_domain_or_exactly_the_one_asked_for(
    engine: Engine, pools: dict[PoolKey, int], wanted: PoolWanted, key: PoolKey | None
) -> None:
    assert found_among(engine, pools, wanted) == (None if key is None else (key, pools[key]))


@pytest.mark.parametrize(
    ("bands", "wanted_mhz", "found_mhz"),
    [
        ({1700: 1, 1800: 1}, 1800, 1800),
        ({1700: 9, 1800: 1, 1900: 9}, 1800, 1800),
        ({1500: 1, 2400: 9}, 1600, 1500),
        ({1500: 9, 2400: 1}, 2300, 2400),
        ({1500: 9, 1600: 1}, 9000, 1600),
        ({1500: 1, 1600: 9}, None, 1600),
    ],
)
def test_the_band_of_the_clock_comes_before_the_size_and_else_the_nearest(
    engine: Engine, bands: dict[int, int], wanted_mhz: int | None, found_mhz: int
) -> None:
    pools = {at_clock(band): number for band, number in bands.items()}
    wanted = PoolWanted("fixed_clock_voltage", "gpu_core", None, wanted_mhz)
    assert found_among(engine, pools, wanted) == (at_clock(found_mhz), bands[found_mhz])


SIBLING = replace(SABLE, key="norvane-sable-5-4610mx", name="Norvane Sable 5 4610MX")
COUSIN = replace(SABLE, key="norvane-sable-7-4800k", series="norvane-sable-48-k")
STRANGER = replace(SABLE, key="ketterly-drift-6-2350u", series="ketterly", line="ketterly-drift")


def relatives_of(
    engine: Engine, pools: dict[tuple[ChipName, PoolKey], int], wanted: PoolWanted
) -> tuple[PoolKey, list[str], list[str]]:
    with undone(engine) as connection:
        line_id = a_chip(connection).line_id
        for (chip, pool), number in pools.items():
            row = find_chip(connection, chip.key) or a_chip(connection, chip)
            for contributor in range(number):
                add_units(connection, row, several(contributor, 1), pool)
        found = find_pool(connection, line_id, SABLE, wanted)
    assert found is not None
    keys = [[pool.chip_key for pool in pools] for pools in (found.series, found.line)]
    return found.key, keys[0], keys[1]


IN_CORE = PoolWanted(None, "core", None, None)


def test_the_same_pool_of_series_and_line_stands_beside_the_chips_own(engine: Engine) -> None:
    pools = {(SABLE, CORE): 1, (SIBLING, CORE): 2, (COUSIN, CORE): 3, (STRANGER, CORE): 9}
    assert relatives_of(engine, pools, IN_CORE) == (CORE, [SIBLING.key], [COUSIN.key])


def test_the_chips_own_results_decide_which_pool_however_few(engine: Engine) -> None:
    pools = {(SABLE, CORE): 1, (SIBLING, CORE_RING): 9, (COUSIN, CORE): 2}
    assert relatives_of(engine, pools, IN_CORE) == (CORE, [], [COUSIN.key])


def test_without_own_results_the_series_decides_and_then_the_line(engine: Engine) -> None:
    pools = {(SIBLING, CORE_RING): 1, (COUSIN, CORE): 9}
    assert relatives_of(engine, pools, IN_CORE) == (CORE_RING, [SIBLING.key], [])
    assert relatives_of(engine, {(COUSIN, CORE): 9}, IN_CORE) == (CORE, [], [COUSIN.key])


def loaded(engine: Engine, fill: Callable[[Connection, ChipRow], None]) -> PoolEvidence:
    with undone(engine) as connection:
        chip = a_chip(connection)
        fill(connection, chip)
        wanted = PoolWanted("voltage_offset", "core", None, None)
        found = find_pool(connection, chip.line_id, SABLE, wanted)
        assert found is not None
        assert found.own is not None
        return load_pool(connection, found.own, STANDING, 5.0)


def test_a_pool_carries_what_it_stands_on(engine: Engine) -> None:
    def fill(connection: Connection, chip: ChipRow) -> None:
        add_outcome(connection, chip, a_unit(connection), an_outcome(80, 90, month="2026-07"))
        add_outcome(connection, chip, a_unit(connection), an_outcome(None, 40, month="2026-09"))
        add_outcome(connection, chip, a_unit(connection), an_outcome(70, early_stop=5))
        add_outcome(connection, chip, a_unit(connection), an_outcome(3, early_stop=5))
        add_outcome(connection, chip, a_unit(connection), an_outcome(150), status="unverified")
        for _ in range(2):
            add_outcome(connection, chip, a_unit(connection), an_outcome(170), status="excluded")

    pool = loaded(engine, fill)
    found = (pool.units, pool.failures, pool.unverified, pool.excluded, pool.latest_month)
    assert found == (4, 2, 1, 2, "2026-09")
    assert (pool.failures_at_first_setting.units, pool.untold_stops.units) == (1, 1)
    # Three steps less five for the early stop: nothing is known, so it is not among them.
    assert pool.reported.stable_steps.tolist() == [0, 65, 80]
    assert pool.reported.unstable_steps.tolist() == [40, NEVER_FAILED, 90]
    assert pool.reported.weight.tolist() == [1.0, 1.0, 1.0]
    # Of the stop at 65 a part has failed within 15 steps: none of two others fails so soon.
    # The first setting of one unit failed, and no other unit failed near it.
    assert pool.intervals.stable_steps.tolist() == [0, 65, 80]
    assert pool.intervals.weight.tolist() == [LONE_FAILURE_WEIGHT, 1.0, 1.0]


def test_the_weakest_grade_and_the_usual_loads_are_reported(engine: Engine) -> None:
    def fill(connection: Connection, chip: ChipRow) -> None:
        for loads, grade in (
            ("all_core,vector_heavy", "long"),
            ("all_core", "long"),
            ("memory_heavy", "quick"),
        ):
            add_outcome(
                connection, chip, a_unit(connection), an_outcome(80), ConditionsKey(loads, grade)
            )
        # It failed at its first setting: no stable end, so its testing weakens nothing.
        first_failed = ConditionsKey("idle_resume", "short")
        add_outcome(connection, chip, a_unit(connection), an_outcome(None, 40), first_failed)

    pool = loaded(engine, fill)
    assert pool.grade == "quick"
    assert pool.loads == ("all_core",)


def test_a_pool_in_which_nothing_counts_is_empty_and_says_so(engine: Engine) -> None:
    def fill(connection: Connection, chip: ChipRow) -> None:
        add_outcome(connection, chip, a_unit(connection), an_outcome(80), status="unverified")

    pool = loaded(engine, fill)
    assert (pool.units, pool.unverified, pool.grade, pool.loads) == (0, 1, None, ())
    assert pool.latest_month is None
    assert np.array_equal(pool.intervals.weight, [])


def a_related_pool(
    established: int = 5, newcomers: int = 0, units: int = 2, *, confirmed: bool = False
) -> RelatedUnits:
    """A related chip's pool with so many units of each contributor."""
    made = [
        made_unit(
            90 + number % 7,
            contributor=number,
            is_established=False,
            is_vouched=confirmed and not turn,
        )
        for number in range(established + newcomers)
        for turn in range(units)
    ]
    pool = pool_of(made)
    return related_units(pool, check_outliers(pool, 5.0), 5.0, np.arange(established))


@pytest.mark.parametrize(
    ("established", "newcomers", "units", "lends"),
    [
        (5, 0, 2, True),
        (4, 0, 3, False),
        (9, 0, 1, False),
        (10, 0, 1, True),
        (3, 2, 2, True),
        (2, 3, 2, False),
        (2, 90, 3, False),
        (0, 90, 3, False),
        (5, 90, 2, True),
        (5, 5, 1, False),
        (6, 5, 1, True),
    ],
)
def test_a_chip_lends_ten_units_of_five_contributors_most_of_them_established(
    established: int, newcomers: int, units: int, lends: bool
) -> None:
    pool = a_related_pool(established, newcomers, units)
    assert pool.stand_behind(is_described=True) is lends


def test_a_contributor_counts_as_three_units_at_most() -> None:
    def lends(of_the_last: int) -> bool:
        made = [made_unit(90, contributor=number) for number in range(4) for _ in range(2)]
        pool = pool_of(made[1:] + [made_unit(90, contributor=4)] * of_the_last)
        units = related_units(pool, check_outliers(pool, 5.0), 5.0, np.arange(5))
        return units.stand_behind(is_described=True)

    # Seven units of four contributors, and those of the fifth.
    assert [lends(number) for number in (2, 3, 50)] == [False, True, True]
    made = [made_unit(90, contributor=0)] * 50 + [made_unit(90, contributor=n) for n in range(1, 5)]
    pool = pool_of(made)
    units = related_units(pool, check_outliers(pool, 5.0), 5.0, np.arange(5))
    assert not units.stand_behind(is_described=True)


def test_a_chip_outside_the_catalogue_lends_once_a_curator_included_a_result() -> None:
    assert not a_related_pool().stand_behind(is_described=False)
    assert a_related_pool(confirmed=True).stand_behind(is_described=False)
    assert not a_related_pool(4, confirmed=True).stand_behind(is_described=False)


def test_newcomers_lend_no_more_weight_than_the_established() -> None:
    def weights(newcomers: int) -> tuple[float, float]:
        pool = a_related_pool(3, newcomers, 1)
        new = ~pool.is_established
        return tuple(int(pool.weight_ppm[some].sum()) / 1e6 for some in (~new, new))

    assert weights(2) == (3, 2)
    assert weights(3) == (3, 3)
    assert weights(300) == (3, pytest.approx(3, abs=0.001))


def test_a_contributor_lends_three_units_at_most_over_a_whole_series() -> None:
    chips = [a_related_pool(5, 0, 3) for _ in range(4)]

    def weights(number: int) -> list[float]:
        return [weight.sum() / MILLION for weight in lent_weights(chips[:number])]

    assert weights(4) == [pytest.approx(15 / 4)] * 4
    assert weights(3) == [pytest.approx(5)] * 3
    assert weights(2) == [pytest.approx(5)] * 2


@pytest.mark.parametrize(("own", "lent"), [(0.0, 1.0), (2.0, 1.0), (2.5, 0.5), (3.0, 0.0)])
def test_what_weighs_in_the_chips_own_pool_is_not_lent_to_it_again(own: float, lent: float) -> None:
    weight = OwnWeight(np.array([0, 77]), np.array([round(own * MILLION), MILLION]))
    (ppm,) = lent_weights([a_related_pool(10, 0, 1)], weight)
    assert ppm.sum() / MILLION == pytest.approx(9.0 + lent)


def test_a_chip_lends_the_intervals_that_its_own_answer_uses() -> None:
    stops = [made_unit(60, NEVER_FAILED, contributor=n, is_untold=True) for n in range(6)]
    soon = [made_unit(70, contributor=n) for n in range(6, 12)]
    later = [made_unit(0, 72, contributor=12, has_failed_later=True)]
    pool = pool_of([*stops, *soon, *later])
    report = check_outliers(pool, 5.0)
    lent = related_units(pool, report, 5.0, np.arange(13))
    assert (len(lent.contributor), lent.stand_behind(is_described=True)) == (13, True)
    own = weighed_intervals(pool, report, 5.0)
    # A part of each stop has failed, and the limit of the last unit was little before its failure.
    assert {(60, 75), (60, NEVER_FAILED), (52, 72)} <= set(
        zip(own.stable_steps.tolist(), own.unstable_steps.tolist(), strict=True)
    )
    (found,) = siblings_of([(lent, 5.0)], VOLTAGE_OFFSET)
    assert found == summarise_sibling(own, 5.0, VOLTAGE_OFFSET)


@settings(max_examples=40, deadline=None)
@given(st.permutations(range(4)), st.permutations(range(30)), st.randoms(use_true_random=False))
def test_neither_order_nor_numbers_of_contributors_change_what_is_lent(
    order: list[int], names: list[int], rng: Random
) -> None:
    def chips(renamed: list[int], shuffled: bool) -> list[RelatedUnits]:
        made = []
        for chip in range(4):
            units = [
                made_unit(
                    80 + 3 * chip + number, contributor=renamed[(number * number) % (9 + chip)]
                )
                for number in range(16)
            ]
            if shuffled:
                rng.shuffle(units)
            pool = pool_of(units)
            known = np.array([renamed[number] for number in range(9)])
            made.append(related_units(pool, check_outliers(pool, 5.0), 5.0, known))
        return made

    def lent(made: list[RelatedUnits]) -> list[list[tuple[int, int]]]:
        """The stable end and the weight of each unit, in order."""
        weights = lent_weights(made)
        return [
            sorted(zip(chip.parts.stable_steps.tolist(), weight.tolist(), strict=True))
            for chip, weight in zip(made, weights, strict=True)
        ]

    usual = lent(chips(list(range(30)), shuffled=False))
    other = chips(names, shuffled=True)
    permuted = lent([other[place] for place in order])
    assert permuted == [usual[chip] for chip in order]


def of_contributors(contributors: Sequence[int], step: int) -> tuple[RelatedUnits, float]:
    """A related chip with one unit of each of these established contributors."""
    pool = pool_of([made_unit(step + n % 5, contributor=one) for n, one in enumerate(contributors)])
    return related_units(pool, check_outliers(pool, 5.0), 5.0, np.array(contributors)), 5.0


def weights_of(lenders: list[tuple[RelatedUnits, float]]) -> list[float]:
    return [sibling.units for sibling in siblings_of(lenders, VOLTAGE_OFFSET)]


def test_a_chip_with_little_weight_left_is_no_sibling() -> None:
    lenders = [(a_related_pool(5, 0, 3), 5.0)] * 4
    assert weights_of(lenders[:1]) == [pytest.approx(5)]
    assert weights_of(lenders[:3]) == [pytest.approx(5)] * 3
    # Each of four would have 3.75 units of weight.
    assert weights_of(lenders) == [pytest.approx(5)] * 3
    without = OwnWeight(np.arange(5), np.full(5, 3 * MILLION))
    assert siblings_of(lenders, VOLTAGE_OFFSET, without) == ()
    assert siblings_of([], VOLTAGE_OFFSET) == ()


def test_one_more_related_chip_of_the_same_members_removes_no_loan() -> None:
    def weights(chips: int) -> list[float]:
        return weights_of([of_contributors(range(10), 80 + chip) for chip in range(chips)])

    for chips in (1, 2, 3):
        assert weights(chips) == [10] * chips
    for chips in range(4, 8):
        assert weights(chips) == [pytest.approx(30 / chips)] * chips
    for chips in (8, 9, 12):
        assert weights(chips) == [pytest.approx(30 / 7)] * 7


def test_the_lightest_chip_is_dropped_before_the_shares_are_computed_anew() -> None:
    club = [of_contributors(range(10), 80 + chip) for chip in range(7)]
    light = of_contributors([*range(4), *range(50, 56)], 99)
    fewer = of_contributors(range(9), 60)
    # 3.375 beside 3.75 of the others, then thirty units over seven.
    assert weights_of([fewer, *club]) == [pytest.approx(30 / 7)] * 7
    # Six of its ten contributors own nothing else: it has the most weight of all.
    weights = weights_of([light, *club])
    assert weights == [pytest.approx(6 + 4 * 3 / 8)] + [pytest.approx(6 * 3 / 7 + 4 * 3 / 8)] * 7


@settings(max_examples=30, deadline=None)
@given(st.permutations(range(8)), st.permutations(range(12)))
def test_neither_order_nor_numbers_of_contributors_change_which_chips_lend(
    order: list[int], names: list[int]
) -> None:
    units = (12, 12, 11, 11, 10, 10, 9, 8)

    def chips(renamed: Sequence[int]) -> list[tuple[RelatedUnits, float]]:
        return [of_contributors(renamed[:most], 60 + 5 * n) for n, most in enumerate(units)]

    usual = siblings_of(chips(range(12)), VOLTAGE_OFFSET)
    # With all eight, the four smallest would have less than four units of weight each.
    assert len(usual) == 6
    other = chips(names)
    permuted = siblings_of([other[place] for place in order], VOLTAGE_OFFSET)
    by_mean = sorted(permuted, key=lambda sibling: sibling.mean)
    assert [one.units for one in by_mean] == pytest.approx([one.units for one in usual])
    assert [one.mean for one in by_mean] == pytest.approx([one.mean for one in usual])


def test_of_equally_light_chips_the_last_lends_nothing() -> None:
    club = [of_contributors(range(10), 80 - 5 * chip) for chip in range(8)]
    first_seven = siblings_of(club[:7], VOLTAGE_OFFSET)
    assert siblings_of(club, VOLTAGE_OFFSET) == first_seven
    renamed = [of_contributors(range(100, 110), 80 - 5 * chip) for chip in range(8)]
    assert siblings_of(renamed, VOLTAGE_OFFSET) == first_seven


@pytest.mark.parametrize("stored", [(0, 1, 2), (2, 0, 1), (1, 2, 0)])
def test_related_chips_of_one_size_are_in_order_of_their_keys(
    engine: Engine, stored: tuple[int, ...]
) -> None:
    chips = [replace(SIBLING, key=f"norvane-sable-5-46{n}0mx") for n in range(3)]
    pools = {(chips[n], CORE): 2 for n in stored}
    _, series, _ = relatives_of(engine, {(SABLE, CORE): 1, **pools}, IN_CORE)
    assert series == [chip.key for chip in chips]
