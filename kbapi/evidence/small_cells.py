"""Which cells of a breakdown are withheld, so that no contributor can be recognised."""

from collections.abc import Sequence
from typing import Final

FEWEST_UNITS_SHOWN: Final = 5
"""A breakdown into fewer units than this is withheld: so few could be recognised."""


def is_small(units: int) -> bool:
    """Whether so few units are behind a cell that it is withheld."""
    return 0 < units < FEWEST_UNITS_SHOWN


def shown_cells(
    units: Sequence[int], beside: int = 0, withheld: Sequence[int] = ()
) -> tuple[bool, ...]:
    """Which cells may be shown where the sum over all of them is shown as well.

    Small cells are withheld. Where they hold so few units together that the sum without the shown
    cells would show them, the smallest of the others goes with them.

    Parameters
    ----------
    units
        Of each cell.
    beside
        Units of the sum that are in no cell.
    withheld
        Places of cells that are withheld for another reason.

    References
    ----------
    Secondary suppression: Hundepool et al. (2012), *Statistical Disclosure Control*, section 4.3.

    >>> shown_cells([9, 3, 7])
    (True, False, False)
    >>> shown_cells([9, 3, 7], beside=2), shown_cells([9, 3, 2])
    ((True, False, True), (True, False, False))
    """
    hidden = {place for place, cell in enumerate(units) if is_small(cell)} | set(withheld)
    others = sorted((cell, place) for place, cell in enumerate(units) if place not in hidden)
    for cell, place in others:
        if not hidden or not is_small(beside + sum(units[one] for one in hidden)):
            break
        if cell:
            hidden.add(place)
    return tuple(place not in hidden for place in range(len(units)))
