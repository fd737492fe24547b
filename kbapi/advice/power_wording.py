"""The sentences about power limits: numbers in, plain words out."""

from typing import Final

METHOD: Final = (
    "Each unit's performance and power under one load as shares of its own stock without a limit, "
    "pooled, made never falling and concave; intervals by drawing the units again. A contributor "
    "is heard with three units at most, and each point stands on five units."
)
ABOVE_STOCK: Final = (
    "This lies above what the median unit draws at stock without a limit: nothing above stock is "
    "answered."
)


def limit_in_words(
    keep_share: float,
    power_share: float,
    limit_w: float,
    interval: tuple[float, float],
    *,
    is_at_edge: bool,
) -> str:
    """The smallest limit in one sentence.

    >>> limit_in_words(0.95, 0.8, 48.0, (46.1, 50.2), is_at_edge=False)
    'a limit of 48.0 W (46.1 to 50.2), 80 % of stock power, keeps 95 % of stock performance'
    """
    lower = "; nothing lower was measured, so that a lower one may do as well" if is_at_edge else ""
    return (
        f"a limit of {limit_w} W ({interval[0]} to {interval[1]}), {power_share * 100:.0f} % of "
        f"stock power, keeps {keep_share * 100:.0f} % of stock performance{lower}"
    )


def best_in_words(limit_w: float, per_watt: float, *, is_at_edge: bool) -> str:
    """Where performance per watt is largest, in one sentence.

    >>> best_in_words(30.0, 1.42, is_at_edge=True)
    'the most performance per watt, 1.42 times stock, is at 30.0 W, the lowest that was measured'
    """
    edge = ", the lowest that was measured" if is_at_edge else ""
    return f"the most performance per watt, {per_watt:.2f} times stock, is at {limit_w} W{edge}"


def at_limit_in_words(
    limit_w: float, stock: float | None, gain: tuple[float, float, float] | None
) -> str:
    """What a limit costs at stock, and what tuning gains under it."""
    if stock is None:
        return f"Nothing at stock was measured as low as {limit_w} W."
    told = f"At {limit_w} W stock keeps {stock * 100:.1f} % of its performance"
    if gain is None:
        return f"{told}; tuned, too few units were measured there."
    ratio, low, high = gain
    if low <= 1 <= high:
        return f"{told}; what tuning changes there is not larger than the noise."
    more = "more" if ratio > 1 else "less"
    return (
        f"{told}; tuned, {abs(ratio - 1) * 100:.1f} % {more} ({low:.3f} to {high:.3f} times), "
        "which is larger than the noise."
    )


def summary_of_power(chip_name: str, load: str, stock: str | None, tuned: str | None) -> str:
    """One sentence for each curve."""
    parts = [f"{state}, {told}" for state, told in (("at stock", stock), ("tuned", tuned)) if told]
    return f"{chip_name}, {load}: {'; '.join(parts)}."


def nothing_to_tell(chip_name: str, *, any_units: bool) -> str:
    """Why there are no numbers."""
    told = (
        f"Fewer than five units of {chip_name} were measured at two powers or more"
        if any_units
        else f"Nobody has sent readings of {chip_name} under several power limits"
    )
    return (
        f"{told}. Measure stock without a limit and under two or three lower ones, the same load "
        "each time, and send the readings."
    )
