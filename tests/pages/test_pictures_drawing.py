"""Drawn pictures: equal bytes everywhere, as they looked before, small, and without styles."""

import io
import json
import os
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pytest
from matplotlib import image
from numpy.typing import NDArray

from kbapi.pages.pictures.chart import COST, HEAD
from kbapi.pages.pictures.process import DrawingProcess
from tests.pages._pictures import FOLDER, NAMES, a_chart, a_request

MOST_SVG_BYTES = 60_000
LOOKS = [
    {"theme": theme, "size": size, "scale": scale}
    for theme in ("light", "dark")
    for size in ("page", "preview")
    for scale in (0, 1)
]
SVG = {"scale": 0}
_FEWEST_UNLIKE = 0.02
"""The part of a kept picture's cells that another version of a library may draw differently."""


@pytest.fixture(scope="module")
def drawing() -> Iterator[DrawingProcess]:
    made = DrawingProcess()
    yield made
    made.close()


def all_requests() -> list[bytes]:
    return [
        a_request(a_chart(name, look["size"]), **look)
        for name in ("stability", "gains")
        for look in LOOKS[:4]
    ]


def drawn_with(environment: dict[str, str]) -> list[bytes]:
    """The answers of a process that runs in another environment."""
    sent = b"".join(HEAD.pack(len(request)) + request for request in all_requests())
    ran = subprocess.run(
        [sys.executable, "-m", "kbapi.pages.pictures.drawing"],
        env={**os.environ, **environment},
        input=sent,
        capture_output=True,
        check=True,
    )
    found, place = [], 0
    while place < len(ran.stdout):
        (length,) = HEAD.unpack_from(ran.stdout, place)
        found.append(ran.stdout[place + HEAD.size + COST.size : place + HEAD.size + length])
        place += HEAD.size + length
    return found


def test_the_bytes_are_equal_whatever_the_hash_seed_locale_and_time_zone() -> None:
    one = drawn_with({"PYTHONHASHSEED": "1", "LC_ALL": "C", "TZ": "UTC"})
    other = drawn_with({"PYTHONHASHSEED": "2", "LC_ALL": "de_DE.UTF-8", "TZ": "Asia/Tokyo"})
    assert len(one) == len(all_requests())
    assert one == other


@pytest.mark.parametrize("name", NAMES)
def test_an_svg_is_small_and_has_no_style_script_or_link(
    name: str, drawing: DrawingProcess
) -> None:
    for size in ("page", "preview"):
        chart = a_chart(name, size)
        body = drawing.draw(a_request(chart, **SVG, size=size)).body
        assert len(body) < MOST_SVG_BYTES
        tree = ElementTree.fromstring(body)
        names = {one.tag.rpartition("}")[2] for one in tree.iter()}
        assert names <= {"svg", "title", "g", "path", "use", "defs", "clipPath", "rect"}
        assert tree[0].text == chart.description
        assert re.search(rb'style=|on[a-z]+=|href="[^#]', body) is None
        drawn = {one.get("id") for one in tree.iter() if one.get("id")}
        used = set(re.findall(r'(?:url\(|href=")#([^")]+)', body.decode()))
        assert used <= drawn


def test_texts_of_a_chart_are_never_markup(drawing: DrawingProcess) -> None:
    evil = '</title><script>alert("1")</script>$x_1$&amp;'
    request = json.loads(a_request(a_chart("locks"), **SVG))
    request["description"] = request["chart"]["title"] = evil
    body = drawing.draw(json.dumps(request).encode()).body
    tree = ElementTree.fromstring(body)
    assert tree[0].text == evil
    assert b"<script" not in body


def in_cells(png: bytes) -> NDArray[np.float64]:
    """The brightness of a picture in cells of 4 x 4 pixels."""
    grey = image.imread(io.BytesIO(png), format="png")[..., :3].mean(axis=2)
    height, width = (length // 4 for length in grey.shape)
    cells = grey[: 4 * height, : 4 * width].reshape(height, 4, width, 4)
    return np.asarray(cells.mean(axis=(1, 3)), dtype=np.float64)


@pytest.mark.parametrize("name", NAMES)
def test_a_picture_looks_as_it_did(name: str, drawing: DrawingProcess) -> None:
    found = in_cells(drawing.draw(a_request(a_chart(name))).body)
    kept = image.imread(FOLDER / f"{name}.png", format="png")
    kept = kept[..., 0] if kept.ndim == 3 else kept
    assert found.shape == kept.shape
    unlike = np.abs(found - kept) > 0.15
    assert unlike.mean() < _FEWEST_UNLIKE


def test_a_moved_mark_is_seen_as_another_picture(drawing: DrawingProcess) -> None:
    chart = a_chart("stability", own_curve=a_deeper_curve())
    found = in_cells(drawing.draw(a_request(chart)).body)
    kept = image.imread(FOLDER / "stability.png", format="png")[..., 0]
    assert found.shape != kept.shape or (np.abs(found - kept) > 0.15).mean() > _FEWEST_UNLIKE


def a_deeper_curve() -> dict[str, Any]:
    from tests.pages._pictures import kept_answers

    curve: dict[str, Any] = kept_answers()["stability"]["own_curve"]
    return {**curve, "setting": [1.2 * one for one in curve["setting"]]}


@pytest.mark.parametrize("size", ["page", "preview"])
def test_every_text_lies_within_the_picture(size: str, drawing: DrawingProcess) -> None:
    # Long names, many rows: what is written reaches no edge, so an empty border stays.
    for name in NAMES:
        request = json.loads(a_request(a_chart(name, size), size=size))
        request["chart"]["subtitle"] = ["Norvane Sable 7 4820MX with a long name"] * 5
        request["chart"]["title"] = "A finding that is longer than a line " * 2
        grey = in_cells(drawing.draw(json.dumps(request).encode()).body)
        border = np.concatenate([grey[0], grey[-1], grey[:, 0], grey[:, -1]])
        assert border.min() > 0.99, name


def test_letters_are_large_enough_to_read_on_a_phone() -> None:
    code = (Path(__file__).parents[2] / "kbapi/pages/pictures/drawing.py").read_text()
    width, points = (
        float(re.search(rf"^{name}: Final = ([0-9.]+)$", code, re.MULTILINE)[1])
        for name in ("WIDTH", "_TEXT_PT")
    )
    # Eleven points at 600 CSS pixels; every other size is larger.
    assert points * 600 / width >= 11
    sizes = [float(one) for one in re.findall(r"_PT: Final = ([0-9.]+)", code)]
    assert min(sizes) == points
    assert "fontsize" not in code


if __name__ == "__main__":
    # Keeps the pictures of today: look at each before you commit it.
    process = DrawingProcess()
    for one in NAMES:
        cells = in_cells(process.draw(a_request(a_chart(one))).body)
        image.imsave(FOLDER / f"{one}.png", cells, cmap="gray", vmin=0, vmax=1, metadata={})
    process.close()
