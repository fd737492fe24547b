from fractions import Fraction

import pytest

from kbapi.advice.cautions import cautions_for
from kbapi.advice.next_step.text import why_stopped
from kbapi.advice.phrases import (
    domains_text,
    machines_text,
    percent,
    setting_text,
    share_text,
    shown_from_five,
)
from kbapi.advice.start.query import parse_question
from kbapi.chips.catalogue import load_catalogue
from kbapi.settings import bundled_folder
from kbapi.stats.search.next_step import Stop
from tests.makers import GRAPHICS


@pytest.mark.parametrize(
    ("stable_share", "words"),
    [
        (0.5, "1 in 2"),
        (0.75, "1 in 4"),
        (0.8, "1 in 5"),
        (0.87, "13 in 100"),
        (0.9, "1 in 10"),
        (0.95, "1 in 20"),
        (0.96, "1 in 25"),
        (0.97, "3 in 100"),
        (0.98, "1 in 50"),
        (0.99, "1 in 100"),
    ],
)
def test_the_share_that_may_fail_is_said_as_people_say_it(stable_share: float, words: str) -> None:
    assert share_text(stable_share) == words


@pytest.mark.parametrize("hundredths", range(50, 100))
def test_the_words_of_every_share_are_the_share(hundredths: int) -> None:
    one, _in, of = share_text(hundredths / 100).split()
    assert 1 - Fraction(int(one), int(of)) == Fraction(hundredths, 100)


@pytest.mark.parametrize(
    ("control", "enter", "words"),
    [
        ("voltage_offset", -68, "-68 mV"),
        ("count_offset", -15, "-15 counts"),
        ("fixed_clock_voltage", -93, "93 mV below your own stock voltage at that clock"),
    ],
)
def test_a_setting_is_said_with_its_unit_and_sign(control: str, enter: int, words: str) -> None:
    assert setting_text(control, enter) == words


def test_domains_and_machines_are_said_text() -> None:
    assert domains_text("core", ()) == "core"
    assert domains_text("core", ("io", "ring")) == "core (io and ring move with it)"
    assert [machines_text(n) for n in (0, 1, 2)] == ["0 machines", "1 machine", "2 machines"]


@pytest.mark.parametrize(
    ("share", "words"),
    [
        (0.0, "0 %"),
        (0.0001, "less than 1 %"),
        (0.006, "1 %"),
        (0.994, "99 %"),
        (0.9999, "more than 99 %"),
        (1.0, "100 %"),
    ],
)
def test_all_and_none_are_said_only_where_it_is_so(share: float, words: str) -> None:
    assert percent(share) == words


@pytest.mark.parametrize(
    ("missing", "end"),
    [(None, "recognised."), (1, "1 more is needed."), (4, "4 more are needed.")],
)
def test_what_is_withheld_says_what_it_takes(missing: int | None, end: str) -> None:
    text = shown_from_five(missing)
    assert text.startswith("Shown from five machines on, so that no one can be recognised")
    assert text.endswith(end)


@pytest.mark.parametrize("chip", ["norvane-sable-7-4820mx", GRAPHICS])
def test_no_caution_is_empty_or_comes_twice(chip: str) -> None:
    catalogue = load_catalogue(bundled_folder("seed_data") / "catalogue")
    cautions = cautions_for(parse_question({"chip": [chip]}, catalogue))
    assert cautions[0].code == ("graphics_in_use" if chip == GRAPHICS else "save_first")
    assert len({caution.code for caution in cautions}) == len(cautions)
    assert all(caution.text.endswith(".") for caution in cautions)


@pytest.mark.parametrize(("risk", "told"), [(0.1, "10"), (0.07, "7"), (0.015, "1.5"), (0.25, "25")])
def test_the_risk_that_stops_a_search_is_told_as_it_was_asked_for(risk: float, told: str) -> None:
    assert f"more than {told} in 100 machines" in why_stopped(Stop.TOO_RISKY, "5 mV", risk)
