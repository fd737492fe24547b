"""Ten thousand canonical keys as they could be, and the typing errors that people make in them."""

from itertools import product
from random import Random

from kbapi.chips.naming import identify_chip

_LETTERS = "abcdefghijklmnopqrstuvwxyz0123456789"


def many_keys(count: int) -> list[str]:
    """So many canonical keys, of processors and graphics of several makers."""
    keys: list[str] = []
    for generation, tier in product(range(2, 15), "3579"):
        numbers = range(100, 1000, 20 if generation > 9 else 10)
        suffixes = ("", "k", "u", "h", "hx") if generation > 9 else ("", "k", "u", "hq", "t")
        keys += [f"intel-core-i{tier}-{generation}{n}{s}" for n, s in product(numbers, suffixes)]
    for generation, tier in product((1, 2, 3, 4, 5, 6, 7, 8, 9), "3579"):
        numbers = range(100, 1000, 50)
        suffixes = ("", "x", "u", "h", "hs", "g")
        keys += [f"amd-ryzen-{tier}-{generation}{n}{s}" for n, s in product(numbers, suffixes)]
    for number, tail in product(range(10, 100, 10), ("", "-ti", "-super", "-laptop", "-ti-laptop")):
        keys += [f"nvidia-geforce-rtx-{g}0{number:02}{tail}" for g in range(2, 6)]
        keys += [f"amd-radeon-rx-{g}{n}{number:02}" for g in range(5, 10) for n in range(1, 10)]
    canonical = [key for key in dict.fromkeys(keys) if _is_canonical(key)]
    return Random(3).sample(canonical, count)


def _is_canonical(key: str) -> bool:
    chip = identify_chip(key).chip
    return chip is not None and chip.key == key


def with_typing_error(text: str, random: Random) -> str:
    """The text with one letter wrong, too many, missing, or swapped with the next."""
    at = random.randrange(len(text) - 1)
    letter = random.choice(_LETTERS)
    return random.choice(
        (
            text[:at] + letter + text[at + 1 :],
            text[:at] + letter + text[at:],
            text[:at] + text[at + 1 :],
            text[:at] + text[at + 1] + text[at] + text[at + 2 :],
        )
    )
