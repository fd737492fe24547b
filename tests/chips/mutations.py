"""Real chip texts, changed as systems and people change them, and what must come of each.

`python -m tests.chips.mutations` draws a hundred thousand.
"""

import re
import sys
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from random import Random
from typing import Final

from kbapi.chips.chip import ChipName
from kbapi.chips.grammar.families import SOLD
from kbapi.chips.grammar.reading import find_meant
from kbapi.chips.naming import identify_chip
from tests.chips.given import load_given

SEED: Final = 20261130
DRAWN: Final = 100_000
MAKERS: Final = ("Intel", "AMD", "NVIDIA", "Apple", "Qualcomm", "VIA", "Norvane")
_MAKER: Final = re.compile(
    r"\b(?:Intel|AMD|NVIDIA|ATI|Apple|Qualcomm|ZHAOXIN|VIA|Hygon)\b", re.IGNORECASE
)
_NUMBER: Final = re.compile(r"\d{3,5}")
_PADDING: Final = (" ", "\t", "  ", "\u00a0", "\u200b", '"', "'", ",", ";")
_JOINTS: Final = (" + ", " / ", ", ", " and ", " & ", " | ", "; ", " ", " (", " @ ", " with ", "/")


@dataclass(frozen=True, slots=True)
class Mutation:
    """A changed text with the chip that it named before."""

    kind: str
    text: str
    key: str


def drawn(count: int, rng: Random) -> Iterator[Mutation]:
    """So many mutations, all kinds in turn; texts that a kind cannot change are left out."""
    named = [(row.raw, str(row.wanted["canonical"])) for row in load_given() if _is_named(row.raw)]
    kinds = list(KINDS)
    for at in range(count):
        kind = kinds[at % len(kinds)]
        raw, key = rng.choice(named)
        text = KINDS[kind](raw, key, rng)
        if text != raw:
            yield Mutation(kind, text, key)


def _is_named(raw: str) -> bool:
    return identify_chip(raw).chip is not None


def fault_of(one: Mutation) -> str | None:
    """What is wrong with the answer to a mutation; None where nothing is."""
    chip = identify_chip(one.text).chip
    if one.kind in ("case", "marks", "padding"):
        return None if chip and chip.key == one.key else "no longer read"
    if chip is None:
        return None
    if one.kind in ("wrong maker", "second chip"):
        return f"accepted as {chip.key}"
    if one.kind in ("digit", "suffix") and chip.key == one.key:
        return "merged into the chip without the change"
    if chip.key != one.key and not is_spelled(chip, one.text, is_short=one.kind == "cut"):
        return f"merged into {chip.key}"
    if one.kind == "cut" and chip.key != one.key and not _is_plausible(chip):
        return f"accepted as {chip.key}"
    return None


def is_spelled(chip: ChipName, text: str, *, is_short: bool = False) -> bool:
    """Whether each number of a key stands in the text: a chip is never read into a text.

    What is left of a cut text can be a short name, whose class follows from its number.
    """
    pattern = r"\d{3,}" if is_short else r"\d+"
    bare = re.sub(r"[^a-z0-9]", "", text.lower())
    return all(number in bare for number in re.findall(pattern, chip.key))


def _graphics_inside(raw: str) -> str | None:
    """The key of the graphics that are printed behind a processor."""
    chip = identify_chip(raw.partition(" w/ ")[2] or raw.partition(" with ")[2]).chip
    return chip.key if chip else None


_KNOWN: Final = {"nvidia-a10", *(str(row.wanted["canonical"]) for row in load_given())} | {
    key for row in load_given() if (key := _graphics_inside(row.raw))
}


def _is_plausible(chip: ChipName) -> bool:
    """Whether what is left of a cut text is a whole name, or is questioned."""
    number = _NUMBER.search(chip.key)
    is_sold = number is not None and number[0] in SOLD.get(chip.key[: number.start()], ())
    if is_sold or chip.key in _KNOWN or find_meant(chip.key, ()):
        return True
    siblings = [key for key in _KNOWN if _line(key) == _line(chip.key)]
    lengths = {len(number) for key in siblings for number in re.findall(r"\d+", key)}
    return all(len(number) in lengths for number in re.findall(r"\d+", chip.key))


def _line(key: str) -> str:
    return re.split(r"-[a-z]*\d{2,}", key)[0]


def _case(raw: str, _key: str, rng: Random) -> str:
    if "super" in raw.lower():
        return raw
    change: Callable[[str], str] = rng.choice((str.lower, str.upper, str.title, str.swapcase))
    return change(raw)


def _marks(raw: str, _key: str, rng: Random) -> str:
    registered, trade = rng.choice((("®", "™"), ("(r)", "(tm)"), (" (R) ", " (TM) "), (" ", " ")))
    return (
        raw.replace("(R)", registered + " ")
        .replace("(TM)", trade + " ")
        .replace("(tm)", trade + " ")
    )


def _padding(raw: str, _key: str, rng: Random) -> str:
    before, behind = ("".join(rng.choices(_PADDING, k=rng.randrange(4))) for _ in range(2))
    return before + raw.replace(" ", " " * rng.randrange(1, 4)) + behind


def _reordered(raw: str, _key: str, rng: Random) -> str:
    tokens = raw.split()
    one, other = rng.randrange(len(tokens)), rng.randrange(len(tokens))
    tokens[one], tokens[other] = tokens[other], tokens[one]
    return " ".join(tokens)


def _cut(raw: str, _key: str, rng: Random) -> str:
    at = rng.randrange(1, len(raw))
    return raw[:at] if rng.random() < 0.7 else raw[at:]


def _wrong_maker(raw: str, key: str, rng: Random) -> str:
    own = key.split("-")[0]
    other = rng.choice([maker for maker in MAKERS if maker.lower() != own])
    if len(set(_MAKER.findall(raw))) != 1 or key.startswith("microsoft"):
        return raw
    return _MAKER.sub(other, raw) if rng.random() < 0.7 else f"{other} {raw}"


def _second_chip(raw: str, key: str, rng: Random) -> str:
    other = rng.choice(_SECOND)
    if str(other[1]) == key:
        return raw
    joint = rng.choice(_JOINTS)
    if joint == " with " and _INSIDE_A_PROCESSOR.fullmatch(key):
        return raw  # a processor is printed with the graphics inside it
    pair = (raw, other[0]) if rng.random() < 0.5 else (other[0], raw)
    return joint.join(pair) + (")" if joint == " (" else "")


def _digit(raw: str, key: str, rng: Random) -> str:
    numbers = [one for one in re.findall(r"\d{3,5}", key) if raw.count(one) == 1]
    if not numbers:
        return raw
    number = rng.choice(numbers)
    at = rng.randrange(len(number))
    digit = rng.choice([one for one in "0123456789" if one != number[at]])
    changed = rng.choice(
        (
            number[:at] + digit + number[at + 1 :],
            number[:at] + digit + number[at:],
            number[:at] + number[at + 1 :],
            number[: at - 1] + number[at] + number[at - 1] + number[at + 1 :] if at else number,
        )
    )
    return raw.replace(number, changed)


def _suffix(raw: str, key: str, rng: Random) -> str:
    numbers = [one for one in re.findall(r"\d{3,5}[a-z]*", key) if raw.lower().count(one) == 1]
    if not numbers:
        return raw
    number = rng.choice(numbers)
    letters = "".join(rng.choices("abcdefghijklmnopqrstuvwxyz", k=rng.choice((1, 1, 2))))
    return re.sub(number, number + letters, raw, flags=re.IGNORECASE)


_INSIDE_A_PROCESSOR: Final = re.compile(
    r"intel-(?:u?hd|iris)-.*|amd-radeon-(?:(?:rx-)?vega-(?:m-)?.*|\d{3}m|80\d0s)"
)
_SECOND: Final = (
    ("Intel(R) Core(TM) i7-8700K CPU @ 3.70GHz", "intel-core-i7-8700k"),
    ("AMD Ryzen 5 3600 6-Core Processor", "amd-ryzen-5-3600"),
    ("NVIDIA GeForce RTX 3070", "nvidia-geforce-rtx-3070"),
    ("AMD Radeon RX 6700 XT", "amd-radeon-rx-6700-xt"),
    ("Intel(R) Xeon(R) CPU E5-2680 v2", "intel-xeon-e5-2680-v2"),
    ("Apple M1 Pro", "apple-m1-pro"),
)
KINDS: Final[dict[str, Callable[[str, str, Random], str]]] = {
    "case": _case,
    "marks": _marks,
    "padding": _padding,
    "reordered": _reordered,
    "cut": _cut,
    "wrong maker": _wrong_maker,
    "second chip": _second_chip,
    "digit": _digit,
    "suffix": _suffix,
}


def faults(count: int, seed: int = SEED) -> list[tuple[Mutation, str]]:
    """The mutations with a fault, each with what is wrong."""
    found = ((one, fault_of(one)) for one in drawn(count, Random(seed)))
    return [(one, fault) for one, fault in found if fault]


def main() -> None:
    """Print the faults of many drawn texts, and how many were drawn."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else DRAWN
    found = faults(count)
    for one, fault in found:
        print(f"{one.kind}: {one.text!r} ({one.key}): {fault}")
    print(f"{count} drawn, {len(found)} faults", dict(Counter(one.kind for one, _ in found)))


if __name__ == "__main__":
    main()
