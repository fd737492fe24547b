"""The picture of one machine's own runs, drawn as PNG and SVG."""

import io
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from matplotlib import image

from kbapi.pages.pictures.chart import Chart, Theme
from kbapi.pages.pictures.runs import chart_of_runs, picture_of_runs
from kbapi.telemetry.before_after import compare
from tests.telemetry.logs import HEADER, a_log, read

PAPER: dict[Theme, tuple[int, int, int]] = {"light": (255, 255, 255), "dark": (18, 20, 22)}
STOCK = (60.0, 3600.0, 84.0)
NO_CLOCK = (*HEADER[:2], "Fan [RPM]", HEADER[3])
TUNED = (52.0, 3610.0, 76.0)


def a_chart(
    folder: Path, runs: int = 3, scale: float = 1.0, header: tuple[str, ...] = HEADER
) -> Chart:
    """The chart of runs that differ by a thousandth."""
    sides = [
        [
            read(
                a_log(
                    folder,
                    header,
                    usual=[
                        value * (scale if place < 2 else 1) * (1 + run / 1_000)
                        for place, value in enumerate(side[: len(header) - 1])
                    ],
                    name=f"{side[0]}-{run}.csv",
                )
            )
            for run in range(runs)
        ]
        for side in (STOCK, TUNED)
    ]
    return chart_of_runs(compare(*sides), *sides)


def in_pixels(png: bytes) -> np.ndarray:
    """The colour of each pixel, of 255."""
    return np.rint(255 * image.imread(io.BytesIO(png), format="png")[..., :3]).astype(int)


def texts_of(chart: Chart) -> list[str]:
    return [mark.text for panel in chart.panels for mark in panel.marks if mark.shape == "text"]


def test_the_title_is_the_finding_and_each_panel_has_its_difference(tmp_path: Path) -> None:
    chart = a_chart(tmp_path)
    assert chart.title == "Tuned: power -13.3 %, temperature -8.0 °C"
    labels = [panel.y.label for panel in chart.panels]
    assert labels == ["Temp. (°C)", "Power (W)", "Clock (MHz)"]
    assert [panel.x.label for panel in chart.panels] == ["", "", "Minutes under load"]
    temperature, _, power, _, clock, _ = texts_of(chart)
    assert (temperature, power, clock) == ("-8.0 °C", "-13.3 %", "+0.3 %")
    assert texts_of(chart)[1].startswith("-8.")


def test_one_run_each_says_that_the_noise_is_unknown(tmp_path: Path) -> None:
    chart = a_chart(tmp_path, runs=1)
    assert chart.title.endswith("noise unknown")
    assert texts_of(chart)[1::2] == ["noise unknown"] * 3
    assert {mark.label for panel in chart.panels for mark in panel.marks if mark.label} == {
        "stock, one run",
        "tuned, one run",
    }


@pytest.mark.parametrize("theme", PAPER)
@pytest.mark.parametrize(
    ("runs", "scale", "header"),
    [(3, 1.0, HEADER), (1, 1.0, HEADER), (3, 1.6, HEADER), (3, 0.2, HEADER), (3, 1.0, NO_CLOCK)],
    ids=["three", "one", "large", "small", "no clock"],
)
def test_a_png_has_its_size_and_nothing_is_cut(
    tmp_path: Path, theme: Theme, runs: int, scale: float, header: tuple[str, ...]
) -> None:
    chart = a_chart(tmp_path, runs, scale, header)
    pixels = in_pixels(picture_of_runs(chart, theme, "page", 2))
    height, width, _ = pixels.shape
    assert width == 1200
    assert 300 * len(chart.panels) < height < 300 * len(chart.panels) + 600
    # A text that reached an edge would be cut there.
    edges = (pixels[:8], pixels[-8:], pixels[:, :8], pixels[:, -8:])
    for edge in edges:
        assert (edge == PAPER[theme]).all()
    is_drawn = (pixels != PAPER[theme]).any(axis=2)
    assert 0.02 < is_drawn.mean() < 0.4
    columns = np.flatnonzero(is_drawn.any(axis=0))
    assert columns[0] < 60
    assert columns[-1] > 1_100


def test_logs_without_a_common_measure_are_not_called_equal(tmp_path: Path) -> None:
    chart = a_chart(tmp_path, header=HEADER[:3])  # nothing shows that it is load
    assert (chart.title, chart.panels) == ("The logs have no measure in common", ())


def test_equal_runs_are_said_to_show_no_difference(tmp_path: Path) -> None:
    side = [read(a_log(tmp_path, usual=STOCK, name=f"{run}.csv")) for run in range(3)]
    assert chart_of_runs(compare(side, side), side, side).title == (
        "No difference stands out from noise"
    )


def test_both_sides_are_seen_in_their_colours(tmp_path: Path) -> None:
    pixels = in_pixels(picture_of_runs(a_chart(tmp_path), "light", "page", 2))
    for colour in ((0x00, 0x72, 0xB2), (0x1A, 0x1A, 0x1A)):
        assert (pixels == colour).all(axis=2).sum() > 1_000, colour


@pytest.mark.parametrize("theme", PAPER)
def test_an_svg_has_its_texts_as_a_description(tmp_path: Path, theme: Theme) -> None:
    chart = a_chart(tmp_path)
    tree = ElementTree.fromstring(picture_of_runs(chart, theme, "page", 0))
    assert tree[0].tag.endswith("title")
    assert tree[0].text == chart.description
    assert "power -13.3 %" in (tree[0].text or "")
    _, _, width, height = map(float, tree.attrib["viewBox"].split())
    pixels = in_pixels(picture_of_runs(chart, theme, "page", 2))
    assert height / width == pytest.approx(pixels.shape[0] / pixels.shape[1], abs=0.01)
