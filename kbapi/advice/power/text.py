"""The sentences about power limits."""

from typing import Final

from kbapi.advice.phrases import load_text, machines_text, percent, shown_from_five
from kbapi.evidence.small_cells import FEWEST_SHOWN
from kbapi.stats.gains.power_curve import FEWEST_FOR_GAIN


def method() -> str:
    """How the numbers are computed."""
    return (
        "Performance and power of each machine are shares of its own stock without a limit, under "
        "one load. The pooled curve never falls and is concave. Intervals come from resampling the "
        "machines. Each contributor supplies at most three machines, and each point needs five "
        "known contributors."
    )


def above_stock(limit_w: float) -> str:
    """Why there is no answer for a limit above stock."""
    return (
        f"{limit_w:g} W is above the stock power of the median machine. Limits above stock get no "
        "answer."
    )


_STATES: Final = {"stock": "At stock", "tuned": "Tuned"}


def limit_text(
    state: str,
    keep_share: float,
    power_share: float,
    limit_w: float,
    interval: tuple[float, float],
    *,
    is_lowest_measured: bool,
) -> str:
    """The smallest limit that keeps the wanted performance, with its interval.

    >>> limit_text("stock", 0.95, 0.8, 48.0, (46.1, 50.2), is_lowest_measured=False)
    'At stock, 48.0 W (46.1 W to 50.2 W) keeps 95 % of stock performance at 80 % of stock power.'
    """
    when, (low, high) = _STATES[state], interval
    limit = (
        f"{when}, {limit_w} W ({low} W to {high} W) keeps {percent(keep_share)} of stock "
        f"performance at {percent(power_share)} of stock power."
    )
    if is_lowest_measured:
        limit += f" {when}, no lower limit was measured: a lower one may keep as much."
    return limit


def best_text(state: str, limit_w: float, per_watt: float, *, is_lowest_measured: bool) -> str:
    """The limit with the best performance per watt.

    >>> best_text("tuned", 30.0, 1.42, is_lowest_measured=False)
    'Tuned, performance per watt is best at 30.0 W: 1.42 times stock.'
    """
    lowest = ", the lowest measured limit" if is_lowest_measured else ""
    return (
        f"{_STATES[state]}, performance per watt is best at {limit_w} W{lowest}: "
        f"{per_watt:.2f} times stock."
    )


def at_limit_text(
    limit_w: float, stock: float | None, gain: tuple[float, float, float] | None
) -> str:
    """What a limit costs at stock, and what tuning gains under it."""
    if stock is None:
        return f"No stock reading is as low as {limit_w} W."
    kept = f"At {limit_w} W, stock keeps {stock * 100:.1f} % of its performance."
    return f"{kept} {_tuned_text(gain)}"


def _tuned_text(gain: tuple[float, float, float] | None) -> str:
    if gain is None:
        return f"The gain from tuning takes {machines_text(FEWEST_FOR_GAIN)} near this limit."
    ratio, low, high = gain
    if low <= 1 <= high:
        return "Tuned, the change at this limit is within the noise."
    size, least, most = (f"{abs(one - 1) * 100:.1f}" for one in (ratio, low, high))
    change = f"{size} % higher ({least} % to {most} %)"
    if ratio <= 1:
        change = f"{size} % lower ({most} % to {least} %)"
    return f"Tuned, performance is {change}, more than chance."


def summary_of_power(
    load: str,
    keep_share: float,
    limits: tuple[float | None, float | None],
    best: tuple[float | None, float | None],
) -> str:
    """The smallest limits at stock and tuned, or where performance per watt is best."""
    if any(one is not None for one in limits):
        return f"{_limits_text(percent(keep_share), *limits)} ({load_text(load)})."
    return f"{_best_limits_text(*best)} ({load_text(load)})."


def _limits_text(kept: str, stock: float | None, tuned: float | None) -> str:
    if stock and tuned:
        return f"{stock} W keeps {kept} of stock performance; tuned, {tuned} W is enough"
    if stock:
        return f"{stock} W keeps {kept} of stock performance"
    return f"Tuned, {tuned} W keeps {kept} of stock performance"


def _best_limits_text(stock: float | None, tuned: float | None) -> str:
    if stock and tuned:
        return f"{stock} W gives the best performance per watt at stock, {tuned} W tuned"
    if stock:
        return f"{stock} W gives the best performance per watt at stock"
    return f"Tuned, {tuned} W gives the best performance per watt"


def nothing_measured() -> str:
    """The summary where there are no numbers."""
    return "No power limits can be shown yet."


def why_nothing(contributors: int | None, *, is_filtered: bool) -> str:
    """Why there are no numbers, and what to send; `contributors` is None without any machine."""
    if contributors is None:
        why = "No machine was measured under several power limits."
    else:
        why = shown_from_five(None if is_filtered else FEWEST_SHOWN - contributors)
    send = (
        "Measure stock without a limit and under two or three lower limits, with one load, and "
        "send the readings."
    )
    return f"{why} {send}"


_WITHHELD: Final = {
    "stock": "The curve at stock",
    "tuned": "The tuned curve",
}


def withheld_curve(state: str, contributors: int, *, is_filtered: bool) -> str:
    """That a curve is withheld, and how many more contributors it needs."""
    missing = None if is_filtered else FEWEST_SHOWN - contributors
    return f"{_WITHHELD[state]} is withheld. {shown_from_five(missing)}"
