"""Three shapes that a chip's limits can have: a long weak tail, none, a long deep tail.

Each is told by its mean and standard deviation, so that the same belief about both serves all.
"""

from enum import StrEnum
from typing import Final

import numpy as np
import scipy
from numpy.typing import NDArray

Vector = NDArray[np.float64]

_EULER: Final = 0.5772156649015329
# Standard deviations for one unit of spread of an extreme-value distribution.
_SD: Final = float(np.pi / np.sqrt(6.0))
# Beyond this exponent every share is 0 or 1, and exp would overflow.
_STEEP: Final = 50.0


class Shape(StrEnum):
    """Which way the longer tail of a distribution points."""

    SMALLEST_EXTREME = "smallest_extreme_value"
    NORMAL = "normal"
    LARGEST_EXTREME = "largest_extreme_value"


FARTHEST: Final = {
    Shape.SMALLEST_EXTREME: 4.0,
    Shape.NORMAL: 5.0,
    Shape.LARGEST_EXTREME: 8.0,
}
"""Standard deviations beyond the mean that fewer than one unit in 10,000 reaches."""


def survival(shape: Shape, deviations: Vector) -> Vector:
    """The share that lies beyond so many standard deviations from the mean; input overwritten.

    References
    ----------
    Meeker & Escobar (1998), Statistical Methods for Reliability Data, sections 4.5 (normal), 4.6
    (smallest extreme value) and 4.7 (largest): S(u) = exp(-exp(u)), 1 - Phi(z) and
    1 - exp(-exp(-u)), where z = 0.780 (u + 0.577) and 0.780 (u - 0.577 mirrored) have mean 0.

    >>> [round(float(survival(shape, np.zeros(1))[0]), 4) for shape in Shape]
    [0.5704, 0.5, 0.4296]
    """
    if shape is Shape.NORMAL:
        np.negative(deviations, out=deviations)
        return np.asarray(scipy.special.ndtr(deviations, out=deviations))
    # In place: these are the largest arrays of an answer.
    sign = 1.0 if shape is Shape.SMALLEST_EXTREME else -1.0
    deviations *= sign * _SD
    deviations -= _EULER
    np.exp(np.minimum(deviations, _STEEP, out=deviations), out=deviations)
    np.negative(deviations, out=deviations)
    if shape is Shape.SMALLEST_EXTREME:
        return np.asarray(np.exp(deviations, out=deviations))
    return np.asarray(np.negative(np.expm1(deviations, out=deviations), out=deviations))


def deviations_at(shape: Shape, share: float) -> float:
    """Standard deviations from the mean to the depth that the share reaches.

    >>> [round(deviations_at(shape, 0.90), 3) for shape in Shape]
    [-1.305, -1.282, -1.1]
    """
    if shape is Shape.NORMAL:
        return float(-scipy.special.ndtri(share))
    if shape is Shape.SMALLEST_EXTREME:
        return float((np.log(-np.log(share)) + _EULER) / _SD)
    return float((-np.log(-np.log1p(-share)) - _EULER) / _SD)
