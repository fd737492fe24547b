"""Readings at several powers become one pool: the points of the best known load of a chip."""

from collections import Counter
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from kbapi.evidence.pair_units import few_of_each, latest_of_each, mean_by, ranks_of
from kbapi.stats.power_curve import CurvePoints
from kbapi.storage.reading_rows import CurveColumns
from kbapi.vocabulary import Load, PowerScope

Vector = NDArray[np.float64]


@dataclass(frozen=True)
class PowerPool:
    """The units of one load and one scope of power."""

    load: Load
    power_scope: PowerScope | Literal[""]
    """Of what the power is; empty where nobody said."""
    stock: CurvePoints
    tuned: CurvePoints
    stock_power_w: Vector
    """One a unit."""
    left_out: int
    """Further units of contributors who are heard with three."""

    @property
    def units(self) -> int:
        """How many there are."""
        return len(self.stock_power_w)


def largest_power_pool(curves: CurveColumns) -> PowerPool:
    """The load and scope that most units tell a curve of, the first by name of equal ones."""
    told = set(zip(curves.load, curves.power_scope, curves.unit_id, strict=True))
    sizes = Counter(place[:2] for place in told)
    load, scope = min(sizes, key=lambda place: (-sizes[place], place))
    inside = (np.array(curves.load) == load) & (np.array(curves.power_scope) == scope)
    month = ranks_of(curves.month)
    rows = latest_of_each(np.array(curves.unit_id), month, np.flatnonzero(inside))
    return _pool(curves, load, scope, rows, month)


def _pool(
    curves: CurveColumns,
    load: Load,
    scope: PowerScope | Literal[""],
    rows: NDArray[np.int64],
    month: NDArray[np.int64],
) -> PowerPool:
    """The pool of these readings: points of one load and scope, of each unit's latest month."""
    stock_w = np.array(curves.stock_power_w)[rows]
    power = np.array(curves.power_w)[rows] / stock_w
    performance = np.array(curves.performance)[rows]
    is_tuned = np.array(curves.is_tuned)[rows] == 1
    _, first, owner = np.unique(
        np.array(curves.unit_id)[rows], return_index=True, return_inverse=True
    )
    lead = rows[first]
    mean_w = mean_by(owner, stock_w)
    # Units without a token have no order of their own: what they measured tells them apart.
    content = mean_w, mean_by(owner, power), mean_by(owner, performance)
    order = ranks_of(curves.unit_order)[lead], *content
    heard = few_of_each(np.array(curves.contributor_id)[lead], month[lead], order)
    place = np.full(len(first), -1)
    place[heard] = np.arange(len(heard))
    unit = place[owner]
    stock, tuned = (unit >= 0) & ~is_tuned, (unit >= 0) & is_tuned
    return PowerPool(
        load=load,
        power_scope=scope,
        stock=CurvePoints(unit[stock], power[stock], performance[stock]),
        tuned=CurvePoints(unit[tuned], power[tuned], performance[tuned]),
        stock_power_w=mean_w[heard],
        left_out=len(first) - len(heard),
    )
