"""The sentences about power limits."""

from kbapi.advice.wording.language import say
from kbapi.advice.wording.parts import percent


def method() -> str:
    """How the numbers were come by."""
    return say(
        "Each unit's performance and power under one load as shares of its own stock without a "
        "limit, pooled, made never falling and concave; intervals by drawing the units again. A "
        "contributor is heard with three units at most, and each point stands on five units."
    )


def above_stock() -> str:
    """Why nothing is told of a limit."""
    return say(
        "This lies above what the median unit draws at stock without a limit: nothing above stock "
        "is answered."
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
    told = say(
        "a limit of {limit} W ({low} to {high}), {power} of stock power, keeps {kept} of stock "
        "performance",
        limit=limit_w,
        low=interval[0],
        high=interval[1],
        power=percent(power_share),
        kept=percent(keep_share),
    )
    if not is_at_edge:
        return told
    return say(
        "{limit}; nothing lower was measured, so that a lower one may do as well", limit=told
    )


def best_in_words(limit_w: float, per_watt: float, *, is_at_edge: bool) -> str:
    """Where performance per watt is largest, in one sentence.

    >>> best_in_words(30.0, 1.42, is_at_edge=True)
    'the most performance per watt, 1.42 times stock, is at 30.0 W, the lowest that was measured'
    """
    told = say(
        "the most performance per watt, {ratio} times stock, is at {limit} W",
        ratio=f"{per_watt:.2f}",
        limit=limit_w,
    )
    return say("{best}, the lowest that was measured", best=told) if is_at_edge else told


def at_limit_in_words(
    limit_w: float, stock: float | None, gain: tuple[float, float, float] | None
) -> str:
    """What a limit costs at stock, and what tuning gains under it."""
    if stock is None:
        return say("Nothing at stock was measured as low as {limit} W.", limit=limit_w)
    told = say(
        "At {limit} W stock keeps {kept} % of its performance",
        limit=limit_w,
        kept=f"{stock * 100:.1f}",
    )
    if gain is None:
        return say("{at_stock}; tuned, too few units were measured there.", at_stock=told)
    ratio, low, high = gain
    if low <= 1 <= high:
        return say(
            "{at_stock}; what tuning changes there is not larger than the noise.", at_stock=told
        )
    size = {"size": f"{abs(ratio - 1) * 100:.1f}", "low": f"{low:.3f}", "high": f"{high:.3f}"}
    if ratio > 1:
        return say(
            "{at_stock}; tuned, {size} % more ({low} to {high} times), which is larger than the "
            "noise.",
            at_stock=told,
            **size,
        )
    return say(
        "{at_stock}; tuned, {size} % less ({low} to {high} times), which is larger than the noise.",
        at_stock=told,
        **size,
    )


def summary_of_power(chip_name: str, load: str, stock: str | None, tuned: str | None) -> str:
    """One sentence for each curve."""
    parts = []
    if stock:
        parts.append(say("at stock, {limit}", limit=stock))
    if tuned:
        parts.append(say("tuned, {limit}", limit=tuned))
    return say("{chip}, {load}: {parts}.", chip=chip_name, load=load, parts=say("; ").join(parts))


def nothing_to_tell(chip_name: str, *, any_units: bool) -> str:
    """Why there are no numbers."""
    if any_units:
        return say(
            "Fewer than five units of {chip} were measured at two powers or more. Measure stock "
            "without a limit and under two or three lower ones, the same load each time, and send "
            "the readings.",
            chip=chip_name,
        )
    return say(
        "Nobody has sent readings of {chip} under several power limits. Measure stock without a "
        "limit and under two or three lower ones, the same load each time, and send the readings.",
        chip=chip_name,
    )
