"""Documents near the schema: a sound one with a few mistakes of the kinds that people make."""

import json
from random import Random
from typing import Any

from tests.intake.whole_document import a_whole_document

_ODD: tuple[Any, ...] = (
    None,
    True,
    0,
    -1,
    0.5,
    -0.08,
    1e9,
    2**53 + 2,
    1e400,
    float("nan"),
    "",
    " ",
    "core",
    "voltage_offset",
    "12,5",
    "2026-13",
    "2031-01",
    "anna@mail.example",
    "192.0.2.17",
    "/home/anna",
    "\x00",
    "\ud800",
    "x" * 500,
    "ünïcödé",
    [],
    {},
    [[]],
    [None],
    {"domain": "core"},
    127,
    255,
    -128,
    80,
    -80,
    -90.5,
    -301,
    "Norvane Sable 7 4820MX",
    "osmer-kestrel-640-laptop",
    "QEMU Virtual CPU version 2.5+",
)
_NAMES = ("stabel_at", "domain", "unit", "anna@mail.example", "a/b~c", "", "0", "x" * 200, "chip")


def near_document(rng: Random) -> tuple[bytes, Any]:
    """The bytes of a document, and the value that pointers may point into."""
    document = a_whole_document()
    document["unit_token"] = f"tidewater-unit-{rng.randrange(3_000):06}"
    document["contributor_token"] = f"tidewater-member-{rng.randrange(300):06}"
    _vary(document, rng)
    for _ in range(rng.choice((0, 0, 1, 1, 2, 4))):
        _spoil(document, rng)
    text = json.dumps(document)
    if rng.random() < 0.02:
        text = text[: rng.randrange(len(text))]
    return text.encode("utf-8", "surrogatepass"), document


def _vary(document: dict[str, Any], rng: Random) -> None:
    setting = document["settings"][0]
    stable = -rng.randrange(40, 150)
    setting |= {"stable_at": stable, "unstable_at": stable - rng.randrange(1, 20)}
    setting |= {"read_back": stable, "in_use": stable + 5, "minutes": rng.choice((5, 15, 65))}
    for in_force in document["trials"][0]["settings"]:
        in_force["value"] = stable
    if rng.random() < 0.3:
        setting["unstable_at"] = None
    for part in ("trials", "readings", "locks", "power", "platform", "chip_ids"):
        if rng.random() < 0.4:
            del document[part]


def _spoil(document: Any, rng: Random) -> None:
    """One mistake somewhere in the document."""
    holder, key = rng.choice(list(_places(document)))
    act = rng.randrange(5)
    if act == 0:
        holder[key] = rng.choice(_ODD)
    elif act == 1 and isinstance(holder, dict):
        del holder[key]
    elif act == 2 and isinstance(holder, dict):
        holder[rng.choice(_NAMES)] = rng.choice(_ODD)
    elif act == 3 and isinstance(holder[key], int | float):
        holder[key] = rng.choice((-holder[key], holder[key] / 1000, holder[key] * 1000))
    elif act == 4 and isinstance(holder[key], list):
        holder[key] = holder[key] * rng.choice((2, 40))
    else:
        holder[key] = rng.choice(_ODD)


def _places(value: Any) -> Any:
    if isinstance(value, dict | list):
        members = value.items() if isinstance(value, dict) else enumerate(value)
        for key, member in members:
            yield value, key
            yield from _places(member)
