"""The short form of each calibration: whole, and right where it is known to be with a margin."""

import json

import numpy as np
import pytest

from tests.calibration import (
    chance,
    filters,
    gains,
    inference,
    locks,
    next_step,
    power,
    siblings,
    telemetry,
    time,
    worlds,
)
from tests.calibration._drawn import draw_world
from tests.report import Row, print_report

CALIBRATIONS = {
    "siblings": siblings,
    "filters": filters,
    "next_step": next_step,
    "time": time,
    "gains": gains,
    "power": power,
    "locks": locks,
    "inference": inference,
    "worlds": worlds,
    "telemetry": telemetry,
    "chance": chance,
}


@pytest.fixture(scope="module")
def reports() -> dict[str, list[Row]]:
    return {name: module.measure(short=True) for name, module in CALIBRATIONS.items()}


@pytest.mark.parametrize("name", CALIBRATIONS)
def test_a_report_ends_with_one_object_in_which_nothing_is_missing(name, reports, capsys):
    print_report(f"python -m tests.calibration {name} --short", reports[name])
    report = json.loads(capsys.readouterr().out.splitlines()[-1])
    assert report["command"] == f"python -m tests.calibration {name} --short"
    assert len(report["rows"]) == len(reports[name]) > 0
    for row in report["rows"]:
        assert isinstance(row["value"], float)
        assert isinstance(row["met"], bool)


def values(rows, start, holding=""):
    found = [row.value for row in rows if row.what.startswith(start) and holding in row.what]
    assert found
    return found


def test_agreeing_siblings_give_a_start_that_covers_before_any_unit(reports):
    rows = reports["siblings"]
    assert values(rows, "mean coverage")[0] >= 0.95
    assert min(values(rows, "coverage", "agreeing siblings, n = 0")) >= 0.85
    assert max(values(rows, "timidity, ", "agreeing siblings, n = 0")) <= 45
    assert max(values(rows, "timidity grows")) <= 1


def test_siblings_that_disagree_cost_less_than_before(reports):
    # A plain hierarchical prior covered 0.37 in the worst of these cells.
    assert min(values(reports["siblings"], "coverage", "disagreeing")) >= 0.60


def test_chips_of_other_lines_give_starts_that_cover_before_any_unit(reports):
    rows = reports["siblings"]
    assert min(values(rows, "coverage of given starts", "lines")) >= 0.75
    assert min(values(rows, "starts given", "10 mV apart")) >= 0.75


def test_hidden_habits_change_starts_beside_relatives_but_no_limit():
    drawn = draw_world(1)
    worlds = drawn, drawn.without_hidden_habits()
    hidden, plain = (
        np.array([found[1:] for found in siblings.starts_beside_relatives(world)])
        for world in worlds
    )
    assert hidden[:, 1].tolist() == plain[:, 1].tolist()
    assert (hidden[:, 0] != plain[:, 0]).all()


def test_the_same_seed_gives_the_same_figures_to_the_digit(reports):
    again = siblings.measure(short=True, runs=4)
    assert again == siblings.measure(short=True, runs=4)


def test_groups_that_do_not_differ_are_hardly_ever_reported(reports):
    rows = reports["filters"]
    assert all(row.met for row in rows)
    assert min(values(rows, "said to differ", "15 mV deeper")) >= 0.25


def test_the_planned_search_costs_the_expected_share_of_the_fixed_step_search(reports):
    rows = reports["next_step"]
    assert values(rows, "cost over fixed_step_search, no cap", "20/10, grid 5 mV")[0] <= 0.58
    assert values(rows, "cost over fixed_step_search, no cap", "20/40, grid 5 mV")[0] <= 0.69
    assert values(rows, "cost over fixed_step_search, no cap", "5/15, grid 5 mV")[0] <= 0.73
    for what, bold, usual in (
        ("cost over fixed_step_search", 0.65, 0.50),
        ("failures", 0.95, 0.35),
        ("left of the limit", 5, 17),
    ):
        assert max(values(rows, f"{what}, max_risk 0.25", "grid 5 mV")) <= bold
        assert max(values(rows, f"{what}, default", "grid 5 mV")) <= usual


def test_searches_end_at_the_limit_and_recommend_a_safe_setting(reports):
    rows = reports["next_step"]
    assert set(values(rows, "ended within the resolution")) == {1.0}
    assert min(values(rows, "settled on the safe side")) >= 0.95


def test_proposed_settings_fail_about_as_rarely_as_reported(reports):
    # A dozen pools each: the long run measures, this sees only what is broken.
    assert max(values(reports["next_step"], "first settings that fail")) <= 0.2
    assert max(values(reports["next_step"], "proposed settings that fail")) <= 0.15


def test_noisy_searches_rarely_end_beyond_the_limit_and_the_setting_in_use_stays_stable(reports):
    # Two worlds with twelve units a cell: what is broken shows, a figure does not.
    rows = reports["next_step"]
    assert max(values(rows, "worlds: searches that end beyond the limit")) <= 0.1
    assert min(values(rows, "worlds: in use, stable after 90 days")) >= 0.75
    assert max(values(rows, "worlds: failures over fixed_step_search", "n >= 5")) <= 1.0


def test_as_many_machines_hold_a_start_as_its_chance_says(reports):
    # Eight worlds: the long run measures, this sees only what is broken.
    rows = reports["chance"]
    assert max(abs(value) for value in values(rows, "chance less observed share")) <= 0.04
    assert max(values(rows, "chance, worst of 20 bins", "usual share, n >= 20")) <= 0.06
    for where in ("all shares, n >= 20", "all shares, n = 5 to 10"):
        score = values(rows, "Brier score, ", where)
        empirical = values(rows, "Brier score of the empirical share", where)
        assert np.mean(score) <= np.mean(empirical)


def test_options_say_what_searches_take(reports):
    rows = reports["chance"]
    for boldness in ("cautious", "usual", "bold"):
        assert 0.75 <= values(rows, "option: trials over simulated", boldness)[0] <= 1.33
        assert 0.75 <= values(rows, "option: mV reached over simulated", boldness)[0] <= 1.33
        assert values(rows, "option: chance off by", boldness)[0] <= 0.06


def test_a_shift_is_found_and_false_alarms_are_rare(reports):
    rows = reports["time"]
    # Thirty runs a cell: three binomial errors below 0.86, the least share, and below 0.46.
    assert min(values(rows, "drift found, 25 mV")) >= 0.67
    assert np.mean(values(rows, "drift found, 15 mV")) >= 0.32
    assert max(values(rows, "false alarms")) <= 0.03


def test_other_machines_habits_and_new_accounts_are_no_drift(reports):
    # Sixty pool-years a cell: three alarms are the 0.5 % point of two in a hundred.
    assert max(values(reports["time"], "unchanged limits")) <= 0.05


def test_intervals_of_survival_cover_and_margins_are_not_learned_by_chance(reports):
    rows = reports["time"]
    assert min(values(rows, "stable share")) >= 0.90
    assert max(values(rows, "a margin that did not keep")) <= 0.05


def test_a_planted_update_is_ranked_first(reports):
    assert min(values(reports["time"], "planted update ranked first")) >= 0.85


def test_intervals_of_gains_hold_for_symmetric_and_skewed_changes(reports):
    # Five hundred runs a cell: three binomial errors below 0.948 are 0.918.
    rows = reports["gains"]
    for units in (8, 20, 60):
        for shape in ("symmetric", "skewed"):
            held = values(rows, f"coverage of the median, {units} units, {shape}")
            assert min(held) >= 0.918


def test_nothing_is_rarely_called_larger_than_the_noise(reports):
    # Two hundred runs a cell: the 0.1 % points of 3 and 5 in a hundred.
    rows = reports["gains"]
    assert max(values(rows, "called larger without an effect", "noise known")) <= 0.075
    assert max(values(rows, "called larger without an effect", "noise unknown")) <= 0.105
    assert min(values(rows, "a gain of 5 % found", "20 units")) >= 0.9
    # Five hundred runs a cell.
    assert max(values(rows, "own runs, larger without an effect")) <= 0.085


def test_the_power_limit_for_a_share_is_found(reports):
    rows = reports["power"]
    assert max(values(rows, "mean distance")) <= 2.0
    assert min(values(rows, "within 2 W")) >= 0.75
    assert min(values(rows, "coverage of the limit")) >= 0.80


def test_the_gain_under_a_power_limit_holds_or_is_withheld(reports):
    rows = reports["power"]
    assert max(values(rows, "gain given, 5 units")) == 0.0
    # Forty runs a cell, fewer where a gain is withheld.
    assert min(values(rows, "coverage of the gain", "8 units")) >= 0.75
    assert np.mean(values(rows, "coverage of the gain", "8 units")) >= 0.89


def test_days_of_changes_remove_the_causes_that_memory_makes(reports):
    # Sixty pools a cell: three binomial errors beside what 300 pools of other seeds show.
    rows = reports["time"]
    by_memory = values(rows, "false cause named by any bound", "much forgotten")
    assert min(by_memory) >= 0.2
    assert max(values(rows, "false cause named with days")) <= 0.13
    assert max(values(rows, "false cause named without days")) < min(by_memory)
    assert min(values(rows, "planted update named with days")) >= 0.25


def test_a_change_of_locks_is_found_near_its_month_with_few_false_alarms(reports):
    # Two hundred runs a cell: three binomial errors are 0.02 at one in a hundred, 0.05 at 0.95.
    rows = reports["locks"]
    assert min(values(rows, "change found")) >= 0.90
    assert min(values(rows, "found within a month", "in 3 firmware months")) >= 0.90
    assert max(values(rows, "change imagined, ")) <= 0.03
    assert min(values(rows, "months told hold the true one")) >= 0.93


def test_months_that_belong_to_machines_are_no_change_of_locks(reports):
    # A hundred runs a cell, in each of which a comparison of all machines named a change.
    rows = reports["locks"]
    assert max(values(rows, "change of machines")) <= 0.05
    assert max(values(rows, "version of machines")) <= 0.12
    assert values(rows, "change found", "3 machine classes")[0] >= 0.90


def test_fresh_accounts_hardly_move_a_share_of_open_machines(reports):
    rows = reports["locks"]
    for established in (
        "30 of them",
        "15 of them",
        " 10 of them",
        "25 of them",
        "100 of them",
        "33 of them",
    ):
        assert max(values(rows, "22 fresh accounts move", established)) <= 0.10
    # While none is established nothing limits them.
    assert min(values(rows, "22 fresh accounts move", " 0 of them")) > 0.15
    assert max(values(rows, "change imagined for 22 fresh", "100 honest units")) <= 0.08


def test_conditions_of_locks_are_named_where_they_matter(reports):
    rows = reports["locks"]
    assert max(values(rows, "any of eight conditions")) <= 0.09
    assert max(values(rows, "condition that means nothing")) <= 0.09
    assert min(values(rows, "condition that matters named", "0.5, 40 a side")) >= 0.75


def test_an_attacker_with_fifty_old_tokens_learns_little_of_a_depth_on_the_day(reports):
    learnt = values(reports["inference"], "at once, cell padded: all answers")[0]
    assert learnt <= inference.MOST_SHARE


def test_the_same_attacker_learns_what_is_not_promised(reports):
    learnt = values(reports["inference"], "the next day, no one else in the cell: all answers")[0]
    assert learnt > 0.5


def test_starts_hold_in_drawn_worlds(reports):
    rows = reports["worlds"]
    assert min(values(rows, "mean coverage, ")) >= 0.90
    assert max(values(rows, "honest units that lose")) <= 0.03


def test_small_crowds_of_liars_neither_silence_a_pool_nor_make_its_start_deep(reports):
    rows = reports["worlds"]
    # Over 300 worlds 0.925 are left; of these four worlds one loses its start.
    assert min(values(rows, "starts still given, one fresh account")) >= 0.75
    assert max(values(rows, "start deeper by, young, two fresh accounts")) <= 12
    assert max(values(rows, "start deeper by", "without a token")) <= 2.5
    # A crowd of newcomers without a limit of its own moved it by 35 mV and more.
    assert max(values(rows, "start deeper by", "beside ten established")) <= 10
    assert max(values(rows, "start deeper by, invented related chips")) == 0.0


def test_drawn_logs_are_read_right_or_asked_about(reports):
    rows = reports["telemetry"]
    assert values(rows, "power, clock, temperature right")[0] >= 0.99
    for what in ("read wrong", "missing", "a number, not", "refused although", "read although"):
        assert values(rows, what)[0] == 0


def test_own_runs_that_do_not_differ_are_found_alike(reports):
    # Two hundred pairs a cell: three binomial errors below 0.95 and 0.8.
    rows = reports["telemetry"]
    assert min(values(rows, "no difference found")) >= 0.90
    assert min(values(rows, "a change of 3 %")) >= 0.71
    # Eight pairs of whole logs: all but two at 0.95, all but four at 0.8.
    for what, fewest in (("no difference", 0.75), ("a change of 3 %", 0.5), ("measures", 5)):
        assert values(rows, "whole logs", what)[0] >= fewest
