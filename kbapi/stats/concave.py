"""Curves that only rise and only flatten: least squares first, then the least concave majorant."""

import numpy as np
from numpy.typing import NDArray

Vector = NDArray[np.float64]
Matrix = NDArray[np.float64]


def isotonic(heights: Matrix, weight: Matrix) -> Matrix:
    """The never falling least-squares fit of each row.

    Parameters
    ----------
    heights, weight : float64 arrays, shape (b, k)
        One curve a row, its points from left to right; weights positive.

    References
    ----------
    Robertson, Wright & Dykstra (1988), *Order Restricted Statistical Inference*, theorem 1.4.4:
    the largest over all beginnings of the smallest over all ends of the weighted means.

    >>> nine = np.array([[1.0, 0, 4, 3, 3, 5, 4, 2, 0]])
    >>> isotonic(nine, np.ones((1, 9))).tolist()
    [[0.5, 0.5, 3.0, 3.0, 3.0, 3.0, 3.0, 3.0, 3.0]]
    """
    rows, points = heights.shape
    total = np.zeros((rows, points + 1))
    mass = np.zeros((rows, points + 1))
    np.cumsum(heights * weight, axis=1, out=total[:, 1:])
    np.cumsum(weight, axis=1, out=mass[:, 1:])
    best = np.full((rows, points), -np.inf)
    for begin in range(points):
        means = (total[:, begin + 1 :] - total[:, begin, None]) / (
            mass[:, begin + 1 :] - mass[:, begin, None]
        )
        smallest = np.minimum.accumulate(means[:, ::-1], axis=1)[:, ::-1]
        np.maximum(best[:, begin:], smallest, out=best[:, begin:])
    return best


def concave_majorant(at: Vector, heights: Matrix) -> Matrix:
    """The lowest concave curve through or above the points of each row.

    Parameters
    ----------
    at : float64 array, shape (k,)
        Ascending and distinct.
    heights : float64 array, shape (b, k)
        One curve a row. A curve that never falls has a majorant that never falls.

    References
    ----------
    Robertson, Wright & Dykstra (1988), section 1.2 (the greatest convex minorant, mirrored); found
    from vertex to vertex, the steepest slope onward first (Jarvis 1973).

    >>> concave_majorant(np.array([0.0, 1, 2, 3]), np.array([[0.0, 0, 2, 3]])).tolist()
    [[0.0, 1.0, 2.0, 3.0]]
    """
    rows, points = heights.shape
    row = np.arange(rows)
    vertex = np.zeros(rows, dtype=np.int64)
    place = np.arange(points)
    hull = heights.copy()
    while (vertex < points - 1).any():
        base, start = heights[row, vertex], at[vertex]
        behind = place[None, :] > vertex[:, None]
        run = np.where(behind, at[None, :] - start[:, None], 1.0)
        slopes = np.where(behind, (heights - base[:, None]) / run, -np.inf)
        onward = np.where(vertex < points - 1, np.argmax(slopes, axis=1), vertex)
        line = base[:, None] + slopes[row, onward][:, None] * run
        hull = np.where(behind & (place[None, :] < onward[:, None]), line, hull)
        vertex = onward
    return hull


def rise_and_flatten(at: Vector, heights: Matrix, weight: Matrix) -> Matrix:
    """Each row made monotone, then concave; parameters as in the two steps.

    >>> at = np.array([0.0, 1, 2])
    >>> rise_and_flatten(at, np.array([[0.0, 3, 2]]), np.ones((1, 3))).tolist()
    [[0.0, 2.5, 2.5]]
    """
    return concave_majorant(at, isotonic(heights, weight))
