"""Filters that matter are named, those that do not are not, and few units tell nothing."""

from dataclasses import replace
from random import Random

import numpy as np
import pytest

from kbapi.evidence.comparisons import Difference, find_differences
from kbapi.evidence.outlier_check import UNCHECKED, check_outliers
from tests.evidence.pool_makers import UnitMade, a_unit, pool_of


def a_unit_under(limit: int, **values: str) -> UnitMade:
    return a_unit(limit, conditions=tuple(sorted(values.items())))


def differences(units: list[UnitMade]) -> tuple[Difference, ...]:
    pool = pool_of(units)
    return find_differences(pool, UNCHECKED, pool.contributor)


def around(middle: int, number: int, seed: int, **values: str) -> list[UnitMade]:
    rng = np.random.default_rng(seed)
    return [a_unit_under(int(limit), **values) for limit in rng.normal(middle, 12, number)]


def filters_of(units: list[UnitMade]) -> list[str]:
    return [one.filter for one in differences(units)]


@pytest.mark.parametrize("name", ["grade", "microcode", "firmware", "machine", "supply"])
def test_a_value_that_goes_deeper_is_named(name: str) -> None:
    groups = [*around(80, 30, 1, **{name: "one"}), *around(110, 30, 2, **{name: "other"})]
    (found,) = differences(groups)
    assert (found.filter, found.p_value) == (name, pytest.approx(0.001))
    assert [(value.value, value.units, value.direction == "deeper") for value in found.values] == [
        ("one", 30, False),
        ("other", 30, True),
    ]


def test_each_value_of_a_list_is_compared_with_its_absence() -> None:
    groups = [*around(80, 30, 3, cooling="stock"), *around(110, 30, 4, cooling="pad,repasted")]
    found = differences(groups)
    assert {one.filter for one in found} == {"cooling"}
    assert [value.value for value in found[0].values] == ["without pad", "pad"]
    groups = [*around(80, 30, 3, loads="all_core"), *around(110, 30, 4, loads="all_core,gpu_only")]
    assert [v.value for v in differences(groups)[0].values][1] == "gpu_only"


def test_unreported_conditions_are_not_a_value() -> None:
    groups = [*around(80, 30, 5), *around(110, 30, 6, supply="mains")]
    assert filters_of(groups) == []


def test_a_value_with_four_units_is_never_compared() -> None:
    few = around(30, 4, 7, supply="battery")
    assert filters_of([*around(100, 40, 8, supply="mains"), *few]) == []
    five = around(30, 5, 7, supply="battery")
    assert filters_of([*around(100, 40, 8, supply="mains"), *five]) == ["supply"]


def test_the_order_of_units_never_matters() -> None:
    groups = [*around(90, 25, 9, supply="mains"), *around(98, 25, 10, supply="battery")]
    one = differences(groups)
    assert one == differences(sorted(groups, key=lambda unit: unit.stable_steps))


def test_excluded_units_are_not_compared() -> None:
    honest = [*around(100, 40, 11, supply="mains"), *around(100, 40, 12, supply="battery")]
    fleets = [
        replace(a_unit_under(300, supply="battery"), contributor=fleet)
        for fleet in range(4)
        for _ in range(12)
    ]
    groups = [*honest, *fleets]
    assert filters_of(groups) == ["supply"]
    outlier_report = check_outliers(pool_of(groups), 5.0)
    assert outlier_report.excluded_units == 48
    pool = pool_of(groups)
    assert find_differences(pool, outlier_report, pool.contributor) == ()


def of_few(senders: int, units: list[UnitMade]) -> list[UnitMade]:
    return [replace(one, contributor=1 + place % senders) for place, one in enumerate(units)]


def test_a_flood_of_one_contributor_is_no_difference() -> None:
    others = around(100, 60, 13, supply="mains")
    shallower = around(85, 60, 14, supply="battery")
    # As many people, or twenty with three units each: the same as if each were alone.
    assert filters_of([*others, *shallower]) == ["supply"]
    assert differences([*others, *of_few(20, shallower)]) == differences([*others, *shallower])
    assert filters_of([*others, *of_few(1, shallower)]) == []


def test_which_units_of_a_flood_are_chosen_does_not_depend_on_their_arrival() -> None:
    groups = [*around(100, 60, 15, supply="mains")]
    groups += of_few(9, around(85, 90, 16, supply="battery"))
    found = differences(groups)
    assert [(value.value, value.units) for value in found[0].values] == [
        ("battery", 27),
        ("mains", 60),
    ]
    for seed in range(5):
        mixed = list(groups)
        Random(seed).shuffle(mixed)
        assert differences(mixed) == found


def test_several_filters_are_read_at_one_level() -> None:
    def chance(seed: int) -> bool:
        rng = np.random.default_rng(seed)
        groups = [
            a_unit_under(
                int(rng.normal(100, 15)),
                supply=str(rng.choice(["mains", "battery"])),
                machine=str(rng.choice(["harbour-15", "quay-13"])),
                microcode=str(rng.choice(["0x2a", "0x2b"])),
                cooling=str(rng.choice(["stock", "pad"])),
            )
            for _ in range(60)
        ]
        return bool(differences(groups))

    assert np.mean([chance(seed) for seed in range(60)]) <= 0.12
