"""What members did to cool their machines, and what that does to heat and, slightly, to limits."""

from dataclasses import dataclass
from random import Random
from typing import Final


@dataclass(frozen=True, slots=True)
class Cooling:
    """One way to be cooled."""

    words: tuple[str, ...]
    share: float
    """Of all machines."""
    heat: float
    """Degrees above ambient, as a factor of what the stock cooler reaches."""
    limit_mv: float
    """How much deeper a core rail runs; a cooler chip leaks and drops less."""


COOLING: Final = (
    Cooling(("stock",), 0.60, 1.00, 0.0),
    Cooling(("repasted",), 0.20, 0.92, 1.5),
    Cooling(("repasted", "cleaned"), 0.08, 0.88, 2.0),
    Cooling(("pad",), 0.08, 0.94, 1.0),
    Cooling(("liquid",), 0.04, 0.78, 3.0),
)


def draw_cooling(rng: Random) -> Cooling:
    """The cooling of one machine."""
    return rng.choices(COOLING, [kind.share for kind in COOLING])[0]
