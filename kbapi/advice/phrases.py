"""Phrases and sentences that several answers have in common."""

from collections.abc import Collection, Sequence
from typing import Final

from kbapi.vocabulary import LOCKED_STATUSES


def counted(count: float, one: str, many: str) -> str:
    """A number with what it counts: `one` after exactly 1, `many` after all others.

    >>> counted(1, "unit", "units"), counted(0, "unit", "units"), counted(0.5, "unit", "units")
    ('1 unit', '0 units', '0.5 units')
    """
    return f"{count:g} {one if count == 1 else many}"


def nothing_for(what: str, absence: str) -> str:
    """That there is no answer, with what the chip lacks; what it has is in the reason.

    >>> nothing_for("start", "Norvane Sable 7 4880S has no io. It has: core, ring.")
    'No start: Norvane Sable 7 4880S has no io.'
    """
    return f"No {what}: {absence.partition('. ')[0]}."


def share_text(stable_share: float) -> str:
    """The share that may fail, as a count of machines.

    >>> share_text(0.9), share_text(0.95), share_text(0.87)
    ('1 in 10', '1 in 20', '13 in 100')
    """
    failing = round((1 - stable_share) * 100)
    if 100 % failing == 0:
        return f"1 in {100 // failing}"
    return f"{failing} in 100"


def chance_text(chance: float) -> str:
    """A chance in hundredths, never rounded to 0 or 100.

    >>> chance_text(0.914), chance_text(0.999), chance_text(0.004)
    ('91 in 100', 'more than 99 in 100', 'fewer than 1 in 100')
    """
    hundredths = round(chance * 100)
    if hundredths >= 100:
        return "more than 99 in 100"
    return f"{hundredths} in 100" if hundredths else "fewer than 1 in 100"


def percent(share: float) -> str:
    """A share in whole per cent; 0 and 100 only where the share is exactly that.

    >>> percent(0.953), percent(1.0), percent(0.999), percent(0.002)
    ('95 %', '100 %', 'more than 99 %', 'less than 1 %')
    """
    whole = round(share * 100)
    if whole == 100 and share < 1:
        return "more than 99 %"
    if whole == 0 and share > 0:
        return "less than 1 %"
    return f"{whole} %"


def range_text(interval: tuple[float, float]) -> str:
    """An interval of shares, in whole per cent.

    >>> range_text((0.657, 0.803))
    '66 % to 80 %'
    """
    low, high = (f"{round(end * 100)} %" for end in interval)
    return f"{low} to {high}"


def setting_text(control: str, enter: int) -> str:
    """The setting that a person enters, a whole number of mV or counts.

    It is rounded toward stock, so that it is never deeper than the grid step.
    """
    if control == "fixed_clock_voltage":
        return f"{-enter} mV below your own stock voltage at that clock"
    return amount_text(control, enter)


def setting_in_short(control: str, enter: int) -> str:
    """The setting in a line of a plan; the clock is elsewhere in the answer.

    >>> setting_in_short("fixed_clock_voltage", -93), setting_in_short("voltage_offset", -68)
    ('93 mV below stock', '-68 mV')
    """
    if control == "fixed_clock_voltage":
        return f"{-enter} mV below stock"
    return amount_text(control, enter)


def amount_text(control: str, amount: float) -> str:
    """A setting, a width or a margin in the control's unit.

    >>> amount_text("voltage_offset", 10.0), amount_text("count_offset", 1.0)
    ('10 mV', '1 count')
    """
    if control == "count_offset":
        return counted(amount, "count", "counts")
    return f"{amount:g} mV"


def domains_text(domain: str, others: Sequence[str]) -> str:
    """The domains that a number is for.

    >>> domains_text("core", ("ring",)), domains_text("core", ())
    ('core (ring moves with it)', 'core')
    >>> domains_text("core", ("io", "ring"))
    'core (io and ring move with it)'
    """
    if not others:
        return domain
    if len(others) == 1:
        return f"{domain} ({others[0]} moves with it)"
    return f"{domain} ({' and '.join(others)} move with it)"


def machines_text(count: int) -> str:
    """How many machines.

    >>> machines_text(1), machines_text(64)
    ('1 machine', '64 machines')
    """
    return counted(count, "machine", "machines")


def shown_from_five(missing: int | None = None) -> str:
    """The number of contributors that a group needs to be shown, and how many are missing.

    `missing` is None where the number would reveal how many fit a filter.

    >>> shown_from_five(2)[-44:]
    'no one can be recognised; 2 more are needed.'
    >>> shown_from_five()
    'Shown from five known contributors on, so that no one can be recognised.'
    """
    rule = "Shown from five known contributors on, so that no one can be recognised"
    if not missing or missing < 0:
        return f"{rule}."
    return f"{rule}; {counted(missing, 'more is', 'more are')} needed."


def withheld_groups(count: int) -> str | None:
    """How many groups an answer withholds, and why; None without any.

    >>> withheld_groups(0)
    >>> withheld_groups(1)[:40]
    '1 group is withheld. Shown from five kno'
    """
    if not count:
        return None
    return f"{counted(count, 'group is', 'groups are')} withheld. {shown_from_five()}"


_WHOSE: Final = {"chip": "machines", "series": "machines of related chips"}
_OPEN_WITH_CAUSE: Final = {
    "open": "{open}.",
    "firmware_only": "{open}, on most of them only in the firmware menu.",
    "chip_locked": "{open}: the chip refuses it on most others.",
    "firmware_locked": "{open}: the firmware locks it on most others.",
    "hypervisor_blocked": "{open}: a hypervisor blocks it on most others.",
    "os_blocked": "{open}: the operating system blocks it on most others.",
    "not_exposed": "{open}: no menu or driver offers it on most others.",
    "mixed": "{open}: machine model, firmware and protections decide.",
}


def open_share_text(
    overall: str,
    share_open: float,
    interval: tuple[float, float],
    level: str,
    statuses: Collection[str],
) -> str:
    """On how many machines a control can be set, and the cause on the others.

    `overall` is the status of most reports, or `mixed`. `level` is whose reports these are, chip
    or series. `statuses` are all that an answer may name.

    >>> reported = ("open", "firmware_locked")
    >>> open_share_text("mixed", 0.7358, (0.657, 0.803), "chip", reported)
    'Can be set on 74 % of machines (66 % to 80 %): machine model, firmware and protections decide.'
    """
    share, range_open = percent(share_open), range_text(interval)
    is_open = f"Can be set on {share} of {_WHOSE[level]} ({range_open})"
    is_locked = any(status in LOCKED_STATUSES for status in statuses)
    if overall == "mixed" and "firmware_only" in statuses and not is_locked:
        return f"{is_open}, on some of them only in the firmware menu."
    return _OPEN_WITH_CAUSE[overall].format(open=is_open)


def no_lock_reports(documented: str = "it is unknown whether it can be set") -> str:
    """That there is no report of a control, and what is documented instead.

    >>> no_lock_reports("documented as locked at the factory")
    'Without lock reports: documented as locked at the factory.'
    """
    return f"Without lock reports: {documented}."
