"""The many ways in which one chip is written, by systems and by people."""

import pytest

from kbapi.chips.names import identify_chip

SPELLINGS = {
    "intel-core-ultra-9-386h": ["Intel(R) Core(TM) Ultra 9 386H"],
    "intel-core-ultra-7-486v": ["Core Ultra 7 486V"],
    "intel-celeron-3865u": ["Intel(R) Celeron(R) CPU 3865U @ 1.80GHz"],
    "amd-ryzen-5-586": ["Ryzen 5 586"],
    "amd-radeon-pro-560x": ["AMD Radeon Pro 560X OpenGL Engine"],
    "intel-hd-graphics-4000": ["Intel HD Graphics 4000 OpenGL Engine"],
    "nvidia-geforce-gt-750m": ["NVIDIA GeForce GT 750M OpenGL Engine"],
    "amd-radeon-r9-m370x": ["AMD Radeon R9 M370X Compute Engine"],
    "intel-iris-plus-graphics-655": [
        "Intel Inc. Intel(R) Iris(TM) Plus Graphics 655",
        "Intel(R) Iris(TM) Plus Graphics 655 OpenGL Engine",
    ],
}


@pytest.mark.parametrize(
    ("text", "key"), [(text, key) for key, texts in SPELLINGS.items() for text in texts]
)
def test_every_spelling_of_a_chip_is_that_chip(text: str, key: str) -> None:
    found = identify_chip(text)
    assert found.chip is not None, found
    assert (found.match, found.chip.key) == ("exact", key)
