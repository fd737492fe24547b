"""Days that a wrong clock wrote: found by their order, and repaired where rows show the right day.

Rows are added in the order of their ids, so their days never fall. The longest run of days that
does not fall is right. A wrong day becomes the day of the next right row: the row was there by
then, so no contributor becomes established too early.
"""

from bisect import bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Final

from sqlalchemy import Connection

from kbapi.clock import full_hour_s
from kbapi.errors import UnsafeSetup
from kbapi.instance.instance import Instance
from kbapi.settings import Settings
from kbapi.storage import health
from kbapi.storage.schema import reading_once
from kbapi.storage.tables import Submission
from kbapi.versions import BUILT_MONTH

_LONGEST_REPEAT: Final = timedelta(days=1)
"""How long the answer to an Idempotency-Key is kept."""
_FIRST_DAY: Final = date(2026, 1, 1)
"""No instance is older than the program."""
_FEW_DAYS: Final = 3
"""The newest rows of so many later days were written by a clock that ran: this one is behind."""


@dataclass(frozen=True, slots=True)
class WrongDays:
    """Rows of one table whose days a wrong clock wrote, each with the day that it gets."""

    dated: health.Dated
    days: dict[int, date]
    before: tuple[date, date]
    """The earliest and the latest wrong day."""


@dataclass(frozen=True, slots=True)
class ClockRepair:
    """What a repair changes, and what it leaves."""

    today: date
    tables: tuple[WrongDays, ...]
    later_months: health.LaterMonths
    """Sent by people, so not changed."""


def count_wrong_days(settings: Settings, today: date) -> dict[str, tuple[int, int]]:
    """By table, the rows dated later than today, and those dated before an earlier row.

    Raises
    ------
    StorageBusy, StorageBroken
        When the database can't be read now.
    """
    with reading_once(settings.database_at) as connection:
        found = {
            dated.name: (
                health.count_later(connection, dated, today),
                health.count_falling(connection, dated, today),
            )
            for dated in health.DATED
        }
    return {name: counts for name, counts in found.items() if any(counts)}


def repair_clock(instance: Instance, *, applies: bool) -> ClockRepair:
    """What the repair of all days changes; with `applies` it is done, in one transaction.

    Raises
    ------
    UnsafeSetup
        When the clock itself looks wrong; nothing was changed.
    StorageBusy, StorageUnwritable, StorageBroken
        When the database can't be read or written now; nothing was changed.
    """
    if not applies:
        with instance.reading() as connection:
            return _plan(connection, instance.today())
    with instance.writing() as connection:
        plan = _plan(connection, instance.today())
        for table in plan.tables:
            health.save_days(connection, table.dated, table.days)
        latest = instance.now() + _LONGEST_REPEAT
        health.correct_derived(connection, plan.today, full_hour_s(latest))
    return plan


def _plan(connection: Connection, today: date) -> ClockRepair:
    if f"{today:%Y-%m}" < BUILT_MONTH:
        raise UnsafeSetup(
            f"The clock shows {today}, before this program was made ({BUILT_MONTH}). Set the "
            "clock, then try again. Nothing was changed."
        )
    wrong = []
    for dated in health.DATED:
        numbers, days = health.load_days(connection, dated)
        if dated.table is Submission:
            _require_right_clock(days, today)
        right = right_days(days, today)
        changed = {
            number: now for number, was, now in zip(numbers, days, right, strict=True) if was != now
        }
        if changed:
            before = [was for was, now in zip(days, right, strict=True) if was != now]
            wrong.append(WrongDays(dated, changed, (min(before), max(before))))
    months = health.count_later_months(connection, f"{today + timedelta(days=1):%Y-%m}")
    return ClockRepair(today, tuple(wrong), months)


def _require_right_clock(days: Sequence[date], today: date) -> None:
    """Raise if this clock is behind, rather than the one that dated the results ahead."""
    newest = list(_newest_later(days, today))
    if len(newest) == len(days) > 0 or len(set(newest)) >= _FEW_DAYS:
        raise UnsafeSetup(
            f"The clock shows {today}, but the newest {len(newest):,} results are dated later, up "
            f"to {max(newest)}. Set the clock if it is behind. If it is right, "
            "repair after the next result has arrived. Nothing was changed."
        )


def _newest_later(days: Sequence[date], today: date) -> Iterator[date]:
    for day in reversed(days):
        if day <= today:
            return
        yield day


def right_days(days: Sequence[date], today: date) -> list[date]:
    """The day of each row: its own, or that of the next right row if its own cannot be right.

    A day may differ by one: rows of one midnight are added in any order.

    >>> first, wrong, last = date(2026, 8, 3), date(2031, 1, 1), date(2026, 8, 9)
    >>> right_days([first, wrong, last], date(2026, 9, 15)) == [first, last, last]
    True
    """
    are_right = _in_order(days, today)
    right, after = list(days), today
    one_day = timedelta(days=1)
    earliest = _latest_right_before(days, are_right)
    for place in range(len(days) - 1, -1, -1):
        if are_right[place]:
            after = days[place]
        elif days[place] > min(after + one_day, today) or days[place] < earliest[place] - one_day:
            right[place] = after
    return right


def _latest_right_before(days: Sequence[date], are_right: Sequence[bool]) -> list[date]:
    latest, found = date.min + timedelta(days=1), []
    for day, is_right in zip(days, are_right, strict=True):
        found.append(latest)
        latest = day if is_right else latest
    return found


def _in_order(days: Sequence[date], today: date) -> list[bool]:
    """Which days belong to the longest run that does not fall, of days that are possible."""
    tails: list[date] = []
    ends: list[int] = []
    previous = [-1] * len(days)
    for place, day in enumerate(days):
        if not _FIRST_DAY <= day <= today:
            continue
        length = bisect_right(tails, day)
        previous[place] = ends[length - 1] if length else -1
        tails[length : length + 1] = [day]
        ends[length : length + 1] = [place]
    found = [False] * len(days)
    place = ends[-1] if ends else -1
    while place >= 0:
        found[place] = True
        place = previous[place]
    return found
