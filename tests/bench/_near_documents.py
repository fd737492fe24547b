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


def near_document(dice: Random) -> tuple[bytes, Any]:
    """The bytes of a document, and the value that pointers may point into."""
    document = a_whole_document()
    document["unit_token"] = f"tidewater-unit-{dice.randrange(3_000):06}"
    document["contributor_token"] = f"tidewater-member-{dice.randrange(300):06}"
    _vary(document, dice)
    for _ in range(dice.choice((0, 0, 1, 1, 2, 4))):
        _spoil(document, dice)
    text = json.dumps(document)
    if dice.random() < 0.02:
        text = text[: dice.randrange(len(text))]
    return text.encode("utf-8", "surrogatepass"), document


def _vary(document: dict[str, Any], dice: Random) -> None:
    setting = document["settings"][0]
    stable = -dice.randrange(40, 150)
    setting |= {"stable_at": stable, "unstable_at": stable - dice.randrange(1, 20)}
    setting |= {"read_back": stable, "in_use": stable + 5, "minutes": dice.choice((5, 15, 65))}
    for in_force in document["trials"][0]["settings"]:
        in_force["value"] = stable
    if dice.random() < 0.3:
        setting["unstable_at"] = None
    for part in ("trials", "readings", "locks", "power", "platform", "chip_ids"):
        if dice.random() < 0.4:
            del document[part]


def _spoil(document: Any, dice: Random) -> None:
    """One mistake somewhere in the document."""
    holder, key = dice.choice(list(_places(document)))
    act = dice.randrange(5)
    if act == 0:
        holder[key] = dice.choice(_ODD)
    elif act == 1 and isinstance(holder, dict):
        del holder[key]
    elif act == 2 and isinstance(holder, dict):
        holder[dice.choice(_NAMES)] = dice.choice(_ODD)
    elif act == 3 and isinstance(holder[key], int | float):
        holder[key] = dice.choice((-holder[key], holder[key] / 1000, holder[key] * 1000))
    elif act == 4 and isinstance(holder[key], list):
        holder[key] = holder[key] * dice.choice((2, 40))
    else:
        holder[key] = dice.choice(_ODD)


def _places(value: Any) -> Any:
    if isinstance(value, dict | list):
        members = value.items() if isinstance(value, dict) else enumerate(value)
        for key, member in members:
            yield value, key
            yield from _places(member)
