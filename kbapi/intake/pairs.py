"""Readings of one load at stock and tuned, side by side."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from kbapi.intake.documents import Reading


@dataclass(frozen=True, slots=True)
class ReadingPair:
    """The same load under the same power limit, measured the same way, at stock and tuned."""

    stock: Reading
    tuned: Reading

    @property
    def has_fixed_fan(self) -> bool:
        """Whether the fan was held at one speed both times."""
        return self.stock.fan == self.tuned.fan == "fixed"


def pairs_of(readings: Sequence[Reading]) -> Iterator[ReadingPair]:
    """Every pair of readings that may be compared."""
    for stock in readings:
        if stock.state != "stock" or stock.load is None:
            continue
        for tuned in readings:
            if tuned.state == "tuned" and _are_comparable(stock, tuned):
                yield ReadingPair(stock, tuned)


def _are_comparable(stock: Reading, tuned: Reading) -> bool:
    return (stock.load, stock.power_cap_w, stock.power_scope, stock.clock_kind) == (
        tuned.load,
        tuned.power_cap_w,
        tuned.power_scope,
        tuned.clock_kind,
    )


def is_equal(one: float | None, other: float | None, tolerance: float) -> bool:
    """Whether both are told and differ by no more than this share of the larger."""
    if one is None or other is None:
        return False
    return abs(one - other) <= tolerance * max(one, other)


def ratio(tuned: float | None, stock: float | None) -> float | None:
    """Tuned over stock, None unless both are told and positive."""
    if tuned is None or stock is None or tuned <= 0 or stock <= 0:
        return None
    return tuned / stock


def rise_c(pair: ReadingPair, name: str) -> float | None:
    """How much hotter tuned was than stock above the room; None unless it can be told.

    Where neither room was told they are taken to be the same room.
    """
    stock, tuned = getattr(pair.stock, name), getattr(pair.tuned, name)
    rooms = (pair.stock.ambient_c, pair.tuned.ambient_c)
    if stock is None or tuned is None or pair.stock.temp_sensor != pair.tuned.temp_sensor:
        return None
    if rooms == (None, None):
        return float(tuned - stock)
    if None in rooms:
        return None
    return float((tuned - pair.tuned.ambient_c) - (stock - pair.stock.ambient_c))
