"""Influence is the start with and without a contributor, as the next answer would give it."""

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from kbapi.access.keys import KeyHolder
from kbapi.advice.start.influence import approximate_moves, limits_of
from kbapi.curation import influence
from kbapi.curation.influence import Influence, rank_influence
from kbapi.evidence.outlier_check import check_outliers
from kbapi.evidence.units import load_pool_rows, units_of
from kbapi.instance.instance import Instance
from kbapi.intake.follow_up import accept_follow_up
from kbapi.stats.intervals import NEVER_FAILED
from tests.curation.evening import an_evening
from tests.curation.makers import a_curator, decide
from tests.evidence.makers import STANDING
from tests.evidence.pool_makers import a_unit, pool_of
from tests.makers import (
    CHIP,
    COUNT_CHIP,
    HandMovedClock,
    a_body,
    a_line_of_units,
    a_setting,
    a_submission,
    an_instance,
    row_counts,
    send,
)


@pytest.fixture
def curator(instance: Instance) -> KeyHolder:
    return a_curator(instance)


def a_pool(instance: Instance) -> None:
    """Nine contributors around 80 mV, one of them with three units."""
    for number in range(11):
        depth = 76 + number * 7 % 13
        member = f"tidewater-member-{max(number, 2):06}"
        setting = a_setting(stable_at=-depth, unstable_at=-depth - 5)
        send(instance, a_submission(setting, number=number, contributor_token=member))


def start_after_excluding(instance: Instance, curator: KeyHolder, number: int) -> Any:
    entry = {"contributor": number, "decision": "exclude", "reason": "testing_doubted"}
    (change,) = decide(instance, curator, entry).starts
    decide(instance, curator, entry | {"decision": "undo", "reason": "decided_in_error"})
    return None if change.after.start is None else change.after.start.setting_mv


def strongest(instance: Instance, number: int, chip: str | None = None) -> Influence:
    found = rank_influence(instance, chip).strongest_of(number)
    assert found is not None
    return found


def test_the_start_without_a_contributor_is_that_of_a_decision_about_all_of_theirs(
    instance: Instance, curator: KeyHolder
) -> None:
    a_pool(instance)
    shallow = send(instance, a_submission(a_setting(stable_at=-40, unstable_at=-45), number=40))
    deep = send(instance, a_submission(a_setting(stable_at=-120, unstable_at=-125), number=41))
    later = {"domain": "core", "control": "voltage_offset", "setting": -40}
    failed = a_body({**later, "outcome": "failed_later", "days": 40})
    accept_follow_up(instance, shallow.id, shallow.receipt, failed)
    ranking = rank_influence(instance)
    assert len(ranking.contributors) == 11
    for number in ranking.contributors:
        (one,) = ranking.influence[number]
        assert one.is_exact
        expected = start_after_excluding(instance, curator, number)
        assert (number, one.start_without) == (number, expected)
        assert one.moves_by == pytest.approx((expected or 0) - (one.start or 0), abs=0.011)
    assert deep.id != shallow.id


def test_a_contributor_that_makes_a_start_shallower_moves_it_deeper_when_left_out(
    instance: Instance,
) -> None:
    a_pool(instance)
    for number in range(40, 43):
        setting = a_setting(stable_at=-60, unstable_at=-65)
        member = "tidewater-member-000040"
        send(instance, a_submission(setting, number=number, contributor_token=member))
    ranking = rank_influence(instance)
    first = ranking.influence[ranking.contributors[0]][0]
    assert ranking.contributors[0] == 10
    assert (first.pool.chip, first.units) == (CHIP, 3)
    assert first.moves_by is not None
    assert first.moves_by < 0


def test_with_too_few_other_units_the_start_does_not_move_but_ends(instance: Instance) -> None:
    for number in range(3):
        send(instance, a_submission(number=number))
    one = strongest(instance, 1)
    assert one.start is not None
    assert (one.start_without, one.moves_by, one.is_exact) == (None, None, True)


def test_only_sixteen_are_refitted_and_they_come_first(
    instance: Instance, monkeypatch: pytest.MonkeyPatch
) -> None:
    a_pool(instance)
    monkeypatch.setattr(influence, "MOST_REFITTED", 4)
    ranking = rank_influence(instance)
    exact = [ranking.influence[one][0].is_exact for one in ranking.contributors]
    assert exact == [True] * 4 + [False] * 5
    approximated = [ranking.influence[one][0] for one in ranking.contributors[4:]]
    assert all(one.start is None and one.start_without is None for one in approximated)
    assert influence.MOST_REFITTED == 4


def test_the_sixteen_include_every_liar_of_the_evening(tmp_path: Path) -> None:
    clock = HandMovedClock()
    made = an_instance(tmp_path, clock)
    liars = an_evening(made, clock)
    ranking = rank_influence(made)
    assert set(ranking.contributors[: influence.MOST_REFITTED]) >= set(liars.values())
    # Two of them lie about one chip: without either, the other keeps the start where it is.
    assert len(set(ranking.contributors[: len(liars)]) & set(liars.values())) >= len(liars) - 1
    assert influence.MOST_REFITTED == 16
    made.close()


def test_pools_with_more_units_than_are_read_are_left_out_and_counted(
    instance: Instance, monkeypatch: pytest.MonkeyPatch
) -> None:
    a_pool(instance)
    a_line_of_units(instance, [10, 11, 12])
    monkeypatch.setattr(influence, "MOST_UNITS_READ", 5)
    ranking = rank_influence(instance)
    assert ranking.pools_left_out == 1
    # A chip that is named is read whatever its size.
    assert rank_influence(instance, CHIP).pools_left_out == 0
    assert {pool.pool.chip for one in ranking.influence.values() for pool in one} == {
        "ketterly-drift-6-2350u"
    }


def test_a_ranking_is_computed_once_for_each_state_and_stores_nothing(
    instance: Instance, monkeypatch: pytest.MonkeyPatch
) -> None:
    a_pool(instance)
    before = row_counts(instance)
    fits = []
    plain = influence.start_fit
    monkeypatch.setattr(influence, "start_fit", lambda *asked: fits.append(1) or plain(*asked))
    first = rank_influence(instance)
    once = len(fits)
    assert rank_influence(instance) == first
    assert len(fits) == once == 10
    assert row_counts(instance) == before
    send(instance, a_submission(a_setting(stable_at=-40, unstable_at=-45), number=40))
    assert rank_influence(instance) != first


def test_the_approximation_is_the_quantile_without_each_contributor(instance: Instance) -> None:
    a_pool(instance)
    with instance.reading() as connection:
        units = units_of(load_pool_rows(connection, 1, STANDING))
    report = check_outliers(units, 5.0)
    moves = approximate_moves(units, report, 5.0)
    weight, limit = units.weight_ppm / 1_000_000, limits_of(units, 5.0)

    def quantile(kept: Any) -> float:
        w, x = weight[kept], limit[kept]
        mean = float((w * x).sum() / w.sum())
        return mean - 1.2816 * float(np.sqrt((w * (x - mean) ** 2).sum() / w.sum()))

    whole = quantile(np.ones(len(limit), dtype=bool))
    expected = [quantile(units.contributor != one) - whole for one in np.unique(units.contributor)]
    assert moves == pytest.approx(expected)


def test_the_limit_of_a_unit_that_failed_later_lies_little_before_its_failure() -> None:
    later = a_unit(0, 72, has_failed_later=True)
    units = pool_of([a_unit(60, 70), a_unit(0, 72), later, a_unit(60, NEVER_FAILED)])
    assert limits_of(units, 5.0).tolist() == [65.0, 36.0, 62.0, 60.0]


def test_a_flagged_contributor_is_suspected_while_its_units_make_the_start_stricter(
    instance: Instance,
) -> None:
    a_line_of_units(instance, [10 + number % 3 for number in range(40)])
    document = a_submission(number=900, chip=COUNT_CHIP)
    setting = a_setting(control="count_offset", stable_at=-29, unstable_at=-30)
    document["settings"] = [setting | {"effect": {"shown_by": "less_power"}}]
    send(instance, document)
    with instance.reading() as connection:
        units = units_of(load_pool_rows(connection, 1, STANDING))
    moves = approximate_moves(units, check_outliers(units, 1.0), 1.0)
    assert len(moves) == 41
    assert moves[-1] == max(moves) == pytest.approx(1.0)
