"""The sentences about power limits."""

from typing import Final

from kbapi.advice.wording.language import marked, say
from kbapi.advice.wording.parts import percent, shown_from_five
from kbapi.evidence.small_cells import FEWEST_UNITS_SHOWN


def method() -> str:
    """How the numbers are computed."""
    return say(
        "Performance and power of each machine are shares of its own stock without a limit, under "
        "one load. The pooled curve never falls and is concave. Intervals come from resampling the "
        "machines. Each contributor supplies at most three machines, and each point needs five "
        "machines."
    )


def above_stock(limit_w: float) -> str:
    """Why there is no answer for a limit."""
    return say(
        "{limit} W is above the stock power of the median machine. Limits above stock get no "
        "answer.",
        limit=f"{limit_w:g}",
    )


_KEEPS: Final = {
    "stock": marked(
        "At stock, {limit} W ({low} W to {high} W) keeps {kept} of stock performance at {power} of "
        "stock power."
    ),
    "tuned": marked(
        "Tuned, {limit} W ({low} W to {high} W) keeps {kept} of stock performance at {power} of "
        "stock power."
    ),
}
_KEEPS_AT_EDGE: Final = {
    "stock": marked("At stock, no lower limit was measured: a lower one may keep as much."),
    "tuned": marked("Tuned, no lower limit was measured: a lower one may keep as much."),
}


def limit_in_words(
    state: str,
    keep_share: float,
    power_share: float,
    limit_w: float,
    interval: tuple[float, float],
    *,
    is_lowest_measured: bool,
) -> str:
    """The smallest limit, with its interval.

    >>> limit_in_words("stock", 0.95, 0.8, 48.0, (46.1, 50.2), is_lowest_measured=False)
    'At stock, 48.0 W (46.1 W to 50.2 W) keeps 95 % of stock performance at 80 % of stock power.'
    """
    told = say(
        _KEEPS[state],
        limit=limit_w,
        low=interval[0],
        high=interval[1],
        power=percent(power_share),
        kept=percent(keep_share),
    )
    return f"{told} {say(_KEEPS_AT_EDGE[state])}" if is_lowest_measured else told


_BEST: Final = {
    ("stock", False): marked(
        "At stock, performance per watt is best at {limit} W: {ratio} times stock."
    ),
    ("stock", True): marked(
        "At stock, performance per watt is best at {limit} W, the lowest measured limit: {ratio} "
        "times stock."
    ),
    ("tuned", False): marked(
        "Tuned, performance per watt is best at {limit} W: {ratio} times stock."
    ),
    ("tuned", True): marked(
        "Tuned, performance per watt is best at {limit} W, the lowest measured limit: {ratio} "
        "times stock."
    ),
}


def best_in_words(state: str, limit_w: float, per_watt: float, *, is_lowest_measured: bool) -> str:
    """Where performance per watt is largest.

    >>> best_in_words("tuned", 30.0, 1.42, is_lowest_measured=False)
    'Tuned, performance per watt is best at 30.0 W: 1.42 times stock.'
    """
    return say(_BEST[state, is_lowest_measured], ratio=f"{per_watt:.2f}", limit=limit_w)


def at_limit_in_words(
    limit_w: float, stock: float | None, gain: tuple[float, float, float] | None
) -> str:
    """What a limit costs at stock, and what tuning gains under it."""
    if stock is None:
        return say("No stock reading is as low as {limit} W.", limit=limit_w)
    told = say(
        "At {limit} W, stock keeps {kept} % of its performance.",
        limit=limit_w,
        kept=f"{stock * 100:.1f}",
    )
    return f"{told} {_tuned_in_words(gain)}"


def _tuned_in_words(gain: tuple[float, float, float] | None) -> str:
    if gain is None:
        return say("Tuned, too few machines were measured at this limit.")
    ratio, low, high = gain
    if low <= 1 <= high:
        return say("Tuned, the change at this limit is within the noise.")
    size, low_size, high_size = (f"{abs(one - 1) * 100:.1f}" for one in (ratio, low, high))
    if ratio > 1:
        return say(
            "Tuned, performance is {size} % higher ({low} % to {high} %), above the noise.",
            size=size,
            low=low_size,
            high=high_size,
        )
    return say(
        "Tuned, performance is {size} % lower ({low} % to {high} %), above the noise.",
        size=size,
        low=high_size,
        high=low_size,
    )


def summary_of_power(
    load: str,
    keep_share: float,
    limits: tuple[float | None, float | None],
    best: tuple[float | None, float | None],
) -> str:
    """The smallest limits at stock and tuned, or where performance per watt is best."""
    is_kept = any(one is not None for one in limits)
    stock, tuned = limits if is_kept else best
    which = "both" if stock and tuned else "stock" if stock else "tuned"
    return say(
        _SUMMARIES[is_kept, which], stock=stock, tuned=tuned, kept=percent(keep_share), load=load
    )


_SUMMARIES: Final = {
    (True, "both"): marked(
        "{stock} W keeps {kept} of stock performance; tuned, {tuned} W is enough ({load})."
    ),
    (True, "stock"): marked("{stock} W keeps {kept} of stock performance ({load})."),
    (True, "tuned"): marked("Tuned, {tuned} W keeps {kept} of stock performance ({load})."),
    (False, "both"): marked(
        "{stock} W gives the best performance per watt at stock, {tuned} W tuned ({load})."
    ),
    (False, "stock"): marked("{stock} W gives the best performance per watt at stock ({load})."),
    (False, "tuned"): marked("Tuned, {tuned} W gives the best performance per watt ({load})."),
}


def nothing_measured() -> str:
    """The headline where there are no numbers."""
    return say("No power limits can be shown yet.")


def why_nothing(units: int, *, is_filtered: bool) -> str:
    """Why there are no numbers, and what to send."""
    if not units:
        why = say("No machine was measured under several power limits.")
    else:
        is_told = not is_filtered and units < FEWEST_UNITS_SHOWN
        why = shown_from_five(FEWEST_UNITS_SHOWN - units if is_told else None)
    send = say(
        "Measure stock without a limit and under two or three lower limits, with one load, and "
        "send the readings."
    )
    return f"{why} {send}"


_WITHHELD: Final = {
    "stock": marked("The curve at stock is withheld."),
    "tuned": marked("The tuned curve is withheld."),
}


def withheld_curve(state: str, units: int, *, is_filtered: bool) -> str:
    """That a curve is withheld, and how many more machines it takes."""
    is_told = not is_filtered and units < FEWEST_UNITS_SHOWN
    missing = FEWEST_UNITS_SHOWN - units if is_told else None
    return f"{say(_WITHHELD[state])} {shown_from_five(missing)}"
