"""Names that several chips share: families, code names, laptop parts named as desktop ones."""

import re
from typing import Final

# A family's name says that a chip is there, but not which. Covers all words after the maker.
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
    r"|u?hd graphics (?:for .*|xe.*|\d+ ?eu|family)"
    r"|arc|iris(?: plus| pro)?|(?:geforce|quadro)(?: laptop)?(?: rtx| gtx| mx)?"
    r"|geforce (?:rtx |gtx )?\d{2,4}m? series"
    r"|.*\b(?:graphics controller|integrated graphics device|graphics and display)\b.*"
    # A driver or a database that has no name for the chip.
    r"|graphics device|unknown(?: \w+)?(?: graphics)?"
    r"|.*\bgraphics media accelerator\b.*|gma .*|.*\bexpress chipset\b.*|.*\bseries chipset\b.*"
)

# What renderers and PCI databases call a chip inside its maker.
CODE_NAMES: Final = re.compile(
    r"(?:radv )?(?:(?:turks|caicos|cedar|barts|cayman|juniper|cypress|redwood|sumo2?|palm|aruba|"
    r"hawaii|tonga|fiji|bonaire|pitcairn|tahiti|oland|hainan|(?:cape )?verde|kaveri|kabini|mullins|"
    r"carrizo|stoney(?: ridge)?|topaz|iceland|ellesmere|baffin|lexa|polaris ?\d*|vega ?\d\d|"
    r"vega ?m|raven ?2?|picasso|renoir|cezanne|barcelo|lucienne|rembrandt|phoenix ?\d?|"
    r"hawk ?point ?\d?|strix(?: point| halo)?|krackan ?\d?|gorgon(?: point)?|van ?gogh|mendocino|"
    r"raphael|granite ridge|dragon range|navi ?\d\d|gfx ?\d{3,4}[a-f0-9]?|arcturus|aldebaran|"
    r"sienna cichlid|navy flounder|dimgrey cavefish|beige goby|yellow carp|rv\d{3}|r[67]\d{2}|"
    r"wani|wrestler|temash|beema|carrizo l|amur|nv[0-9a-f]{2,3}|g[mpakf]\d{3}[a-z]*|tu\d{3}[a-z]*|"
    r"ga\d{3}[a-z]*|ad\d{3}[a-z]*|gb\d{3}[a-z]*|"
    r"(?:sandy ?bridge|ivy ?bridge|haswell|broadwell|bay ?trail|cherry ?(?:trail|view)|braswell|"
    r"sky ?lake|kaby ?lake|coffee ?lake|comet ?lake|whiskey ?lake|amber ?lake|ice ?lake|"
    r"tiger ?lake|rocket ?lake|alder ?lake|raptor ?lake|meteor ?lake|lunar ?lake|arrow ?lake|"
    r"panther ?lake|wildcat ?lake|jasper ?lake|elkhart ?lake|gemini ?lake|apollo ?lake|geminilake|"
    r"twin ?lake|crystal ?well|dg[12]|battlemage|alchemist|hsw|bdw|skl|kbl|cfl|cml|icl|tgl|adl|"
    r"rpl|mtl|lnl|arl)(?: [a-z]{1,3}| desktop| laptop| ult| ulx)*(?: gt ?\d\w?| g\d\d)?"
    r"(?: graphics)?)"
    r"(?: xtx?| xl| pro| le| gl| prime)*(?: laptop)?(?: / )?)+"
)

# The driver prints one name for the desktop part and the laptop part of these.
_SHARED_WITH_LAPTOP: Final = (
    "nvidia-geforce-gtx-1050", "nvidia-geforce-gtx-1050-ti", "nvidia-geforce-gtx-1070",
    "nvidia-geforce-gtx-1080", "nvidia-geforce-gtx-1650", "nvidia-geforce-gtx-1650-ti",
    "nvidia-geforce-gtx-1660-ti",
    "nvidia-geforce-rtx-2060", "nvidia-geforce-rtx-2070", "nvidia-geforce-rtx-2070-super",
    "nvidia-geforce-rtx-2080", "nvidia-geforce-rtx-2080-super", "nvidia-quadro-rtx-4000",
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
    r"|amd-radeon-r\d-m\d+x?|intel-core-i\d-\d+(?:u|y|h|hq|hk|hx|m|mq|mx|p|n?g\d)"
    r"|amd-ryzen-.*\d(?:u|h|hs|hx|hx3d)|intel-arc-.*\dm"
)


def is_laptop_key(key: str) -> bool:
    """Whether the key's own words say that the part is made for laptops."""
    return _LAPTOP_KEY.fullmatch(key) is not None
