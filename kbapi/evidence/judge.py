"""How much each contributor's results weigh in a pool."""

from typing import Final

UNITS_OF_FULL_WEIGHT: Final = 3
"""One contributor's units weigh min(1, 3 / their number) each: a flood counts as three units."""
