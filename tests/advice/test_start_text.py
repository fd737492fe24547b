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
from kbapi.chips.catalogue_file import load_catalogue
from kbapi.settings import bundled_folder
from kbapi.stats.search.next_step import Stop
from tests.makers import GRAPHICS


@pytest.mark.parametrize(
    ("stable_share", "text"),
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
def test_the_share_that_may_fail_is_a_count_of_machines(stable_share: float, text: str) -> None:
    assert share_text(stable_share) == text


@pytest.mark.parametrize("hundredths", range(50, 100))
def test_the_text_of_every_share_equals_the_share(hundredths: int) -> None:
    one, _in, of = share_text(hundredths / 100).split()
    assert 1 - Fraction(int(one), int(of)) == Fraction(hundredths, 100)


@pytest.mark.parametrize(
    ("control", "enter", "text"),
    [
        ("voltage_offset", -68, "-68 mV"),
        ("count_offset", -15, "-15 counts"),
        ("fixed_clock_voltage", -93, "93 mV below your own stock voltage at that clock"),
    ],
)
def test_a_setting_has_its_unit_and_sign(control: str, enter: int, text: str) -> None:
    assert setting_text(control, enter) == text


def test_the_texts_of_domains_and_machines_agree_with_their_number() -> None:
    assert domains_text("core", ()) == "core"
    assert domains_text("core", ("io", "ring")) == "core, io and ring together"
    assert [machines_text(n) for n in (0, 1, 2)] == ["0 machines", "1 machine", "2 machines"]


@pytest.mark.parametrize(
    ("share", "text"),
    [
        (0.0, "0 %"),
        (0.0001, "less than 1 %"),
        (0.006, "1 %"),
        (0.994, "99 %"),
        (0.9999, "more than 99 %"),
        (1.0, "100 %"),
    ],
)
def test_0_and_100_percent_are_exact(share: float, text: str) -> None:
    assert percent(share) == text


@pytest.mark.parametrize(
    ("missing", "end"),
    [(None, "recognised."), (1, "1 more is needed."), (4, "4 more are needed.")],
)
def test_a_withheld_group_has_the_number_of_missing_machines(missing: int | None, end: str) -> None:
    text = shown_from_five(missing)
    assert text.startswith(
        "Hidden until five known people have sent results, so that no one can be recognised"
    )
    assert text.endswith(end)


@pytest.mark.parametrize("chip", ["norvane-sable-7-4820mx", GRAPHICS])
def test_no_caution_is_empty_or_comes_twice(chip: str) -> None:
    catalogue = load_catalogue(bundled_folder("seed_data") / "club" / "catalogue")
    cautions = cautions_for(parse_question({"chip": [chip]}, catalogue))
    assert cautions[0].code == ("graphics_in_use" if chip == GRAPHICS else "save_first")
    assert len({caution.code for caution in cautions}) == len(cautions)
    assert all(caution.text.endswith(".") for caution in cautions)


@pytest.mark.parametrize(
    ("risk", "number"), [(0.1, "10"), (0.07, "7"), (0.015, "1.5"), (0.25, "25")]
)
def test_the_text_of_a_risk_equals_the_risk_that_was_sent(risk: float, number: str) -> None:
    text = why_stopped(Stop.TOO_RISKY, "5 mV", risk, has_runs=True)
    assert f"more than {number} in 100 machines with runs like yours" in text
