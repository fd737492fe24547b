"""Phrases that the sentences of several answers are made with."""

from collections.abc import Sequence

from kbapi.advice.wording.language import say, say_count


def share_in_words(stable_share: float) -> str:
    """The share that may fail, as people say it.

    >>> share_in_words(0.9), share_in_words(0.95), share_in_words(0.87)
    ('1 in 10', '1 in 20', '13 in 100')
    """
    failing = round((1 - stable_share) * 100)
    if 100 % failing == 0:
        return say("1 in {all}", all=100 // failing)
    return say("{some} in 100", some=failing)


def chance_in_words(chance: float) -> str:
    """A chance as people say it, never as if it were sure.

    >>> chance_in_words(0.914), chance_in_words(0.999), chance_in_words(0.004)
    ('91 in 100', 'more than 99 in 100', 'fewer than 1 in 100')
    """
    hundredths = round(chance * 100)
    if hundredths >= 100:
        return say("more than 99 in 100")
    return say("{some} in 100", some=hundredths) if hundredths else say("fewer than 1 in 100")


def percent(share: float) -> str:
    """A share in whole per cent; 0 and 100 only where the share is exactly that.

    >>> percent(0.953), percent(1.0), percent(0.999), percent(0.002)
    ('95 %', '100 %', 'more than 99 %', 'less than 1 %')
    """
    whole = round(share * 100)
    if whole == 100 and share < 1:
        return say("more than 99 %")
    if whole == 0 and share > 0:
        return say("less than 1 %")
    return say("{percent} %", percent=whole)


def range_in_words(interval: tuple[float, float]) -> str:
    """An interval of shares, in whole per cent.

    >>> range_in_words((0.657, 0.803))
    '66 % to 80 %'
    """
    low, high = (say("{percent} %", percent=round(end * 100)) for end in interval)
    return say("{low} to {high}", low=low, high=high)


def setting_in_words(control: str, enter: int) -> str:
    """What a person types, or sets.

    The whole number lies toward stock of the grid step, so typing it is never deeper.
    """
    if control == "fixed_clock_voltage":
        return say("{depth} mV below your own stock voltage at that clock", depth=-enter)
    return amount_in_words(control, enter)


def setting_in_short(control: str, enter: int) -> str:
    """The same in a line of a plan, whose answer names the clock.

    >>> setting_in_short("fixed_clock_voltage", -93), setting_in_short("voltage_offset", -68)
    ('93 mV below stock', '-68 mV')
    """
    if control == "fixed_clock_voltage":
        return say("{depth} mV below stock", depth=-enter)
    return amount_in_words(control, enter)


def amount_in_words(control: str, amount: float) -> str:
    """A setting, a width or a margin in the control's unit.

    >>> amount_in_words("voltage_offset", 10.0), amount_in_words("count_offset", 1.0)
    ('10 mV', '1 count')
    """
    if control == "count_offset":
        return say_count("{count} count", "{count} counts", amount)
    return say("{millivolts} mV", millivolts=f"{amount:g}")


def domains_in_words(domain: str, others: Sequence[str]) -> str:
    """The domains that a number is for.

    >>> domains_in_words("core", ("ring",)), domains_in_words("core", ())
    ('core (ring moves with it)', 'core')
    >>> domains_in_words("core", ("io", "ring"))
    'core (io and ring move with it)'
    """
    if not others:
        return domain
    if len(others) == 1:
        return say("{domain} ({other} moves with it)", domain=domain, other=others[0])
    return say("{domain} ({others} move with it)", domain=domain, others=say(" and ").join(others))


def machines_in_words(count: int) -> str:
    """How many machines.

    >>> machines_in_words(1), machines_in_words(64)
    ('1 machine', '64 machines')
    """
    return say_count("{count} machine", "{count} machines", count)


def shown_from_five(missing: int | None = None) -> str:
    """From how many machines on something is shown, and how many more that takes.

    `missing` is None where the number would say how many machines fit a filter.

    >>> shown_from_five(2)
    'Shown from five machines on, so that no one can be recognised; 2 more are needed.'
    >>> shown_from_five()
    'Shown from five machines on, so that no one can be recognised.'
    """
    if not missing:
        return say("Shown from five machines on, so that no one can be recognised.")
    return say_count(
        "Shown from five machines on, so that no one can be recognised; {count} more is needed.",
        "Shown from five machines on, so that no one can be recognised; {count} more are needed.",
        missing,
    )


def withheld_groups(count: int) -> str | None:
    """How many groups an answer withholds, and why; None without any.

    >>> withheld_groups(0)
    >>> withheld_groups(1)[:40]
    '1 group is withheld. Shown from five mac'
    """
    if not count:
        return None
    groups = say_count("{count} group is withheld.", "{count} groups are withheld.", count)
    return f"{groups} {shown_from_five()}"
