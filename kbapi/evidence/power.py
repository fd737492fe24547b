"""Readings at several powers become one pool: the points of the best known load of a chip."""

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kbapi.evidence.few_of_each import few_of_each
from kbapi.stats.power_curve import CurvePoints
from kbapi.storage.reading_rows import CurveRow

_Point = tuple[str, float, float]
"""State, power and performance, each over the unit's own uncapped stock."""


@dataclass(frozen=True, slots=True)
class UnitCurve:
    """One unit's points in its latest month."""

    contributor_id: int
    month: str
    order: tuple[object, ...]
    stock_power_w: float
    points: tuple[_Point, ...]


@dataclass(frozen=True, slots=True)
class PowerPool:
    """The units of one load and one scope of power."""

    load: str
    power_scope: str
    """Of what the power is; empty where nobody said."""
    stock: CurvePoints
    tuned: CurvePoints
    stock_power_w: NDArray[np.float64]
    """One a unit."""
    units: int
    left_out: int
    """Further units of contributors who are heard with three."""


def largest_power_pool(rows: Iterable[CurveRow]) -> PowerPool | None:
    """The load and scope that most units tell a curve of; the first by name of equal ones."""
    pools: dict[tuple[str, str], dict[int, list[CurveRow]]] = {}
    for row in rows:
        units = pools.setdefault((row.load, row.power_scope), {})
        units.setdefault(row.unit_id, []).append(row)
    curves = {
        place: [curve for rows in units.values() if (curve := _unit_curve(rows)).points]
        for place, units in pools.items()
    }
    if not any(curves.values()):
        return None
    load, scope = min(curves, key=lambda place: (-len(curves[place]), place))
    told = curves[load, scope]
    heard = few_of_each(told)
    return PowerPool(
        load=load,
        power_scope=scope,
        stock=_points(heard, "stock"),
        tuned=_points(heard, "tuned"),
        stock_power_w=np.array([unit.stock_power_w for unit in heard]),
        units=len(heard),
        left_out=len(told) - len(heard),
    )


def _unit_curve(rows: list[CurveRow]) -> UnitCurve:
    month = max(row.month for row in rows)
    latest = [row for row in rows if row.month == month]
    points = sorted(
        (row.state, row.power_w / row.stock_power_w, row.performance)
        for row in latest
        if row.state == "tuned" or not row.is_uncapped
    )
    stock_w = sorted(row.stock_power_w for row in latest)
    mean_w = math.fsum(stock_w) / len(stock_w)
    first = latest[0]
    order = (first.unit_order, mean_w, *points)
    return UnitCurve(first.contributor_id, month, order, mean_w, tuple(points))


def _points(units: list[UnitCurve], state: str) -> CurvePoints:
    told = [
        (place, power, performance)
        for place, unit in enumerate(units)
        for of_state, power, performance in unit.points
        if of_state == state
    ]
    place, power, performance = zip(*told, strict=True) if told else ((), (), ())
    return CurvePoints(
        np.array(place, dtype=np.int64),
        np.array(power, dtype=np.float64),
        np.array(performance, dtype=np.float64),
    )
