"""How far one contributor moves a start: the screen, the exact move, and what the answer says."""

from dataclasses import replace
from datetime import timedelta
from fractions import Fraction
from pathlib import Path
from random import Random
from typing import Any

import numpy as np
import orjson
import pytest

from kbapi.advice.evidence_found import EvidenceFound, find_evidence
from kbapi.advice.start import influence
from kbapi.advice.start.answer import advise_start, fit_question
from kbapi.advice.start.influence import (
    StartMove,
    approximate_moves,
    approximated_moves,
    find_largest_move,
    fitted_setting,
    most_suspected,
    start_fit,
    without,
)
from kbapi.advice.start.query import Question
from kbapi.evidence.pools import evidence_from, floor_steps
from kbapi.evidence.units import PoolRows, merge_results
from kbapi.instance.instance import Instance
from kbapi.metrics.folder import exposition_of_counts
from kbapi.stats.intervals import NEVER_FAILED, Grid
from kbapi.stats.start.start import StartMethod
from kbapi.storage.evidence import ConditionsRow, ResultRows
from kbapi.storage.review import find_checked_pool
from tests.makers import (
    COUNT_CHIP,
    NOON,
    HandMovedClock,
    a_line_of_units,
    a_question,
    a_setting,
    a_submission,
    an_instance,
    send,
)

GRID = Grid(Fraction(125, 128))
STEP_MV = 125 / 128
ASKED = "A curator of this instance is asked to look at them."
NOT_ESTABLISHED = "No contributor here is established yet, so false results count in full."


def answer_to(instance: Instance, **parameters: str) -> dict[str, Any]:
    question = a_question(instance, **parameters)
    answer: dict[str, Any] = orjson.loads(advise_start(instance, question).body)
    return answer


def codes_of(answer: dict[str, Any]) -> list[str]:
    return [one["code"] for one in answer["warnings"]]


def a_member(instance: Instance, number: int, depth: int, **changes: Any) -> None:
    setting = a_setting(stable_at=-depth, unstable_at=-depth - 5)
    send(instance, a_submission(setting, number=number, **changes))


def found_in(instance: Instance, question: Question) -> EvidenceFound:
    with instance.reading() as connection:
        return find_evidence(connection, question, instance)


def drawn_rows(seed: int, units: int) -> PoolRows:
    """A pool in memory: normal limits, contributors of one unit or more, one far from the rest."""
    rng = np.random.default_rng(seed)
    limit = np.maximum(rng.normal(110, 20, units), 5.0) / STEP_MV
    step = np.array([5, 10, 25])[rng.integers(0, 3, units)]
    stable = (limit // step * step).astype(np.int64)
    unstable = np.where(rng.random(units) < 0.3, NEVER_FAILED, stable + step).astype(np.int64)
    far = rng.integers(0, 3)
    if far:
        stable[:1], unstable[:1] = (0, 25) if far == 1 else (170, 180)
    contributor = np.cumsum(rng.random(units) < 0.75).astype(np.int64) + 1
    who = np.unique(contributor)
    established = who[rng.random(len(who)) < 0.5] if len(who) > 5 and seed % 2 else who[:0]
    zeros, no = np.zeros(units, dtype=np.int64), np.zeros(units, dtype=np.bool_)
    results = ResultRows(
        np.arange(1, units + 1),
        contributor,
        zeros + 1,
        stable,
        unstable,
        zeros,
        no,
        no,
        no,
        zeros + 2026 * 12 + 7,
        zeros,
    )
    named = dict.fromkeys(ConditionsRow.__dataclass_fields__, "")
    conditions = (ConditionsRow(**{**named, "id": 1, "grade": "long"}),)
    return PoolRows(results, merge_results(results), conditions, established, who, who)


def drawn(instance: Instance, seed: int, units: int) -> EvidenceFound:
    base = found_in(instance, a_question(instance))
    own = evidence_from(drawn_rows(seed, units), 1, floor_steps("voltage_offset", GRID), {})
    assert base.control == "voltage_offset"
    return EvidenceFound(base.control, GRID, base.factory_lock, own=own)


def exact_moves(question: Question, found: EvidenceFound) -> np.ndarray:
    """The plain second way: the pool is fitted again without each contributor."""
    assert found.own is not None
    now = fitted_setting(found, start_fit(question, found))
    assert now is not None
    return np.array(
        [
            (fitted_setting(found, start_fit(question, without(question, found, int(one)))) or 0.0)
            - now
            for one in np.unique(found.own.whole.contributor)
        ]
    )


def test_the_most_influential_contributor_of_nearly_every_small_pool_is_found(
    instance: Instance,
) -> None:
    question, missed = a_question(instance), []
    for seed in range(12):
        found = drawn(instance, seed, (6, 9, 14, 22)[seed % 4])
        exact = np.abs(exact_moves(question, found))
        move = find_largest_move(question, found, start_fit(question, found))
        assert move is not None
        assert move.is_large("voltage_offset") is bool(exact.max() > 10.0)
        if move.is_exact:
            assert abs(move.moves_by) <= exact.max() + 0.01
        if exact.max() > 10.0:
            missed.append(float(exact.max() - abs(move.moves_by)))
    assert len(missed) >= 5
    assert sum(one > STEP_MV + 0.01 for one in missed) <= 1
    assert max(missed) < 5.0


def test_approximated_moves_are_near_those_of_a_pool_that_is_checked_and_fitted_again(
    instance: Instance,
) -> None:
    question, errors, large = a_question(instance), [], 0
    for seed in range(36, 47):
        found = drawn(instance, seed, (9, 22, 50, 98, 130)[seed % 5])
        assert found.own is not None
        fit = start_fit(question, found)
        now = fitted_setting(found, fit)
        assert now is not None
        for contributor, near in approximated_moves(question, found, found.own, fit).items():
            left = fitted_setting(found, start_fit(question, without(question, found, contributor)))
            if left is not None and np.isfinite(near):
                errors.append(abs(left - now - near))
                large += abs(left - now) > 10.0
    assert len(errors) >= 45
    assert large >= 1
    assert np.mean(errors) < STEP_MV
    assert max(errors) < 5.0


def test_a_move_is_not_approximated_where_six_contributors_establish_one_another(
    instance: Instance,
) -> None:
    question = a_question(instance)
    for seed in range(1, 40, 2):
        found = drawn(instance, seed, 7)
        own, fit = found.own, start_fit(question, found)
        assert own is not None
        near = approximated_moves(question, found, own, fit)
        if len(np.unique(own.rows.merged.contributor)) == 6 and len(own.rows.established):
            assert set(near.values()) == {np.inf}
            return
    pytest.fail("no such pool was drawn")


def test_a_move_without_flagged_units_is_approximated_without_any_flag(
    instance: Instance,
) -> None:
    question, found = a_question(instance), drawn(instance, 4, 35)
    own = found.own
    assert own is not None
    deep = int(own.asked.unit[own.asked.stable_steps.argmax()])
    whose = int(own.asked.contributor[own.asked.stable_steps.argmax()])
    flagged = replace(own.outlier_report, outlier_deep=np.array([deep]), flagged_share=0.02)
    strict = replace(found, own=replace(own, outlier_report=flagged))
    near = approximated_moves(question, strict, strict.own, start_fit(question, strict))
    loose = approximated_moves(question, found, own, start_fit(question, strict))
    assert whose in near
    assert near[whose] < loose[whose] + 0.01
    fit = start_fit(question, strict)
    assert fit.stable_share_used > start_fit(question, found).stable_share_used


@pytest.mark.parametrize(
    ("seed", "units", "fits"), [(3, 22, 0), (5, 50, 0), (13, 35, 1), (2, 14, 4)]
)
def test_a_pool_is_fitted_again_only_where_the_answer_may_report_the_move(
    instance: Instance, monkeypatch: pytest.MonkeyPatch, seed: int, units: int, fits: int
) -> None:
    question, found = a_question(instance), drawn(instance, seed, units)
    made: list[int] = []
    plain = influence.start_fit
    monkeypatch.setattr(influence, "start_fit", lambda *asked: made.append(1) or plain(*asked))
    move = find_largest_move(question, found, plain(question, found))
    assert move is not None
    assert len(made) == fits
    assert move.is_exact is bool(fits)


def test_nobody_is_left_out_of_a_large_pool_with_close_limits(
    instance: Instance, monkeypatch: pytest.MonkeyPatch
) -> None:
    question, found = a_question(instance), drawn(instance, 0, 400)
    fit = start_fit(question, found)
    monkeypatch.setattr(influence, "start_fit", lambda *asked: pytest.fail("fitted again"))
    move = find_largest_move(question, found, fit)
    assert move is not None
    assert not move.is_exact
    assert not move.is_large("voltage_offset")


def test_a_large_pool_with_a_gap_at_its_start_is_fitted_again(instance: Instance) -> None:
    question, found = a_question(instance), drawn(instance, 36, 130)
    fit = start_fit(question, found)
    assert fit.method is StartMethod.MODEL_FREE
    move = find_largest_move(question, found, fit)
    assert move is not None
    assert move.is_exact
    assert abs(move.moves_by) > 5.0
    assert abs(move.moves_by) == pytest.approx(np.abs(exact_moves(question, found)).max(), abs=0.01)


@pytest.mark.parametrize(
    ("control", "moves_by", "says_so"),
    [
        ("voltage_offset", 10.0, False),
        ("voltage_offset", 10.01, True),
        ("voltage_offset", -10.0, False),
        ("voltage_offset", -10.01, True),
        ("fixed_clock_voltage", 10.0, False),
        ("fixed_clock_voltage", 12.5, True),
        ("count_offset", 2.0, False),
        ("count_offset", -3.0, True),
    ],
)
def test_a_move_is_reported_beyond_ten_millivolts_or_two_counts(
    control: str, moves_by: float, says_so: bool
) -> None:
    assert StartMove(7, moves_by, is_exact=True).is_large(control) is says_so
    assert not StartMove(7, moves_by, is_exact=False).is_large(control)


def test_the_answer_reports_a_move_just_beyond_the_limit_and_none_at_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = an_instance(tmp_path)
    a_line_of_units(made, [3, *(18 + number % 3 for number in range(11))])
    question = a_question(made, chip=COUNT_CHIP)
    move = fit_question(question, found_in(made, question)).move
    assert move is not None
    assert move.moves_by < -2.0
    answer = answer_to(made, chip=COUNT_CHIP)
    assert codes_of(answer) == ["no_contributor_established", "moved_by_one_contributor"]
    said = "One contributor moves this start by more than 2 counts: begin closer to stock."
    assert answer["warnings"][1]["text"] == said
    assert answer["summary"].endswith(said)
    made.close()
    for most, says_so in ((abs(move.moves_by), False), (abs(move.moves_by) - 0.01, True)):
        monkeypatch.setitem(influence.MOST_MOVED, "count_offset", most)
        again = an_instance(tmp_path / f"{most}")
        a_line_of_units(again, [3, *(18 + number % 3 for number in range(11))])
        answer = answer_to(again, chip=COUNT_CHIP)
        assert ("moved_by_one_contributor" in codes_of(answer)) is says_so
        again.close()


def test_the_answer_names_neither_the_contributor_nor_which_way_or_how_far(
    instance: Instance,
) -> None:
    for number in range(10):
        a_member(instance, number, 90 + number)
    a_member(instance, 10, 20)
    answer = answer_to(instance)
    assert codes_of(answer) == ["no_contributor_established", "moved_by_one_contributor"]
    (text,) = [one["text"] for one in answer["warnings"][1:]]
    assert text == "One contributor moves this start by more than 10 mV: begin closer to stock."
    assert set(answer["warnings"][1]) == {"code", "text"}
    with instance.reading() as connection:
        checked = find_checked_pool(connection, 1)
    assert checked is not None
    assert checked.contributor_id == 11
    assert checked.moves_by is not None
    assert f"{checked.moves_by:g}" not in orjson.dumps(answer).decode()


def test_neither_order_nor_names_change_what_is_said(tmp_path: Path) -> None:
    depths = [(number, 90 + number * 7 % 13) for number in range(9)] + [(9, 25), (10, 130)]
    bodies, findings = [], []
    for seed in range(3):
        made = an_instance(tmp_path / str(seed))
        rng = Random(seed)
        rng.shuffle(depths)
        for number, depth in depths:
            token = f"tidewater-member-{number * 17 + seed:06}"
            a_member(made, number, depth, contributor_token=token)
        bodies.append(advise_start(made, a_question(made)).body)
        with made.reading() as connection:
            checked = find_checked_pool(connection, 1)
        assert checked is not None
        findings.append((checked.codes, checked.moves_by))
        made.close()
    assert bodies[0] == bodies[1] == bodies[2]
    assert findings[0] == findings[1] == findings[2]


def test_equal_contributors_are_named_whatever_their_numbers(instance: Instance) -> None:
    found = drawn(instance, 5, 14)
    assert found.own is not None
    units, report = found.own.whole, found.own.outlier_report
    named = most_suspected(units, report, 5.0, approximate_moves(units, report, 5.0))
    assert len(named) == len(set(named)) <= 5


def test_the_first_sentence_says_that_no_contributor_is_established_until_one_is(
    tmp_path: Path,
) -> None:
    clock = HandMovedClock()
    made = an_instance(tmp_path, clock)
    clock.moment = NOON - timedelta(days=30)
    a_member(made, 0, 95)
    clock.moment = NOON - timedelta(days=1)
    for number in range(1, 7):
        a_member(made, number, 90 + number)
    answer = answer_to(made)
    assert answer["summary"].startswith(NOT_ESTABLISHED)
    assert codes_of(answer)[0] == "no_contributor_established"
    clock.moment = NOON
    answer = answer_to(made)
    assert "no_contributor_established" not in codes_of(answer)
    assert NOT_ESTABLISHED not in answer["summary"]
    made.close()


def test_a_chip_without_own_results_has_no_such_warning(instance: Instance) -> None:
    for number in range(12):
        a_member(instance, number, 90 + number % 5, chip="norvane-sable-5-4810mx")
    answer = answer_to(instance)
    assert answer["evidence"]["units"] == 0
    assert answer["warnings"] == []


@pytest.mark.parametrize(("contributors", "is_asked"), [(9, False), (10, True)])
def test_a_pool_without_a_start_says_how_many_failed_where_and_asks_a_curator_from_ten_on(
    instance: Instance, contributors: int, is_asked: bool
) -> None:
    for number in range(contributors):
        setting = a_setting(stable_at=None, unstable_at=-4 - number % 2)
        send(instance, a_submission(setting, number=number))
    answer = answer_to(instance)
    assert answer["reason"]["code"] == "fails_near_stock"
    text = answer["reason"]["text"]
    assert f"{(contributors + 1) // 2} contributors failed at -4 mV or closer to stock." in text
    assert (ASKED in text) is is_asked
    with instance.reading() as connection:
        checked = find_checked_pool(connection, 1)
    assert checked is not None
    assert ("fails_near_stock" in checked.codes) is is_asked


def test_few_failures_near_stock_are_not_counted_in_words(instance: Instance) -> None:
    for number in range(4):
        setting = a_setting(stable_at=None, unstable_at=-4)
        send(instance, a_submission(setting, number=number))
    text = answer_to(instance)["reason"]["text"]
    assert "Fewer than five known contributors failed this close to stock." in text
    assert "-4" not in text


def test_many_known_failures_are_not_denied_where_few_lie_near_stock(instance: Instance) -> None:
    for number in range(4):
        setting = a_setting(stable_at=None, unstable_at=-4)
        send(instance, a_submission(setting, number=number))
    for number in range(4, 12):
        a_member(instance, number, 90)
    reason = answer_to(instance)["reason"]
    assert reason["code"] == "fails_near_stock"
    assert "Fewer than five known contributors failed this close to stock." in reason["text"]


def of_the_day_before(tmp_path: Path) -> tuple[Instance, HandMovedClock]:
    """An instance whose results are of a day before those that wait."""
    clock = HandMovedClock(NOON - timedelta(days=1))
    return an_instance(tmp_path, clock), clock


def test_under_a_filter_the_contributors_that_it_admits_are_screened(tmp_path: Path) -> None:
    made, clock = of_the_day_before(tmp_path)
    inside = [20, *(90 + number for number in range(10))]
    outside = [5, 5, 5, 120, 121, 122]
    for number, depth in enumerate([*inside, *outside]):
        platform = {"supply": "mains" if number < len(inside) else "battery"}
        a_member(made, number, depth, platform=platform)
    clock.moment = NOON
    question = a_question(made, supply="mains")
    found = found_in(made, question)
    move = fit_question(question, found).move
    assert move is not None
    exact = exact_moves(question, found)
    assert move.contributor == int(np.abs(exact).argmax()) + 1 == 1
    assert abs(move.moves_by) > 10.0
    assert "moved_by_one_contributor" in codes_of(answer_to(made, supply="mains"))
    made.close()


def test_only_a_filter_merges_the_units_of_a_pool_twice(tmp_path: Path) -> None:
    made, clock = of_the_day_before(tmp_path)
    for number in range(12):
        platform = {"supply": "mains" if number < 6 else "battery"}
        a_member(made, number, 90 + number, platform=platform)
    clock.moment = NOON
    everything = found_in(made, a_question(made)).own
    filtered = found_in(made, a_question(made, supply="mains")).own
    assert everything is not None
    assert everything.asked is everything.whole
    assert filtered is not None
    assert (len(filtered.whole.unit), len(filtered.asked.unit)) == (12, 6)
    made.close()


@pytest.mark.parametrize(
    ("parameters", "failed", "is_asked"),
    [
        ({}, 16, True),
        ({"stable_share": "0.95"}, 16, False),
        ({"detail": "percentiles"}, 16, False),
        ({"supply": "mains"}, 6, False),
        ({"supply": "battery"}, 10, False),
    ],
)
def test_failures_near_stock_are_those_of_the_question_and_curators_see_the_usual_one(
    tmp_path: Path, parameters: dict[str, str], failed: int, is_asked: bool
) -> None:
    made, clock = of_the_day_before(tmp_path)
    for number in range(16):
        setting = a_setting(stable_at=None, unstable_at=-4)
        platform = {"supply": "mains" if number < 6 else "battery"}
        send(made, a_submission(setting, number=number, platform=platform))
    clock.moment = NOON
    reason = answer_to(made, **parameters)["reason"]
    assert reason["code"] == "fails_near_stock"
    assert f"{failed} contributors failed at -4 mV or closer to stock." in reason["text"]
    assert (ASKED in reason["text"]) is is_asked
    with made.reading() as connection:
        assert (find_checked_pool(connection, 1) is not None) is is_asked
    made.close()


@pytest.mark.parametrize(("units", "has_move"), [(3, False), (4, True)])
def test_a_pool_with_too_few_units_left_has_no_move(
    instance: Instance, units: int, has_move: bool
) -> None:
    for number in range(units):
        a_member(instance, number, 90 + number)
    question = a_question(instance)
    found = found_in(instance, question)
    fitted = fit_question(question, found)
    now = fitted_setting(found, fitted.fit)
    assert now is not None
    assert now < -10.0
    assert (fitted.move is not None) is has_move
    answer = answer_to(instance)
    assert answer["start"] is not None
    assert ("moved_by_one_contributor" in codes_of(answer)) is has_move


def moved(unit: str) -> tuple[float, float]:
    """How many starts were counted, and how many of them moved by at most 10 mV or 2 counts."""
    bound = {"mv": "10.0", "counts": "2.0"}[unit]
    lines = exposition_of_counts().decode().splitlines()
    wanted = (f"kbapi_start_moved_{unit}_count", f'kbapi_start_moved_{unit}_bucket{{le="{bound}"}}')
    found = [line.rsplit(" ", 1)[1] for name in wanted for line in lines if line.startswith(name)]
    return float(found[0]), float(found[1])


def test_a_computed_start_is_counted_by_how_far_one_contributor_moves_it(
    instance: Instance,
) -> None:
    for number in range(10):
        a_member(instance, number, 90 + number)
    before = moved("mv"), moved("counts")
    answer_to(instance)
    answer_to(instance)  # stored
    assert moved("mv") == (before[0][0] + 1, before[0][1] + 1)
    a_member(instance, 10, 20)
    answer_to(instance)
    assert moved("mv") == (before[0][0] + 2, before[0][1] + 1)
    assert moved("counts") == before[1]
    a_line_of_units(instance, [18 + number % 3 for number in range(11)])
    answer_to(instance, chip=COUNT_CHIP)
    assert moved("counts")[0] == before[1][0] + 1
