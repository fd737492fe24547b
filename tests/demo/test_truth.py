"""The written truth against the units drawn from it, and documents against their units."""

from random import Random

import pytest

from kbapi.demo.members import pool_truths
from kbapi.demo.results import TrueLimit, club_results
from kbapi.demo.truth import PoolTruth, draw_cooling

UNITS = 20_000
OF_EACH_SHAPE = {pool.shape: pool for pool in pool_truths()}
OF_EACH_CONTROL = {pool.control: pool for pool in pool_truths()}


@pytest.mark.parametrize(
    "pool",
    [*OF_EACH_SHAPE.values(), *OF_EACH_CONTROL.values()],
    ids=lambda pool: f"{pool.shape}, {pool.control}",
)
def test_the_stable_share_is_the_share_of_units_drawn(pool: PoolTruth) -> None:
    rng = Random(7)
    drawn = [pool.draw_limit_steps(rng, draw_cooling(rng).limit_mv) for _ in range(UNITS)]
    for wanted in (0.99, 0.9, 0.5, 0.1):
        steps = max(k for k in range(1, 400) if pool.stable_share(k) >= wanted)
        found = sum(limit >= steps for limit in drawn) / UNITS
        assert found == pytest.approx(pool.stable_share(steps), abs=0.015)


def test_the_stable_share_falls_from_one_to_nothing() -> None:
    for pool in pool_truths():
        shares = [pool.stable_share(steps) for steps in range(400)]
        assert shares[0] == 1
        assert shares == sorted(shares, reverse=True)
        assert shares[-1] < 0.01


def steps_below_stock(setting: dict[str, float], name: str, pool: PoolTruth) -> int | None:
    if setting.get(name) is None:
        return None
    return pool.grid.stable_steps(setting.get("stock_mv", 0) - setting[name])


def check_response(setting: dict[str, float], limit: TrueLimit) -> None:
    stable = steps_below_stock(setting, "stable_at", limit.pool)
    unstable = steps_below_stock(setting, "unstable_at", limit.pool)
    assert stable is None or stable <= limit.steps
    assert unstable is None or limit.steps < unstable
    assert (stable, unstable) != (None, None)
    in_use = steps_below_stock(setting, "in_use", limit.pool)
    assert in_use is None or 0 < in_use <= stable


def test_an_honest_document_brackets_the_limit_of_its_unit() -> None:
    for result in club_results(3_000, Random(2)):
        if result.standing == "honest":
            for setting, limit in zip(result.document["settings"], result.limits, strict=True):
                assert setting["domain"] == limit.pool.domains[0]
                check_response(setting, limit)


def readings(
    form: str, *, on_gpu: bool, under_cap: bool = False
) -> list[tuple[dict[str, float], dict[str, float]]]:
    pairs = []
    for result in club_results(6_000, Random(3)):
        document = result.document
        is_gpu = any(limit.pool.clock_mhz for limit in result.limits)
        wanted = document["platform"]["form"] == form and is_gpu == on_gpu
        if result.standing == "honest" and wanted and "readings" in document:
            readings_of = document["readings"]
            capped = [one for one in readings_of if "power_cap_w" in one]
            pairs.append(tuple(capped[:2] if under_cap else readings_of[:2]))
    return [pair for pair in pairs if pair]


def mean_ratio(pairs: list[tuple[dict[str, float], dict[str, float]]], field: str) -> float:
    return sum(tuned[field] / stock[field] for stock, tuned in pairs) / len(pairs)


def test_at_equal_clock_power_and_heat_fall() -> None:
    pairs = readings("desktop", on_gpu=True)
    assert mean_ratio(pairs, "clock_mhz") == 1
    # About 85 mV below 960 mV: (1 - 0.089)^2 = 0.83.
    assert 0.78 < mean_ratio(pairs, "power_w") < 0.90
    assert mean_ratio(pairs, "temp_avg_c") < 0.95


def test_a_chip_at_its_power_limit_keeps_its_power_and_gains_speed() -> None:
    pairs = readings("laptop", on_gpu=False)
    assert mean_ratio(pairs, "power_w") == pytest.approx(1, abs=0.002)
    assert mean_ratio(pairs, "clock_mhz") > 1.04
    assert mean_ratio(pairs, "performance") > 1.04
    assert all(stock["throttle_reasons"] for stock, _ in pairs)


def test_under_a_lower_cap_both_draw_the_same_and_the_tuned_one_does_more() -> None:
    pairs = readings("desktop", on_gpu=False, under_cap=True)
    uncapped = readings("desktop", on_gpu=False)
    assert all(stock["power_cap_w"] == tuned["power_cap_w"] == 106 for stock, tuned in pairs)
    assert max(one["power_w"] for pair in pairs for one in pair) < 106 * 1.03
    assert mean_ratio(pairs, "performance") > 1.03
    assert mean_ratio(uncapped, "performance") == pytest.approx(1, abs=0.01)
