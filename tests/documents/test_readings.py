"""Each rule about readings just inside and just outside, and what messy readings become."""

import json
from pathlib import Path
from typing import Any

import pytest

from kbapi.documents.measurements import Reading, Trial
from kbapi.documents.readings import READING_RULES, Ignored, ignore_readings
from kbapi.documents.results import SubmittedResult
from kbapi.instance.instance import Instance
from tests.intake.whole_document import a_whole_document
from tests.makers import send

CASES = [
    json.loads(line)
    for line in (Path(__file__).parent / "data" / "messy_readings.jsonl").read_text().splitlines()
]


def ignored(*readings: dict[str, Any]) -> dict[str, str]:
    return {one.pointer.removeprefix("/readings/"): one.code for one in ignored_of(*readings)}


def ignored_of(*readings: dict[str, Any]) -> tuple[Ignored, ...]:
    made = tuple(Reading(**{"state": "stock", **reading}) for reading in readings)
    return ignore_readings(SubmittedResult(chip="any", readings=made))[1]


def a_pair(stock: dict[str, Any], tuned: dict[str, Any]) -> tuple[dict[str, Any], dict[str, Any]]:
    common = {"load": "all_core", "power_w": 60.0, "temp_avg_c": 80, "ambient_c": 22}
    common |= {"fan": "fixed"}
    return {**common, **stock}, {**common, "state": "tuned", **tuned}


def best(runs: int, **changes: Any) -> dict[str, Any]:
    """A reading of the best of so many runs."""
    reading = {"load": "all_core", "runs": runs, "runs_summary": "best", "performance": 41.0}
    return {**reading, **changes}


LOAD, IDLE = {"load": "all_core"}, {"load": "idle_resume"}
# Of each rule: readings that it leaves alone, and readings of which it takes this field.
RULES: dict[str, tuple[list[Any], list[Any]]] = {
    "sensor_sentinel": (
        [
            [{**LOAD, "temp_avg_c": 126}],
            [{**LOAD, "temp_avg_c": 1}],
            [{**IDLE, "temp_avg_c": 0}],
            [{**IDLE, "temp_avg_c": 27.85}],
            [{**IDLE, "temp_avg_c": 27.85}, {**LOAD, "temp_avg_c": 60}],
            [{**LOAD, "temp_avg_c": 27.8}],
            [{**LOAD, "ambient_c": 27.85}],
            [{**LOAD, "ambient_c": 0}],
            [{**LOAD, "power_w": 127}],
            [{**LOAD, "power_w": 255}],
            [{**IDLE, "power_w": 0}],
        ],
        [
            ([{**LOAD, "temp_avg_c": 127}], "0/temp_avg_c"),
            ([{**LOAD, "temp_max_c": 255}], "0/temp_max_c"),
            ([{**IDLE, "temp_avg_c": -128}], "0/temp_avg_c"),
            ([{"temp_max_c": 511}], "0/temp_max_c"),
            ([{"temp_max_c": 65535}], "0/temp_max_c"),
            ([{**LOAD, "temp_avg_c": 0}], "0/temp_avg_c"),
            ([{"temp_avg_c": 0}], "0/temp_avg_c"),
            ([{**LOAD, "temp_avg_c": 27.85}], "0/temp_avg_c"),
            ([{**IDLE, "temp_avg_c": 27.85}, {**IDLE, "temp_avg_c": 27.85}], "1/temp_avg_c"),
            ([{**LOAD, "power_w": 0}], "0/power_w"),
            ([{**LOAD, "power_w": 65535}], "0/power_w"),
            ([{**IDLE, "clock_mhz": 0}], "0/clock_mhz"),
        ],
    ),
    "fahrenheit": (
        [
            [{**LOAD, "temp_avg_c": 130}],
            [{**IDLE, "temp_avg_c": 95}],
            [{**LOAD, "ambient_c": 50}],
            [{**LOAD, "temp_max_c": 266.1}],
        ],
        [
            ([{**LOAD, "temp_avg_c": 130.1}], "0/temp_avg_c"),
            ([{**IDLE, "temp_avg_c": 95.1}], "0/temp_avg_c"),
            ([{**LOAD, "ambient_c": 50.1}], "0/ambient_c"),
            ([{**LOAD, "temp_max_c": 266}], "0/temp_max_c"),
            ([{**LOAD, "ambient_c": 72, "temp_avg_c": 120}], "0/temp_avg_c"),
        ],
    ),
    "temperature_out_of_range": (
        [[{"temp_avg_c": -20}], [{"ambient_c": -20}], [{"temp_avg_c": 130}]],
        [
            ([{"temp_avg_c": -20.1}], "0/temp_avg_c"),
            ([{"ambient_c": -20.1}], "0/ambient_c"),
            ([{"temp_avg_c": 266.1}], "0/temp_avg_c"),
        ],
    ),
    "maximum_below_average": (
        [[{"temp_avg_c": 80, "temp_max_c": 80}]],
        [([{"temp_avg_c": 80, "temp_max_c": 79.9}], "0/temp_max_c")],
    ),
    "power_out_of_range": (
        [[{"power_w": 1000}], [{"power_w": 0.1}]],
        [
            ([{"power_w": 1000.1}], "0/power_w"),
            ([{"power_w": -0.1}], "0/power_w"),
            ([{"power_cap_w": 1000.1}], "0/power_cap_w"),
        ],
    ),
    "clock_out_of_range": (
        [[{"clock_mhz": 10_000}], [{"clock_mhz": 10}], [{"clock_spread_mhz": 0}]],
        [
            ([{"clock_mhz": 10_000.1}], "0/clock_mhz"),
            ([{"clock_mhz": 9.9}], "0/clock_mhz"),
            ([{"clock_mhz": -1}], "0/clock_mhz"),
            ([{"clock_spread_mhz": -1}], "0/clock_spread_mhz"),
        ],
    ),
    "noise_out_of_range": (
        [[{"noise_dba": 10}], [{"noise_dba": 120}]],
        [([{"noise_dba": 9.9}], "0/noise_dba"), ([{"noise_dba": 120.1}], "0/noise_dba")],
    ),
    "performance_not_positive": (
        [[{"performance": 0.1, "performance_low": 0.1}]],
        [([{"performance": 0}], "0/performance"), ([{"performance_low": -1}], "0/performance_low")],
    ),
    "best_of_runs": (
        [
            [best(3), best(3, state="tuned")],
            [best(3)],
            [best(3), best(3, state="tuned"), best(5, load="gpu_only", runs_summary="mean")],
            [best(3, runs_summary="mean"), best(5, runs_summary="median")],
            [best(3), {"load": "all_core", "power_w": 50.0}],
        ],
        [
            ([best(3, runs_summary="mean"), best(3)], "1/performance"),
            ([best(3), best(4)], "0/performance"),
            ([best(3), best(4)], "1/performance"),
            ([best(3), {"load": "all_core", "performance": 40}], "0/performance"),
        ],
    ),
    "hotter_at_equal_power": (
        [
            [*a_pair({}, {"temp_avg_c": 82})],
            [*a_pair({}, {"temp_avg_c": 90, "fan": "auto"})],
            [*a_pair({}, {"temp_avg_c": 90, "power_w": 62})],
            [*a_pair({}, {"temp_avg_c": 90, "ambient_c": 30})],
            [*a_pair({}, {"temp_avg_c": 90, "load": "gpu_only"})],
            [*a_pair({}, {"temp_avg_c": 90, "power_w": None})],
        ],
        [
            ([*a_pair({}, {"temp_avg_c": 82.1})], "1/temp_avg_c"),
            ([*a_pair({}, {"temp_avg_c": 90, "power_w": 61})], "1/temp_avg_c"),
            ([*a_pair({}, {"ambient_c": 18, "temp_avg_c": 79})], "1/temp_avg_c"),
        ],
    ),
}


def test_every_rule_has_cases() -> None:
    assert list(RULES) == [rule.code for rule in READING_RULES]


@pytest.mark.parametrize("code", RULES)
def test_a_value_just_inside_the_bound_is_used(code: str) -> None:
    for readings in RULES[code][0]:
        assert code not in ignored(*readings).values(), readings


@pytest.mark.parametrize("code", RULES)
def test_a_value_just_outside_the_bound_is_ignored_by_name(code: str) -> None:
    for readings, field in RULES[code][1]:
        assert ignored(*readings).get(field) == code, readings


@pytest.mark.parametrize("case", CASES, ids=lambda case: case["topic"])
def test_the_field_cases_lose_exactly_the_wrong_numbers(case: dict[str, Any]) -> None:
    assert ignored(*case["readings"]) == case["ignored"]


def test_a_hint_suggests_a_correction_and_nothing_is_converted() -> None:
    (fahrenheit,) = ignored_of({**LOAD, "temp_avg_c": 190})
    assert "87.8 C" in fahrenheit.text
    (kelvin,) = ignored_of({**LOAD, "temp_avg_c": 3010})
    assert "kelvin" in kelvin.text
    (gigahertz,) = ignored_of({"clock_mhz": 3.5})
    assert "3500" in gigahertz.text


def test_a_number_is_reported_once_by_the_first_rule_that_it_breaks() -> None:
    assert len(ignored_of({**LOAD, "temp_avg_c": 255, "temp_max_c": 20})) == 1


def test_a_bad_sensor_does_not_refuse_a_result_and_the_answer_reports_it(
    instance: Instance,
) -> None:
    document = a_whole_document()
    document["readings"][1]["temp_avg_c"] = 511
    accepted = send(instance, document)
    assert accepted.screening.status == "counted"
    (ignored,) = accepted.reading_ignored
    assert (ignored.pointer, ignored.code) == ("/readings/1/temp_avg_c", "sensor_sentinel")


@pytest.mark.parametrize(
    ("value", "code"),
    [
        (84, None),
        (511, "sensor_sentinel"),
        (0, "sensor_sentinel"),
        (190, "fahrenheit"),
        (-40, "temperature_out_of_range"),
    ],
)
def test_the_temperature_of_a_run_has_the_same_rules(value: float, code: str | None) -> None:
    run = Trial("stable", load="all_core", temp_max_c=value)
    usable, ignored = ignore_readings(SubmittedResult(chip="any", trials=(run,)))
    assert [one.code for one in ignored] == ([] if code is None else [code])
    assert [one.pointer for one in ignored] == ([] if code is None else ["/trials/0/temp_max_c"])
    assert usable.trials[0].temp_max_c == (value if code is None else None)
