"""`python -m tests.house.write_readme` writes what the README and the guides show of the program.

The README's example is what the demo answers, and the pictures of the first steps show it; the
guides' tables are settings, fields, problems.
"""

import json
import os
import re
import tempfile
from pathlib import Path
from typing import Any, Final

import orjson
from flask.testing import FlaskClient

from kbapi.api.problems import STATUS_OF
from kbapi.app import create_app
from kbapi.instance.instance import open_instance
from kbapi.pages.pictures.chart import Chart, NothingToShow
from kbapi.pages.pictures.curves import search_chart, stability_chart
from kbapi.pages.pictures.process import DrawingProcess
from kbapi.pages.views import GUIDES_FOLDER
from kbapi.settings import Settings
from tests.house.write_openapi import generated
from tests.processes import run_kbapi

README: Final = Path(__file__).parents[2] / "README.md"
HOSTING: Final = GUIDES_FOLDER / "hosting.md"
DATA_FORMAT: Final = GUIDES_FOLDER / "data-format.md"
PICTURES: Final = GUIDES_FOLDER.parent / "static" / "guides"
_SOURCE: Final = "Tidewater Bench Club: invented results"
_LIMIT_OF_THE_SEARCH: Final = -80
_CHIP: Final = "norvane-sable-7-4820mx"
_BEGIN: Final = "<!-- Written by `python -m tests.house.write_readme`. -->\n"
_END: Final = "<!-- End. -->\n"
_FIELDS_OF: Final = (
    *("Submission", "Platform", "ChipIds", "StockPass", "Lock", "Setting", "Effect"),
    *("Trial", "SettingInForce", "Power", "Reading", "FollowUp", "ChangeDay"),
)
_ON_THE_WIRE: Final = re.compile(
    r" mV from stock, negative is lower \(voltage_offset\); whole counts from stock, negative is "
    r"lower \(count_offset\); absolute mV \(fixed_clock_voltage\)\."
)


def fill_demo(home: Path, *more: str) -> None:
    """Make the demo's instance, as `kbapi demo` does."""
    run_kbapi(("demo", "--home", str(home), "--no-serve", *more), os.environ).check_returncode()


def start_of(home: Path) -> str:
    """The part of a start that the README explains, as the instance answers it."""
    asked = run_kbapi(("start", _CHIP, "--home", str(home), "--json"), os.environ)
    answer = json.loads(asked.stdout)
    start, evidence = answer["start"], answer["evidence"]
    shown = {
        "summary": answer["summary"],
        "start": {name: start[name] for name in ("setting_mv", "grid_steps", "value_to_enter")},
        "stands_for": {
            name: start[name] for name in ("stable_share", "confidence", "chance_stable", "level")
        },
        "evidence": {name: evidence[name] for name in ("units", "borrowed_units", "failures")},
        "meaning": answer["meaning"],
    }
    shown["start"] |= shown.pop("stands_for")
    lines = ",\n ".join(f"{json.dumps(key)}: {json.dumps(value)}" for key, value in shown.items())
    return f"```json\n{{{lines}}}\n```\n"


def guide_pictures(home: Path) -> dict[str, bytes]:
    """The pictures of the first steps by file name, drawn from answers of the instance."""
    instance = open_instance(Settings(home=home))
    try:
        client = create_app(instance).test_client()
        stability, start = (
            client.get(f"/v1/{path}", query_string={"chip": _CHIP}).get_json()
            for path in ("stability", "start")
        )
        trials, step = _searched(client, start)
    finally:
        instance.close()
    return {
        "first-steps-stability.svg": _drawn(stability_chart(stability, start, None, _SOURCE)),
        "first-steps-search.svg": _drawn(search_chart(trials, step, _SOURCE)),
    }


def _searched(
    client: FlaskClient, start: dict[str, Any]
) -> tuple[list[tuple[float, bool]], dict[str, Any]]:
    """The runs of a machine that follows each proposal, and the answer after the last."""
    runs: list[tuple[float, bool]] = []
    trials: list[dict[str, Any]] = []
    while True:
        answer = client.post("/v1/next-step", json={"chip": _CHIP, "trials": trials}).get_json()
        proposed = answer["next_step"]
        if proposed is None:
            return runs, answer
        value = proposed["value_to_enter"]
        runs.append((float(value), value >= _LIMIT_OF_THE_SEARCH))
        domains = [start["domain"], *start["moved_with"]]
        trials.append(
            {
                "settings": [
                    {"domain": domain, "control": start["control"], "value": value}
                    for domain in domains
                ],
                "seconds": 60 * proposed["minutes"],
                "outcome": "stable" if runs[-1][1] else "failed",
            }
        )


def _drawn(chart: Chart | NothingToShow) -> bytes:
    assert isinstance(chart, Chart)
    drawing = DrawingProcess()
    look = {"theme": "light", "size": "page", "scale": 0}
    try:
        return drawing.draw(
            orjson.dumps({"chart": chart, "description": chart.description, **look})
        ).body
    finally:
        drawing.close()


def settings_table() -> str:
    """Every setting with its default."""
    rows = (
        f"| `KBAPI_{name.upper()}` | {_default(field.default)} | {field.description} |"
        for name, field in Settings.model_fields.items()
    )
    return _table("| setting | unless given | meaning |", rows)


def problems_table() -> str:
    """Every problem with its status, by code."""
    rows = (
        f"| `{kind.code}` | {status} | {kind.title} |"
        for kind, status in sorted(STATUS_OF.items(), key=lambda item: item[0].code)
    )
    return _table("| code | status | meaning |", rows)


def fields_text(schemas: dict[str, Any]) -> str:
    """A heading and a table for each part of a result."""
    parts = (f"### {name}\n\n{_fields_table(schemas[name])}" for name in _FIELDS_OF)
    return "\n".join(parts)


def lists_table(schemas: dict[str, Any]) -> str:
    """Every closed list that a field of a result takes its values from."""
    shapes = json.dumps([schemas[name] for name in _FIELDS_OF])
    names = sorted(set(re.findall(r'"#/components/schemas/(\w+)"', shapes)) - set(_FIELDS_OF))
    rows = (
        f"| {name} | {', '.join(f'`{value}`' for value in schemas[name]['enum'])} |"
        for name in names
    )
    return _table("| list | values |", rows)


def _default(default: object) -> str:
    return f"`{default}`" if default not in ("", ()) else ""


def _table(head: str, rows: Any) -> str:
    line = "|" + "---|" * (head.count("|") - 1)
    return "\n".join((head, line, *rows)) + "\n"


def _fields_table(schema: dict[str, Any]) -> str:
    required = schema.get("required", ())
    return _table(
        "| field | values | meaning |",
        (
            f"| `{name}` | {_values(shape)} | {_meaning(shape, name in required)} |"
            for name, shape in schema["properties"].items()
        ),
    )


def _values(shape: dict[str, Any]) -> str:
    """The type of a field, as a reader names it."""
    if "anyOf" in shape or "oneOf" in shape or "allOf" in shape:
        (choice, *_) = shape.get("anyOf") or shape.get("oneOf") or shape["allOf"]
        return _values(choice)
    if "$ref" in shape:
        return str(shape["$ref"]).rpartition("/")[2]
    kinds = shape.get("type", "object")
    kind = next(one for one in kinds if one != "null") if isinstance(kinds, list) else kinds
    return f"list of {_values(shape['items'])}" if kind == "array" else str(kind)


def _meaning(shape: dict[str, Any], is_required: bool) -> str:
    text = _ON_THE_WIRE.sub("", shape["description"])
    return f"{text} Required." if is_required else text


def in_section(text: str, heading: str, body: str) -> str:
    """The text with the tables of a section of a guide replaced."""
    section = re.compile(
        rf"(?<=^## {heading}\n\n)(?P<lead>[^|#]*)[|#].*?(?=^## |\Z)", re.MULTILINE | re.DOTALL
    )
    assert section.search(text), heading
    return section.sub(lambda found: f"{found['lead']}{body}\n", text).rstrip("\n") + "\n"


def between_marks(text: str, body: str) -> str:
    """The text with the part between the two marks replaced."""
    marked = re.compile(re.escape(_BEGIN) + ".*?" + re.escape(_END), re.DOTALL)
    assert marked.search(text)
    return marked.sub(lambda _: f"{_BEGIN}{body}{_END}", text)


def main() -> None:
    schemas = generated()["components"]["schemas"]
    hosting = HOSTING.read_text()
    table = re.compile(r"^\| setting \| unless given .*?\n(?!\|)", re.MULTILINE | re.DOTALL)
    HOSTING.write_text(table.sub(lambda _: settings_table(), hosting))
    text = in_section(DATA_FORMAT.read_text(), "Fields", fields_text(schemas))
    text = in_section(text, "Closed lists", lists_table(schemas))
    DATA_FORMAT.write_text(in_section(text, "Problems", problems_table()))
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder) / "home"
        fill_demo(home)
        README.write_text(between_marks(README.read_text(), start_of(home)))
        PICTURES.mkdir(exist_ok=True)
        for name, picture in guide_pictures(home).items():
            (PICTURES / name).write_bytes(picture)


if __name__ == "__main__":
    main()
