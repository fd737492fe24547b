"""Names that several chips share: families, code names, laptop parts named as desktop ones."""

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
