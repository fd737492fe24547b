"""Siblings share maker, line, generation and class suffix, and so a series; strangers do not."""

import pytest

from kbapi.chips.naming import ChipName, identify_chip

SIBLINGS = [
    ("i7-10750H", "i5-10300H"),
    ("i7-10700K", "i5-10600K"),
    ("i7-8550U", "i5-8250U"),
    ("i7-1065G7", "i5-1035G1"),
    ("i7-1260P", "i5-1240P"),
    ("i9-13900HX", "i7-13700HX"),
    ("i7-640M", "Core i5 CPU M 430"),
    ("Core Ultra 7 155H", "Core Ultra 5 125H"),
    ("Core 7 150U", "Core 5 120U"),
    ("Core m3-7Y30", "Core m5-7Y54"),
    ("Core 2 Duo T7500", "Core 2 Duo T7100"),
    ("Xeon E5-2680 v4", "Xeon E5-2690 v4"),
    ("Xeon Gold 6248", "Xeon Gold 6230"),
    ("Intel N100", "Intel N95"),
    ("Ryzen 7 5800H", "Ryzen 5 5600H"),
    ("Ryzen 7 PRO 5850U", "Ryzen 5 5600U"),
    ("Ryzen 7 5800X", "Ryzen 9 5950X"),
    ("Ryzen 7 7840U", "Ryzen 5 7540U"),
    ("Ryzen 5 PRO 7530U", "Ryzen 7 7730U"),
    ("Ryzen 7 7735HS", "Ryzen 5 7535HS"),
    ("Ryzen 7 7736U", "Ryzen 5 7535U"),
    ("Ryzen 7 8840HS", "Ryzen 7 8845HS"),
    ("Ryzen 9 7945HX", "Ryzen 9 7940HX"),
    ("Ryzen 5 7540U", "Ryzen 5 7545U"),
    ("Threadripper PRO 7995WX", "Threadripper 7975WX"),
    ("Ryzen 5 5500U", "Ryzen 7 5700U"),
    ("Ryzen 5 5625U", "Ryzen 3 5425U"),
    ("Ryzen 7 5700", "Ryzen 5 5500"),
    ("Ryzen 7 7700X", "Ryzen 5 7600X"),
    ("i7-8565U", "i5-8265U"),
    ("Ryzen AI 7 350", "Ryzen AI 5 340"),
    ("Ryzen AI Max+ 395", "Ryzen AI Max 385"),
    ("Threadripper 3970X", "Threadripper 3960X"),
    ("AMD EPYC 7763", "AMD EPYC 7713"),
    ("RTX 3070", "RTX 3060 Ti"),
    ("RTX 3070 Laptop GPU", "RTX 3060 Laptop GPU"),
    ("GTX 960M", "GTX 970M"),
    ("RX 6700 XT", "RX 6600"),
    ("RX 6700M", "RX 6600M"),
    ("RX 580", "RX 570"),
    ("Radeon 780M", "Radeon 760M"),
    ("UHD Graphics 620", "UHD Graphics 630"),
    ("Arc A770", "Arc A750"),
    ("Norvane Sable 7 4820MX", "Norvane Sable 5 4810MX"),
    ("Ketterly Drift 8 2380H", "Ketterly Drift 6 2360H"),
    ("Osmer Kestrel 640M", "Osmer Kestrel 650M"),
]

STRANGERS = [
    ("i7-10750H", "i7-9750H"),
    ("i7-10750H", "i7-10700K"),
    ("i7-10750H", "i7-10710U"),
    ("i7-10700", "i7-1065G7"),
    ("i7-1165G7", "i7-11700"),
    ("i7-860", "i7-860S"),
    ("Core Ultra 7 155H", "Core Ultra 7 255H"),
    ("Core Ultra 7 155H", "Core 7 150U"),
    ("Core 2 Duo T7500", "Core 2 Duo E7500"),
    ("Xeon E5-2680 v4", "Xeon E5-2680 v3"),
    ("Xeon Gold 6248", "Xeon Gold 6148"),
    ("Pentium G4600", "Pentium Gold G5400"),
    ("Ryzen 7 5800H", "Ryzen 7 5800X"),
    ("Ryzen 7 5800X", "Ryzen 7 5800X3D"),
    ("Ryzen 7 5800H", "Ryzen 9 5900HX"),
    ("Ryzen 7 5800U", "Ryzen 7 4800U"),
    ("Ryzen 5 5500U", "Ryzen 5 5600U"),
    ("Ryzen 7 5700U", "Ryzen 7 5800U"),
    ("Ryzen 3 5300U", "Ryzen 3 5400U"),
    ("Ryzen 5 5500", "Ryzen 5 5600"),
    ("Ryzen 3 3200U", "Ryzen 3 3300U"),
    ("Ryzen 3 7320U", "Ryzen 7 7730U"),
    ("Ryzen 7 7730U", "Ryzen 5 7540U"),
    ("Ryzen 7 7735U", "Ryzen 7 7730U"),
    ("Ryzen 5 7535HS", "Ryzen 7 7840HS"),
    ("Ryzen 7 7840HS", "Ryzen 7 8840HS"),
    ("Ryzen AI 9 365", "Ryzen AI 7 350"),
    ("Ryzen Z2 Go", "Ryzen Z2 Extreme"),
    ("i7-8550U", "i7-8565U"),
    ("i7-8565U", "i7-8559U"),
    ("i7-8550U", "i7-8557U"),
    ("Ryzen AI 9 HX 370", "Ryzen AI 7 350"),
    ("Threadripper 3970X", "Threadripper PRO 3975WX"),
    ("Ryzen 5 2400G", "i5-2400"),
    ("RTX 3070", "RTX 3070 Laptop GPU"),
    ("RTX 3070", "RTX 4070"),
    ("GTX 1660 Ti Max-Q", "GTX 1660 Super"),
    ("GTX 1060 3GB", "GTX 1060 Max-Q"),
    ("NVIDIA RTX A2000", "NVIDIA RTX 2000 Ada Generation"),
    ("RX 6800 XT", "RX 6800M"),
    ("RX 6800M", "RX 6800S"),
    ("RX 580", "RX 5700"),
    ("Radeon 780M", "Radeon 680M"),
    ("Radeon R9 M390X", "Radeon R9 390X"),
    ("RX Vega 64", "Radeon Vega 8"),
    ("Arc A770", "Arc A770M"),
    ("Arc A770", "Arc B580"),
    ("Iris Xe Graphics", "Iris Xe MAX Graphics"),
    ("Apple M1", "Apple M2"),
    ("Norvane Sable 7 4820MX", "Norvane Sable 7 4800K"),
    ("Osmer Kestrel 640 Laptop", "Osmer Kestrel 640"),
]


def _chip(text: str) -> ChipName:
    found = identify_chip(text)
    assert found.chip is not None, text
    return found.chip


@pytest.mark.parametrize(("one", "other"), SIBLINGS)
def test_siblings_are_in_one_series(one: str, other: str) -> None:
    assert _chip(one).key != _chip(other).key
    assert _chip(one).series == _chip(other).series


@pytest.mark.parametrize(("one", "other"), STRANGERS)
def test_unrelated_chips_have_different_series(one: str, other: str) -> None:
    assert _chip(one).series != _chip(other).series


@pytest.mark.parametrize("text", [text for pair in SIBLINGS + STRANGERS for text in pair])
def test_a_series_belongs_to_its_line_and_the_line_to_its_maker(text: str) -> None:
    chip = _chip(text)
    assert chip.series.startswith(chip.line)
    assert chip.line.startswith(f"{chip.maker}-")
    assert chip.key.startswith(f"{chip.maker}-")


def test_the_example_of_the_demo_is_named_by_its_structure() -> None:
    chip = _chip("Norvane(R) Sable(TM) 7 4820MX @ 2.60GHz")
    assert chip == ChipName(
        key="norvane-sable-7-4820mx",
        name="Norvane Sable 7 4820MX",
        kind="cpu",
        maker="norvane",
        series="norvane-sable-48-mx",
        line="norvane-sable",
    )


@pytest.mark.parametrize(
    ("key", "name"),
    [
        ("intel-core-i7-10750h", "Intel Core i7-10750H"),
        ("intel-core-ultra-7-155h", "Intel Core Ultra 7 155H"),
        ("intel-xeon-e5-2680-v2", "Intel Xeon E5-2680 v2"),
        ("intel-core-m3-7y30", "Intel Core m3-7Y30"),
        ("amd-ryzen-7-pro-4750u", "AMD Ryzen 7 PRO 4750U"),
        ("amd-ryzen-ai-max-plus-395", "AMD Ryzen AI Max+ 395"),
        ("nvidia-geforce-rtx-2080-super-max-q", "NVIDIA GeForce RTX 2080 SUPER Max-Q"),
        ("nvidia-geforce-gtx-1060-3gb", "NVIDIA GeForce GTX 1060 3GB"),
        ("amd-radeon-rx-6700-xt", "AMD Radeon RX 6700 XT"),
        ("apple-m1-pro", "Apple M1 Pro"),
        ("intel-uhd-graphics-620", "Intel UHD Graphics 620"),
    ],
)
def test_a_key_is_written_as_its_maker_prints_it(key: str, name: str) -> None:
    assert _chip(key).name == name
    assert _chip(name).key == key
