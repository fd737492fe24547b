"""Phrases that the sentences of several answers are made with."""

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
    """A share in whole per cent.

    >>> percent(0.953)
    '95 %'
    """
    return say("{percent} %", percent=f"{share * 100:.0f}")


def setting_in_words(control: str, enter: int) -> str:
    """What a person types, or sets.

    The whole number lies toward stock of the grid step, so typing it is never deeper.
    """
    if control == "fixed_clock_voltage":
        return say("{depth} mV below your own stock voltage at that clock", depth=-enter)
    return amount_in_words(control, enter)


def amount_in_words(control: str, amount: float) -> str:
    """A setting, a width or a margin in the control's unit.

    >>> amount_in_words("voltage_offset", 10.0), amount_in_words("count_offset", 1.0)
    ('10 mV', '1 count')
    """
    if control == "count_offset":
        return say_count("{count} count", "{count} counts", amount)
    return say("{millivolts} mV", millivolts=f"{amount:g}")


def rails_in_words(domain: str, others: tuple[str, ...]) -> str:
    """The domains that a number is for.

    >>> rails_in_words("core", ("ring",)), rails_in_words("core", ())
    ('core with ring', 'core')
    """
    if not others:
        return domain
    return say("{rail} with {others}", rail=domain, others=say(" and ").join(others))


def units_in_words(count: int) -> str:
    """How many units of the chip itself.

    >>> units_in_words(1), units_in_words(64)
    ('1 reported unit', '64 reported units')
    """
    return say_count("{count} reported unit", "{count} reported units", count)
