"""Names that several chips share: families, code names, laptop parts named as desktop ones.

And the numbers under which chips were sold.
"""

import re
from typing import Final

# Names of a family, which leave the chip open. Each matches all tokens after the maker.
FAMILIES: Final = re.compile(
    r"(?:radeon |mobility )*radeon(?: tm)?(?: graphics)?(?: series)?(?: graphics)?"
    r"|(?:mobility )?radeon (?:pro |hd )?(?:r\d(?:e|m)?|hd|pro|rx)(?: graphics)?"
    r"|(?:mobility )?radeon (?:hd |r[3579] |r[579] m|rx |pro )?[a-z]{0,2}\d{2,4}[mdgx]?(?: laptop)?"
    r"(?: m)? series(?: graphics)?"
    r"|radeon (?:rx |pro )?vega(?: laptop)?(?: series)?(?: graphics)?(?: laptop)?"
    r"|radeon rx vega|rx vega|radeon r9 fury(?: x)? series|firepro(?: .*)? series"
    r"|(?:embedded )?radeon (?:rx|pro|pro wx|r\d|e\d{4}) series|radeon e\d(?: graphics)?"
    r"|firepro v firegl v graphics adapter"
    r"|(?:u?hd |iris |iris plus |iris pro |arc |arc pro |xe )?graphics(?: family| controller)?"
    r"|u?hd graphics (?:for .*|xe.*|gen ?\d.*|\d+ ?eus?|family)"
    r"|arc|iris(?: plus| pro)?|(?:geforce|quadro)(?: laptop)?(?: rtx| gtx| mx)?"
    r"|geforce (?:rtx |gtx )?\d{2,4}m? series"
    r"|.*\b(?:graphics controller|integrated graphics device|graphics and display)\b.*"
    # A driver or a database that has no name for the chip.
    r"|graphics device|unknown(?: \w+)?(?: graphics)?"
    r"|.*\bgraphics media accelerator\b.*|gma .*|.*\bexpress chipset\b.*|.*\bseries chipset\b.*"
)

# What renderers and PCI databases call a chip inside its maker.
_AMD_CODES: Final = (
    r"amur|aldebaran|arcturus|aruba|baffin|barcelo|barts|beema|beige goby|bonaire|caicos|"
    r"(?:cape )?verde|carrizo|cayman|cedar|cezanne|cypress|dimgrey cavefish|dragon range|ellesmere|"
    r"fiji|gfx ?\d{3,4}[a-f0-9]?|gorgon(?: point)?|granite ridge|hainan|hawaii|hawk ?point ?\d?|"
    r"iceland|juniper|kabini|kaveri|krackan ?\d?|lexa|lucienne|mendocino|mullins|navi ?\d\d|"
    r"navy flounder|oland|palm|phoenix ?\d?|picasso|pitcairn|polaris ?\d*|r[67]\d{2}|raphael|"
    r"raven(?: ?2| ridge)?|redwood|rembrandt|renoir|rv\d{3}|sienna cichlid|stoney(?: ridge)?|"
    r"strix(?: point| halo)?|sumo2?|tahiti|temash|tonga|topaz|turks|van ?gogh|vega ?(?:\d\d|m)|"
    r"wani|wrestler|yellow carp"
)
_NVIDIA_CODES: Final = r"nv[0-9a-f]{2,3}|(?:g[abmpkf]|tu|ad)\d{3}[a-z]*"
_INTEL_CODES: Final = (
    "(?:alder|amber|apollo|arrow|coffee|comet|elkhart|gemini|ice|jasper|kaby|lunar|meteor|panther|"
    "raptor|rocket|sky|tiger|twin|whiskey|wildcat) ?lake|(?:ivy|sandy) ?bridge|haswell|broadwell|"
    "(?:bay|cherry) ?(?:trail|view)|braswell|crystal ?well|dg[12]|battlemage|alchemist|"
    "adl|arl|bdw|cfl|cml|hsw|icl|kbl|lnl|mtl|rpl|skl|tgl"
)
_CODE_TAIL: Final = r"[a-z]{1,3}|desktop|laptop|prime|gt ?\d\w?|g\d\d|graphics"
# Atomic, so that a long run of code names is read once and never again in another way.
_CODE: Final = (
    rf"(?>(?:{_AMD_CODES}|{_NVIDIA_CODES}|{_INTEL_CODES})(?![a-z0-9])(?: (?:{_CODE_TAIL})(?!\w))*+)"
)
CODE_NAMES: Final = re.compile(rf"(?:radv )?{_CODE}(?: ?/ ?{_CODE})*+")

# The driver prints one name for the desktop part and the laptop part of these.
_SHARED_WITH_LAPTOP: Final = (
    "nvidia-geforce-gtx-1050", "nvidia-geforce-gtx-1050-ti", "nvidia-geforce-gtx-1070",
    "nvidia-geforce-gtx-1080", "nvidia-geforce-gtx-1650", "nvidia-geforce-gtx-1650-ti",
    "nvidia-geforce-gtx-1660-ti", "nvidia-geforce-rtx-2060", "nvidia-geforce-rtx-2070",
    "nvidia-geforce-rtx-2070-super", "nvidia-geforce-rtx-2080", "nvidia-geforce-rtx-2080-super",
    "nvidia-quadro-rtx-4000",
    "nvidia-quadro-rtx-5000", "nvidia-quadro-p1000", "nvidia-quadro-p2000", "nvidia-quadro-p4000",
    "nvidia-quadro-p5000", "nvidia-quadro-p600", "nvidia-quadro-p620",
)  # fmt: skip

# These were only sold in sizes of memory that are different silicon.
_SOLD_IN_SIZES: Final = {
    "nvidia-geforce-gtx-1060": (
        "nvidia-geforce-gtx-1060-3gb",
        "nvidia-geforce-gtx-1060-6gb",
        "nvidia-geforce-gtx-1060-laptop",
    ),
    "amd-radeon-rx-6750-gre": ("amd-radeon-rx-6750-gre-10gb", "amd-radeon-rx-6750-gre-12gb"),
}

SHARED_NAMES: Final[dict[str, tuple[str, ...]]] = {
    key: (key, f"{key}-laptop") for key in _SHARED_WITH_LAPTOP
} | _SOLD_IN_SIZES

_LAPTOP_KEY: Final = re.compile(
    r".*-(?:laptop|max-q)|amd-radeon-(?:rx-|pro-|hd-)?w?\d+[ms](?:-xt)?|nvidia-.*-\d+mx?"
    r"|amd-radeon-r\d-m\d+x?|intel-core-(?:ultra-)?[ix]?\d-\d+(?:u|y|h|hq|hk|hx|[mq]m|m|mq|mx|xm|p|v|n?g\d)"
    r"|amd-ryzen-(?:ai-\d-.*|.*\d(?:u|h|hs|hx|hx3d))|intel-arc-.*\dm"
)

# The driver prints one name with "Series" for two cards of these: R9 390 and R9 390X.
_SERIES_WITH_X: Final = re.compile(r"(radeon r[79] (?:2[6-9]0|3[789]0)) series")


def series_members(rest: str) -> tuple[str, ...]:
    """The names, in tokens without the maker, of the chips that are printed as this series."""
    found = _SERIES_WITH_X.fullmatch(rest)
    return (found[1], f"{found[1]}x") if found else ()


def is_laptop_key(key: str) -> bool:
    """Whether the tokens of the key mark a laptop part."""
    return _LAPTOP_KEY.fullmatch(key) is not None


# Numbers under which processors and graphics were sold, line by line. The rules read every number
# of a line, because future chips need no row. A number that is missing here, in a generation that
# is listed, is therefore read, and questioned once where a result is sent.
_CORE: Final = {
    "3": """2100 2102 2105 2120 2125 2130 2310 2312 2328 2330 2340 2348 2350 2357 2365 2367 2370
        2375 2377 3110 3115 3120 3130 3210 3217 3220 3225 3227 3229 3240 3245 3250 4000 4005 4010
        4012 4020 4025 4030 4100 4102 4110 4112 4120 4130 4150 4158 4160 4170 4310 4330 4340 4350
        4360 4370 5005 5010 5015 5020 5157 6006 6098 6100 6102 6157 6167 6300 6320 7020 7100 7101
        7102 7110 7130 7167 7300 7320 7350 8100 8109 8121 8130 8140 8145 8300 8350 9100 9300 9320
        9350 10100 10105 10110 10300 10305 10320 10325 1000 1005 1110 1115 1120 1125 11100 12100
        12300 1210 1215 1220 13100 13300 1305 1315 1320 14100""",
    "5": """2300 2310 2320 2380 2390 2400 2405 2410 2415 2430 2435 2450 2467 2500 2510 2515 2520
        2537 2540 2550 2557 3210 3230 3317 3320 3330 3335 3337 3339 3340 3350 3360 3380 3427 3437
        3439 3450 3470 3475 3550 3570 3610 4200 4202 4210 4220 4250 4258 4260 4278 4288 4300 4302
        4308 4310 4330 4340 4350 4360 4400 4402 4410 4422 4430 4440 4460 4570 4590 4670 4690 5200
        5250 5257 5287 5300 5350 5575 5675 6200 6260 6267 6287 6300 6350 6360 6400 6402 6440 6442
        6500 6585 6600 6685 7200 7260 7267 7287 7300 7360 7400 7440 7442 7500 7600 7640 8200 8210
        8250 8257 8259 8260 8265 8269 8279 8300 8305 8310 8350 8365 8400 8500 8600 9300 9400 9500
        9600 10200 10210 10300 10310 10400 10500 10505 10600 1030 1035 1038 1130 1135 1140 1145
        1155 11260 11300 11320 11400 11500 11600 12400 12450 12490 12500 12600 1230 1235 1240 1245
        1250 13400 13420 13450 13490 13500 13505 13600 1334 1335 1340 1345 1350 14400 14401 14450
        14490 14500 14501 14600""",
    "7": """2600 2610 2617 2620 2629 2630 2635 2637 2640 2649 2655 2657 2670 2675 2677 2700 2710
        2715 2720 2760 2820 2860 2920 2960 3517 3520 3537 3540 3555 3610 3612 3615 3630 3632 3635
        3667 3687 3689 3720 3740 3770 3820 3840 3920 3930 3940 3960 3970 4500 4510 4550 4558 4560
        4578 4600 4610 4650 4700 4701 4702 4710 4712 4720 4722 4750 4760 4765 4770 4771 4785 4790
        4800 4810 4820 4850 4860 4870 4900 4910 4930 4940 4950 4960 4980 5500 5550 5557 5600 5650
        5700 5750 5775 5820 5850 5930 5950 5960 6500 6560 6567 6600 6650 6660 6700 6770 6785 6800
        6820 6822 6850 6870 6900 6920 6950 6970 7500 7560 7567 7600 7660 7700 7740 7800 7820 7920
        8086 8500 8550 8557 8559 8565 8569 8650 8665 8700 8705 8706 8709 8750 8809 8850 9700 9750
        9800 9850 10510 10610 10700 10710 10750 10810 10850 10870 10875 1060 1065 1068 1160 1165
        1180 1185 1195 11370 11375 11390 11600 11700 11800 11850 12650 12700 12800 12850 1250 1255
        1260 1265 1270 1280 13620 13650 13700 13705 13790 13800 13850 1355 1360 1365 1366 1370
        14650 14700 14701 14790""",
    "9": """7900 7920 7940 7960 7980 8950 9820 9880 9900 9920 9940 9960 9980 9990 10850 10880 10885
        10900 10910 10920 10940 10980 11900 11950 11980 12900 12950 13900 13901 13905 13950 13980
        14900 14901""",
}
_CORE_ULTRA: Final = {
    "5": "115 120 125 134 135 225 226 228 235 236 238 245 250",
    "7": "155 164 165 251 255 256 258 265 266 267 268 270",
    "9": "185 275 285 288 290",
}
# With the numbers of PRO, which people leave out.
_RYZEN: Final = {
    "3": """1200 1300 2200 2300 3100 3200 3250 3300 3350 4100 4200 4300 4350 4355 4450 5125 5300
        5350 5355 5380 5400 5425 5450 5475 7320 7330 7335 7440 8300 8440 110 210""",
    "5": """1400 1500 1600 2400 2500 2600 3350 3400 3450 3500 3550 3580 3600 4400 4500 4600 4650
        4655 4680 5500 5560 5600 5625 5645 5650 5655 5675 6600 6650 7235 7400 7430 7500 7520 7530
        7533 7535 7540 7545 7600 7640 7645 8400 8500 8540 8600 8640 8645 9500 9600 130 150
        215 220 230 240""",
    "7": """1700 1800 2700 2800 3700 3750 3780 3800 4700 4750 4800 4980 5700 5745 5750 5755 5800
        5825 5845 5850 5875 6800 6850 7435 7445 7700 7730 7735 7736 7745 7800 7840 8700 8745 8840
        8845 9700 9800 9850 160 170 250 255 260""",
    "9": """3900 3950 4900 5900 5945 5950 5980 6900 6950 6980 7845 7900 7940 7945 7950 8840 8940
        8945 9850 9900 9950 9955 270""",
}
_GRAPHICS: Final = {
    "nvidia-geforce-rtx-": """2050 2060 2070 2080 3050 3060 3070 3080 3090 4050 4060 4070 4080 4090
        5050 5060 5070 5080 5090""",
    "nvidia-geforce-gtx-": "1050 1060 1070 1080 1630 1650 1660",
    "amd-radeon-rx-": """5300 5500 5600 5700 6300 6400 6450 6500 6550 6600 6650 6700 6750 6800 6850
        6900 6950 7300 7400 7600 7650 7700 7800 7900 7990 9060 9070""",
}

SOLD: Final = {
    **{f"intel-core-i{tier}-": frozenset(numbers.split()) for tier, numbers in _CORE.items()},
    **{f"intel-core-ultra-{t}-": frozenset(numbers.split()) for t, numbers in _CORE_ULTRA.items()},
    **{f"amd-ryzen-{tier}-": frozenset(numbers.split()) for tier, numbers in _RYZEN.items()},
    **{line: frozenset(numbers.split()) for line, numbers in _GRAPHICS.items()},
}
"""The numbers without their suffix, by what stands before them in a canonical key."""
