"""Charts of the answers that are kept in `pictures/answers.json`, those of a demo in short."""

import json
from functools import cache
from pathlib import Path
from typing import Any

import orjson

from kbapi.pages.pictures.chart import Chart
from kbapi.pages.pictures.curves import (
    longevity_chart,
    power_chart,
    search_chart,
    stability_chart,
)
from kbapi.pages.pictures.rows import gains_chart, locks_chart

FOLDER = Path(__file__).parent / "pictures"
SOURCE = "Tidewater Bench Club · https://club.example · 2026-11"
TRIALS = ((-58.0, True), (-72.0, True), (-90.0, False))
OWN = -90.0
NAMES = ("stability", "gains", "power", "longevity", "locks", "search")


@cache
def kept_answers() -> dict[str, Any]:
    """The answers by the name of their question."""
    answers: dict[str, Any] = json.loads((FOLDER / "answers.json").read_text())
    return answers


def a_chart(name: str, size: str = "page", **changes: Any) -> Any:
    """The chart of this name, from the kept answer with these fields changed."""
    answer = kept_answers()[name] | changes
    made = {
        "stability": lambda: stability_chart(answer, kept_answers()["start"], OWN, SOURCE),
        "gains": lambda: gains_chart(answer, size, SOURCE),
        "power": lambda: power_chart(answer, SOURCE),
        "longevity": lambda: longevity_chart(answer, size, SOURCE),
        "locks": lambda: locks_chart(answer, size, SOURCE),
        "search": lambda: search_chart(TRIALS, answer, SOURCE),
    }
    return made[name]()


def a_request(chart: Chart, **look: Any) -> bytes:
    """What the drawing process is sent."""
    wanted = {"theme": "light", "size": "page", "scale": 1, **look}
    return orjson.dumps({"chart": chart, "description": chart.description, **wanted})
