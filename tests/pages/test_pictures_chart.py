"""Charts as data: what they say equals the answer, and what differs differs without colour."""

import json
import re
from collections.abc import Iterator
from typing import Any

import pytest

from kbapi.pages.pictures.chart import Chart, Mark, NothingToShow, changes_only
from tests.pages._pictures import NAMES, OWN, TRIALS, a_chart, kept_answers

_NUMBER = re.compile(r"(?<![\w.-])-?\d+(?:\.\d+)?(?![\w.-])")


def numbers_in(value: Any) -> Iterator[float]:
    """Every number of an answer."""
    if isinstance(value, dict):
        for one in value.values():
            yield from numbers_in(one)
    elif isinstance(value, list | tuple):
        for one in value:
            yield from numbers_in(one)
    elif isinstance(value, int | float) and not isinstance(value, bool):
        yield float(value)


def numbers_of_text(chart: Chart) -> set[float]:
    """Every number in the rows of a text alternative."""
    text = "\n".join("  ".join(row) for row in chart.rows)
    # Numbers of words, such as a margin's name or a month, are no values.
    return {float(one) for one in _NUMBER.findall(text)}


@pytest.mark.parametrize("name", NAMES)
def test_each_number_of_the_text_is_one_of_the_answer(name: str) -> None:
    answers = [kept_answers()[name], kept_answers()["start"], TRIALS, OWN]
    known = set(numbers_in(answers))
    known |= {float(run) for run in range(1, len(TRIALS) + 1)}
    found = numbers_of_text(a_chart(name))
    assert len(found) > 4
    assert found - known == set()


def test_the_text_has_the_whole_curve_and_every_failure() -> None:
    answer, text = kept_answers()["stability"], a_chart("stability").text.splitlines()
    curve = answer["own_curve"]
    for row in zip(*(curve[name] for name in ("setting", "share", "lower", "upper")), strict=True):
        assert [float(one) for one in text[_line_of(text, row[0])].split("  ")] == list(row)
    assert answer["failed"]
    for kind in ("failed", "stopped"):
        said = [line.split("  ")[1:] for line in text if line.startswith(kind)]
        assert [(float(setting), int(units.split()[0])) for setting, units in said] == [
            (one["setting"], one["units"]) for one in answer[kind]
        ]


def _line_of(text: list[str], setting: float) -> int:
    head = text.index("setting  share  lower  upper")
    return next(
        place
        for place in range(head + 1, len(text))
        if float(text[place].split("  ")[0]) == setting
    )


def look_of(mark: Mark) -> tuple[str, str, str]:
    """What tells a mark apart on grey paper."""
    family = {"steps": "line", "step_band": "band"}.get(mark.shape, mark.shape)
    return family, mark.dash, mark.marker


@pytest.mark.parametrize("name", NAMES)
def test_what_differs_in_colour_differs_in_line_or_marker_as_well(name: str) -> None:
    for panel in a_chart(name).panels:
        inks: dict[tuple[str, str, str], set[str]] = {}
        for mark in panel.marks:
            # The interval of a point has the look of that point, and is no entry of the key.
            if mark.shape in ("line", "steps", "points", "rule") and mark.ink != "faint":
                inks.setdefault(look_of(mark), set()).add(mark.ink)
        assert [look for look, used in inks.items() if len(used) > 1] == []


@pytest.mark.parametrize("name", ["stability", "search"])
def test_settings_begin_at_zero_on_the_left_and_go_deeper_to_the_right(name: str) -> None:
    axis = a_chart(name).panels[0].x
    assert axis.low == 0.0
    assert axis.high < axis.low
    assert {float(label) for _, label in axis.ticks} == {place for place, _ in axis.ticks}


@pytest.mark.parametrize("name", NAMES)
def test_a_chart_has_a_finding_what_it_is_about_and_a_source(name: str) -> None:
    chart = a_chart(name)
    assert re.search(r"\d", chart.title)
    assert chart.subtitle[0] == "Norvane Sable 7 4820MX"
    assert any(re.search(r"\d+ (machine|run)", part) for part in chart.subtitle)
    assert chart.source.startswith("Tidewater Bench Club")
    assert all(panel.x.label for panel in chart.panels[:1])


NOTHING = {
    "stability": {"own_curve": None, "borrowed_curve": None, "evidence": {"units": 0}},
    "gains": {"by_load": [], "reason": {"text": "No machine was measured."}},
    "power": {"stock": None, "tuned": None, "reason": {"text": "Too few machines."}},
    "longevity": {"survival": [], "withheld_text": None},
    "locks": {"locks": []},
}


@pytest.mark.parametrize("name", NOTHING)
def test_without_results_there_is_a_reason_and_no_empty_chart(name: str) -> None:
    nothing = a_chart(name, **NOTHING[name])
    assert isinstance(nothing, NothingToShow)
    assert len(nothing.text) > 10


def test_a_curve_of_four_machines_says_how_many_are_missing() -> None:
    evidence = kept_answers()["stability"]["evidence"] | {"units": 4}
    nothing = a_chart("stability", borrowed_curve=None, evidence=evidence)
    assert nothing.text == "The curve is shown from five machines on; so far 4. Send yours."


def test_few_machines_of_its_own_show_the_curve_of_related_chips_by_another_line() -> None:
    evidence = kept_answers()["stability"]["evidence"] | {"units": 4}
    chart = a_chart("stability", evidence=evidence)
    steps = next(mark for mark in chart.panels[0].marks if mark.shape == "steps")
    assert (steps.dash, steps.label) == ("dashed", "expected from related chips")
    assert chart.title.startswith("Half of machines like these")


def test_noise_is_a_zone_around_zero_under_the_intervals() -> None:
    answer = json.loads(json.dumps(kept_answers()["gains"]["by_load"]))
    answer[0]["at_equal_power"]["gains"][0]["noise"] = 0.02
    marks = a_chart("gains", by_load=answer).panels[0].marks
    assert marks[0].shape == "zones"
    assert (marks[0].x, marks[0].to) == ((-2.0,), (2.0,))


def test_own_gains_are_marked_among_all_machines() -> None:
    own = [{"measure": "performance", "ratio": 1.072}]
    marks = a_chart("gains", own_changes=own).panels[0].marks
    assert {mark.x for mark in marks if mark.ink == "own"} == {(7.2,)}


def test_a_step_line_keeps_its_ends_and_changes() -> None:
    assert changes_only((0.0, 1.0), (1.0, 1.0)) == ((0.0, 1.0), (1.0, 1.0))
