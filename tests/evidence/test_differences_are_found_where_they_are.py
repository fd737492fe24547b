"""Filters that matter are named, those that do not are not, and few units tell nothing."""

from dataclasses import replace

import numpy as np
import pytest

from kbapi.evidence.differences import find_differences
from kbapi.evidence.judge import UNJUDGED, judge_pool
from kbapi.storage.condition_rows import ConditionedGroup, UnitConditions
from kbapi.storage.unit_rows import UnitGroup

UNTOLD = UnitConditions("", "", "", "", "", "", "")


def a_group(limit: int, units: int = 1, **told: str) -> ConditionedGroup:
    weight = units * 1_000_000
    group = UnitGroup(limit, limit + 5, 0, True, False, weight, units, "2026-08")
    return ConditionedGroup(group, replace(UNTOLD, **told))


def around(middle: int, number: int, seed: int, **told: str) -> list[ConditionedGroup]:
    rng = np.random.default_rng(seed)
    return [a_group(int(limit), **told) for limit in rng.normal(middle, 12, number)]


def filters_of(groups: list[ConditionedGroup]) -> list[str]:
    return [one.filter for one in find_differences(groups, UNJUDGED)]


@pytest.mark.parametrize("name", ["grade", "microcode", "firmware", "machine", "supply"])
def test_a_value_that_goes_deeper_is_named(name: str) -> None:
    groups = [*around(80, 30, 1, **{name: "one"}), *around(110, 30, 2, **{name: "other"})]
    (found,) = find_differences(groups, UNJUDGED)
    assert (found.filter, found.p_value) == (name, pytest.approx(0.001))
    assert [(value.value, value.units, value.goes_deeper) for value in found.values] == [
        ("one", 30, False),
        ("other", 30, True),
    ]


def test_words_of_lists_are_compared_with_and_without() -> None:
    groups = [*around(80, 30, 3, cooling="stock"), *around(110, 30, 4, cooling="pad,repasted")]
    found = find_differences(groups, UNJUDGED)
    assert {one.filter for one in found} == {"cooling"}
    assert [value.value for value in found[0].values] == ["without pad", "pad"]
    groups = [*around(80, 30, 3, loads="all_core"), *around(110, 30, 4, loads="all_core,gpu_only")]
    assert [v.value for v in find_differences(groups, UNJUDGED)[0].values][1] == "gpu_only"


def test_untold_conditions_are_not_a_value() -> None:
    groups = [*around(80, 30, 5), *around(110, 30, 6, supply="mains")]
    assert filters_of(groups) == []


def test_four_units_are_never_told() -> None:
    few = around(30, 4, 7, supply="battery")
    assert filters_of([*around(100, 40, 8, supply="mains"), *few]) == []
    five = around(30, 5, 7, supply="battery")
    assert filters_of([*around(100, 40, 8, supply="mains"), *five]) == ["supply"]


def test_the_order_of_units_never_matters_and_groups_are_their_units() -> None:
    groups = [*around(90, 25, 9, supply="mains"), *around(98, 25, 10, supply="battery")]
    one = find_differences(groups, UNJUDGED)
    assert one == find_differences(sorted(groups, key=lambda g: g.units.stable_steps), UNJUDGED)
    twice = [a_group(80, 2, supply="mains"), a_group(90, 6, supply="battery")] * 3
    apart = [
        a_group(group.units.stable_steps, supply=group.conditions.supply)
        for group in twice
        for _ in range(group.units.units)
    ]
    assert find_differences(twice, UNJUDGED) == find_differences(apart, UNJUDGED)


def test_units_that_judging_set_aside_have_no_part_in_it() -> None:
    honest = [*around(100, 40, 11, supply="mains"), *around(100, 40, 12, supply="battery")]
    groups = [*honest, *(a_group(300, supply="battery") for _ in range(12))]
    assert filters_of(groups) == ["supply"]
    judgement = judge_pool([group.units for group in groups], 5.0)
    assert judgement.units_set_aside >= 12
    assert find_differences(groups, judgement) == ()


def test_several_filters_are_read_at_one_level() -> None:
    def chance(seed: int) -> bool:
        rng = np.random.default_rng(seed)
        groups = [
            a_group(
                int(rng.normal(100, 15)),
                supply=str(rng.choice(["mains", "battery"])),
                machine=str(rng.choice(["harbour-15", "quay-13"])),
                microcode=str(rng.choice(["0x2a", "0x2b"])),
                cooling=str(rng.choice(["stock", "pad"])),
            )
            for _ in range(60)
        ]
        return bool(find_differences(groups, UNJUDGED))

    assert np.mean([chance(seed) for seed in range(60)]) <= 0.12
