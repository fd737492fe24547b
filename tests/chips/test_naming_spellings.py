"""The many ways in which one chip is written, by systems and by people."""

import pytest

from kbapi.chips.naming import identify_chip

# A number alone, where the class and the maker follow from it.
BARE = {
    "2600k": "intel-core-i7-2600k", "2500k": "intel-core-i5-2500k",
    "2960xm": "intel-core-i7-2960xm", "3320m": "intel-core-i5-3320m",
    "3930k": "intel-core-i7-3930k",
    "4930k": "intel-core-i7-4930k",
    "4910mq": "intel-core-i7-4910mq", "4960hq": "intel-core-i7-4960hq",
    "4980hq": "intel-core-i7-4980hq", "5930k": "intel-core-i7-5930k",
    "6920hq": "intel-core-i7-6920hq", "7920hq": "intel-core-i7-7920hq",
    "8700k": "intel-core-i7-8700k", "8086k": "intel-core-i7-8086k", "9900k": "intel-core-i9-9900k",
    "8950hk": "intel-core-i9-8950hk", "10510u": "intel-core-i7-10510u",
    "10310u": "intel-core-i5-10310u", "10850k": "intel-core-i9-10850k",
    "10980xe": "intel-core-i9-10980xe", "1065g7": "intel-core-i7-1065g7",
    "1135g7": "intel-core-i5-1135g7", "1235u": "intel-core-i5-1235u",
    "1255u": "intel-core-i7-1255u",
    "1260p": "intel-core-i7-1260p", "1240p": "intel-core-i5-1240p",
    "12700h": "intel-core-i7-12700h", "13980hx": "intel-core-i9-13980hx",
    "125h": "intel-core-ultra-5-125h", "155h": "intel-core-ultra-7-155h",
    "265k": "intel-core-ultra-7-265k", "245kf": "intel-core-ultra-5-245kf",
    "275hx": "intel-core-ultra-9-275hx", "288v": "intel-core-ultra-9-288v",
    "150u": "intel-core-7-150u", "n100": "intel-processor-n100", "n305": "intel-core-i3-n305",
    "q6600": "intel-core-2-quad-q6600", "x5650": "intel-xeon-x5650", "m1 max": "apple-m1-max",
    "140v": "intel-arc-140v", "a6000": "nvidia-rtx-a6000", "290x": "amd-radeon-r9-290x",
    "3000g": "amd-athlon-3000g", "2990wx": "amd-ryzen-threadripper-2990wx",
    "5975wx": "amd-ryzen-threadripper-pro-5975wx", "hx 370": "amd-ryzen-ai-9-hx-370",
    "b580": "intel-arc-b580", "a770": "intel-arc-a770",
    "a730m": "intel-arc-a730m", "5800h": "amd-ryzen-7-5800h", "7435hs": "amd-ryzen-7-7435hs",
    "7945hx": "amd-ryzen-9-7945hx", "8840hx": "amd-ryzen-9-8840hx", "1600x": "amd-ryzen-5-1600x",
}  # fmt: skip

SPELLINGS = {
    "intel-core-i3-n305": ["Intel(R) Core(TM) i3-N305", "Intel N305"],
    "intel-pentium-d1508": ["Intel(R) Pentium(R) D 1508 @ 2.20GHz", "Pentium D1508"],
    "intel-core-i7-12700h": ["Intel i7 12th gen 12700H", "Core i7 (12th Gen) 12700H"],
    "amd-ryzen-7-5800h": [
        "AMD Ryzen 7 5800H (Cezanne)",
        "AMD Ryzen 7 5000 Series 5800H",
        "Ryzen R7 5800H",
    ],
    "amd-ryzen-threadripper-pro-7995wx": ["AMD Ryzen Threadripper 7995WX", "TR PRO 7995WX"],
    "amd-ryzen-ai-max-plus-395": ["ai max+ 395"],
    "amd-radeon-rx-6600-xt": ["ASRock Radeon RX 6600 XT Phantom Gaming D"],
    "amd-radeon-rx-7900-xt": ["XFX Speedster MERC 310 RX 7900 XT"],
    "nvidia-geforce-rtx-3070": ["MSI GeForce RTX 3070 GAMING X TRIO"],
    "nvidia-geforce-rtx-4070": ["Gigabyte GeForce RTX 4070 WINDFORCE OC 12G"],
    "nvidia-geforce-gtx-1060-6gb": ["MSI GTX 1060 GAMING X 6G"],
    "nvidia-geforce-rtx-4060-laptop": ["NVIDIA GeForce RTX 4060 8GB Laptop GPU"],
    "nvidia-geforce-rtx-4070-laptop": ["NVIDIA GeForce RTX 4070 Laptop GPU (8 GB)"],
    "nvidia-geforce-rtx-4060-ti": ["RTX 4060 Ti 8GB", "NVIDIA GeForce RTX 4060 Ti (8 GB)"],
    "nvidia-geforce-rtx-4060-ti-16gb": [
        "RTX 4060Ti 16 GB",
        "MSI RTX 4060 Ti GAMING X 16G",
        "GeForce RTX 4060 Ti (16GB GDDR6)",
    ],
    "nvidia-geforce-rtx-3050-6gb-laptop": ["NVIDIA GeForce RTX 3050 Laptop GPU (6 GB)"],
    "nvidia-geforce-rtx-3080": ["RTX 3080 10GB", "GeForce RTX 3080 10GB GDDR6X"],
    "nvidia-geforce-rtx-3080-12gb": ["NVIDIA GeForce RTX 3080 12GB"],
    "nvidia-geforce-gtx-1060-3gb": ["GTX 1060 (3GB)", "NVIDIA GeForce GTX 1060 3GB"],
    "nvidia-geforce-gtx-1060-laptop": ["GTX 1060 6GB Laptop"],
    "nvidia-geforce-gtx-1070": ["GTX 1070 8GB desktop", "GeForce GTX 1070 Desktop GPU"],
    "nvidia-geforce-gtx-960m": ["GTX 960M notebook", "NVIDIA GeForce GTX 960M 4GB"],
    "nvidia-geforce-rtx-2060-super": ["rtx2060s", "2060S", "RTX 2060 SUPER 8GB"],
    "nvidia-geforce-rtx-4070-ti-super": ["RTX 4070 TiS", "RTX 4070 Ti SUPER 16GB"],
    "nvidia-geforce-gtx-1660-super": ["gtx 1660s"],
    "amd-radeon-rx-580": ["RX 580 8GB", "Sapphire Radeon RX 580 4GB GDDR5", "RX580 (8GB)"],
    "amd-radeon-rx-560-laptop": ["Radeon RX 560 Laptop"],
    "amd-radeon-rx-6600m": ["AMD Radeon RX 6600M", "RX 6600M laptop"],
    "amd-radeon-rx-6900-xt-lc": ["RX 6900 XT LC"],
    "intel-arc-a770": ["Intel Arc A770 16GB"],
    "amd-ryzen-7-6800hs": ["AMD Ryzen 7 6800HS Creator Edition"],
    "amd-ryzen-7-7840u": [
        "Ryzen 7 7840U with 780M",
        "AMD Ryzen 7 7840U w/ Radeon 780M Graphics",
        "Ryzen 7 7840U Radeon 780M",
    ],
    "intel-core-i9-13900hx": ["intel i9 13900hx laptop", "13900HX laptop"],
    "intel-core-i7-8700k": ["i7-8700K desktop"],
    "intel-core-ultra-7-155h": ["Core Ultra 7 155H laptop"],
    "intel-core-ultra-9-386h": ["Intel(R) Core(TM) Ultra 9 386H"],
    "intel-core-ultra-7-486v": ["Core Ultra 7 486V"],
    "intel-celeron-3865u": ["Intel(R) Celeron(R) CPU 3865U @ 1.80GHz"],
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
    ("text", "key"),
    [(text, key) for key, texts in SPELLINGS.items() for text in texts] + list(BARE.items()),
)
def test_every_spelling_of_a_chip_is_that_chip(text: str, key: str) -> None:
    found = identify_chip(text)
    assert found.chip is not None, found
    assert (found.match, found.chip.key) == ("exact", key)
