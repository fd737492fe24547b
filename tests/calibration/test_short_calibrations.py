"""The short form of each calibration: whole, and right where it is known to be with a margin."""

import json

import pytest

from tests.calibration import coverage, filters, first_setting, gains, power, race, siblings
from tests.report import Row, print_report

CALIBRATIONS = {
    "coverage": coverage,
    "siblings": siblings,
    "first_setting": first_setting,
    "filters": filters,
    "race": race,
    "gains": gains,
    "power": power,
}


@pytest.fixture(scope="module")
def reports() -> dict[str, list[Row]]:
    return {name: module.measure(short=True) for name, module in CALIBRATIONS.items()}


@pytest.mark.parametrize("name", CALIBRATIONS)
def test_a_report_ends_with_one_object_in_which_nothing_is_missing(name, reports, capsys):
    print_report(f"python -m tests.calibration {name} --short", reports[name])
    told = json.loads(capsys.readouterr().out.splitlines()[-1])
    assert told["command"] == f"python -m tests.calibration {name} --short"
    assert len(told["rows"]) == len(reports[name]) > 0
    for row in told["rows"]:
        assert isinstance(row["value"], float)
        assert isinstance(row["met"], bool)


def values(rows, start, holding=""):
    found = [row.value for row in rows if row.what.startswith(start) and holding in row.what]
    assert found
    return found


def test_without_siblings_the_starts_hold_and_get_deeper(reports):
    rows = reports["coverage"]
    assert values(rows, "mean coverage")[0] >= 0.94
    assert min(values(rows, "coverage", ", n = 100")) >= 0.85
    assert max(values(rows, "timidity, ", ", n = 100")) <= 18
    assert max(values(rows, "timidity grows")) <= 1


def test_agreeing_siblings_give_a_start_that_holds_before_any_unit(reports):
    rows = reports["siblings"]
    assert values(rows, "mean coverage")[0] >= 0.95
    assert min(values(rows, "coverage", "agreeing siblings, n = 0")) >= 0.85
    assert max(values(rows, "timidity, ", "agreeing siblings, n = 0")) <= 45
    assert max(values(rows, "timidity grows")) <= 1


def test_siblings_that_disagree_cost_less_than_they_did(reports):
    # A plain hierarchical prior covered 0.37 in the worst of these cells.
    assert min(values(reports["siblings"], "coverage", "disagreeing")) >= 0.60


def test_first_settings_that_fail_at_once_do_not_make_the_start_bold(reports):
    assert min(values(reports["first_setting"], "coverage", "first 50..80")) >= 0.85


def test_the_same_seed_gives_the_same_figures_to_the_digit(reports):
    again = siblings.measure(short=True, runs=4)
    assert again == siblings.measure(short=True, runs=4)


def test_groups_that_do_not_differ_are_hardly_ever_said_to(reports):
    rows = reports["filters"]
    assert all(row.met for row in rows)
    assert min(values(rows, "said to differ", "15 mV deeper")) >= 0.25


def test_intervals_of_gains_hold_as_often_as_they_say(reports):
    # A thousand runs a cell: three binomial errors are two points.
    rows = reports["gains"]
    assert max(values(rows, "largest distance")) <= 0.025
    assert min(values(rows, "coverage less attained", "told to half a percent")) >= -0.025


def test_the_limit_that_keeps_a_share_is_found(reports):
    rows = reports["power"]
    assert max(values(rows, "mean distance")) <= 2.0
    assert min(values(rows, "within 2 W")) >= 0.75
    assert min(values(rows, "coverage of the limit")) >= 0.80
    assert min(values(rows, "coverage of the gain")) >= 0.80
