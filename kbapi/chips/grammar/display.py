"""How a canonical key is written for people."""

import re
from typing import Final

# Words whose spelling is neither capitalised nor all upper case, and short words that look
# like ordinary ones but are abbreviations.
SPELLING: Final = {
    "3gb": "3GB", "amd": "AMD", "ai": "AI", "apu": "APU", "c": "C", "cmp": "CMP", "d": "D",
    "e": "E", "epyc": "EPYC", "firepro": "FirePro", "fx": "FX", "g": "G", "geforce": "GeForce",
    "ge": "GE", "gh": "GH", "gl": "GL", "gme": "GME", "gpu": "GPU", "gre": "GRE", "gt": "GT",
    "gts": "GTS", "gtx": "GTX", "gx": "GX", "h": "H", "hd": "HD", "he": "HE", "hx": "HX",
    "ii": "II", "kaisheng": "KaiSheng", "kaixian": "KaiXian", "kh": "KH", "kx": "KX", "le": "LE",
    "m": "M", "nvidia": "NVIDIA", "nvs": "NVS", "oem": "OEM", "pro": "PRO", "q": "Q",
    "rtx": "RTX", "rx": "RX", "s": "S", "se": "SE", "sff": "SFF", "super": "SUPER", "uhd": "UHD",
    "v": "V", "via": "VIA", "vii": "VII", "w": "W", "wx": "WX", "x": "X", "xp": "Xp",
    "xt": "XT", "xtx": "XTX", "z": "Z",
}  # fmt: skip

# A digit follows these words after a hyphen in print: Core i7-10750H, Xeon E5-2680, W-2145.
_HYPHENATED = re.compile(
    r"(?<= )((?:i|m|x|w)[3579]|E[357]|C86|M(?= \dY)|[EDW](?= [1-9]\d{3})|FX|A\d{1,2}|E[12]|[CEZG]"
    r"|KX|KH|GX|RX(?= \d{3}[A-Z]{2})) (?=[A-Z]?\d)"
)
_SMALL = re.compile(r"(?:[imx][3579]|w[3579]|v\d|\d{1,2}(?:cx|c|th|st|nd|rd))")


def display_name(key: str) -> str:
    """A canonical key as its maker would print it."""
    spelled = " ".join(_spell(word) for word in key.split("-"))
    spelled = spelled.replace("Max Q", "Max-Q").replace("Max Plus", "Max+")
    if spelled.startswith(("Apple", "AMD Radeon", "Intel")):
        spelled = spelled.replace(" PRO", " Pro")
    if " Radeon " in spelled or " GeForce " in spelled or "Ryzen" in spelled:
        return spelled
    return _HYPHENATED.sub(r"\1-", spelled)


def _spell(word: str) -> str:
    if word in SPELLING:
        return SPELLING[word]
    if _SMALL.fullmatch(word):
        return word
    if any(letter.isdigit() for letter in word):
        return word.upper()
    return word.capitalize()
