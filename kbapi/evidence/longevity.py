"""Follow-ups become survival times and rates of failure after changes."""

from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import compress, groupby
from math import ceil, inf
from operator import attrgetter
from typing import Final

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Connection

from kbapi.chips.catalogue import Catalogue
from kbapi.chips.chip import ChipName
from kbapi.chips.naming import identify_chip
from kbapi.evidence.small_cells import FEWEST_SHOWN, Cell
from kbapi.evidence.units import MILLION, Standing, weight_ppm_of
from kbapi.stats.estimate.siblings import Level
from kbapi.stats.intervals import Grid
from kbapi.stats.locks.shares import CONFIDENCE, RiskRatio, estimate_risk_ratio
from kbapi.stats.search.recommended_margin import RecommendedMargin, recommended_margin
from kbapi.stats.time.survival import SurvivalCurve, fit_survival
from kbapi.storage.follow_ups import FollowedRow, load_followed_of_series
from kbapi.vocabulary import FOLLOW_UP_CHANGES, FollowUpChange

_IN_MV: Final = (0.0, 10.0, 20.0, 30.0)
MARGINS: Final = {
    "voltage_offset": _IN_MV,
    "fixed_clock_voltage": _IN_MV,
    "count_offset": (0.0, 2.0, 4.0, 6.0),
}
"""Upper ends of the bands of margin, in the control's unit; what keeps more is the last band."""
_CAN_CLOSE_A_CONTROL: Final = frozenset({"firmware", "microcode", "driver", "os"})
_NOT_THE_SETTINGS_FAULT: Final = frozenset(
    {"locked_later", "machine_gone", "fails_at_stock_too", "given_up"}
)


@dataclass(frozen=True, slots=True)
class SettingInUse:
    """One unit's setting: until when it was followed, and whether it failed then."""

    unit_id: int
    contributor_id: int
    band: int
    """Place in `MARGINS` of the margin to the deepest setting that had passed."""
    days: int
    failed: bool
    margin: float
    """In the control's unit, at most the end of its band."""


@dataclass(frozen=True)
class LongevityEvidence:
    """The settings in use that a question about time is answered from."""

    level: Level
    """chip; series where its own contributors are fewer than five; none where both are."""
    settings: tuple[SettingInUse, ...]
    margins: tuple[float, ...]
    known: frozenset[int] = frozenset()
    """The contributors whom small cells count."""
    too_few: int | None = None
    """Contributors of the series, where these are fewer than five and so not used."""

    @property
    def units(self) -> int:
        """How many different units."""
        return len({one.unit_id for one in self.settings})

    def cell(self, days: int = 0) -> Cell:
        """The units that are known to have failed by then, or were followed that long."""
        settings = [one for one in self.settings if one.failed or one.days >= days]
        contributors = {one.contributor_id for one in settings}
        return Cell(len({one.unit_id for one in settings}), contributors & self.known)

    @property
    def bands(self) -> dict[int, "LongevityEvidence"]:
        """Those of each band of margin that has any, by its place."""
        kept: dict[int, list[SettingInUse]] = {}
        for one in self.settings:
            kept.setdefault(one.band, []).append(one)
        return {
            place: LongevityEvidence(self.level, tuple(settings), self.margins, self.known)
            for place, settings in kept.items()
        }

    def curve(self) -> SurvivalCurve:
        """The share still stable over days; a contributor weighs as three units at most."""
        return fit_survival(self._days(), self._failed(), self._weights())

    def settle(self) -> RecommendedMargin:
        """The margin that kept 95 % stable for 90 days where that is known, else the usual."""
        place = np.array([one.band - 1 for one in self.settings], dtype=np.int64)
        place[place >= len(self.margins) - 1] = -1
        kept = np.array([one.margin for one in self.settings])
        found = recommended_margin(
            self._days(), self._failed(), self._weights(), place, self.margins[1:], kept=kept
        )
        return replace(found, is_of_chip=self.level is Level.CHIP)

    def _days(self) -> NDArray[np.int64]:
        return np.array([one.days for one in self.settings], dtype=np.int64)

    def _failed(self) -> NDArray[np.bool_]:
        return np.array([one.failed for one in self.settings], dtype=np.bool_)

    def _weights(self) -> NDArray[np.float64]:
        """A setting weighs what its unit weighs among the units that are followed."""
        _, first, owner = np.unique(
            [one.unit_id for one in self.settings], return_index=True, return_inverse=True
        )
        contributor = np.array([one.contributor_id for one in self.settings], dtype=np.int64)
        return _weight_of(contributor[first])[owner]


def _weight_of(contributor: NDArray[np.int64]) -> NDArray[np.float64]:
    """What the unit of each contributor weighs, shape (n,); newcomers weigh as much as others."""
    every = np.ones(len(contributor), dtype=np.bool_)
    return np.asarray(weight_ppm_of(contributor, every, every) / MILLION)


def longevity_evidence(
    rows: Sequence[FollowedRow],
    chip_key: str,
    control: str,
    grid_of: Callable[[str], Grid | None],
    known: frozenset[int],
) -> LongevityEvidence:
    """The chip's own settings in use, or all of its series' where its own are too few.

    `rows` are those of the series with this control; `grid_of` gives a chip's grid by its
    key, None for a key that today's grammar does not know. `known` are the contributors whom
    small cells count.
    """
    margins = MARGINS[control]
    found = {
        key: settings_in_use(of_chip, grid, margins)
        for key, of_chip in groupby(rows, _CHIP)
        if (grid := grid_of(key)) is not None
    }
    own = LongevityEvidence(Level.CHIP, tuple(found.get(chip_key, ())), margins, known)
    if len(own.cell().contributors) >= FEWEST_SHOWN:
        return own
    series = tuple(one for settings in found.values() for one in settings)
    together = LongevityEvidence(Level.SERIES, series, margins, known)
    contributors = len(together.cell().contributors)
    if contributors >= FEWEST_SHOWN:
        return together
    too_few = contributors if series else None
    return LongevityEvidence(Level.NONE, (), margins, known, too_few)


def load_recommended_margin(
    connection: Connection,
    chip: ChipName,
    domain: str,
    control: str,
    catalogue: Catalogue,
    standing: Standing,
) -> RecommendedMargin:
    """The margin to settle with on a chip's control: learnt from follow-ups, else the usual one."""
    rows = [
        row
        for row in load_followed_of_series(connection, chip.series)
        if row.control == control and domain in row.domains.split("+")
    ]
    known = known_senders(connection, rows, standing)
    return longevity_evidence(rows, chip.key, control, grids_of(catalogue, control), known).settle()


def known_senders(
    connection: Connection, rows: Iterable[FollowedRow], standing: Standing
) -> frozenset[int]:
    """The contributors of these follow-ups whom small cells count."""
    contributors = np.array(sorted({row.contributor_id for row in rows}), dtype=np.int64)
    return frozenset(standing.known(connection, contributors).tolist())


def grids_of(catalogue: Catalogue, control: str) -> Callable[[str], Grid | None]:
    """What gives the grid of a control by the key of a chip."""

    def grid_of(key: str) -> Grid | None:
        chip = identify_chip(key).chip
        # A key that today's grammar does not know waits for the chips to be read again.
        return None if chip is None else catalogue.grid_for(catalogue.placed(chip), control)

    return grid_of


_CHIP: Final = attrgetter("chip_key")
_UNIT_IN_POOL: Final = attrgetter("pool_id", "unit_id")


def settings_in_use(
    rows: Iterable[FollowedRow], grid: Grid, margins: tuple[float, ...]
) -> list[SettingInUse]:
    """Each setting that each unit lived with, once, from the follow-ups of one chip.

    Left out are settings that did not count when they were sent, because nothing shows that they
    were in effect. Also left out are settings without a known pass, settings deeper than that pass,
    and settings without any time of observation.
    """
    counted = sorted((row for row in rows if row.status == "counted"), key=_UNIT_IN_POOL)
    return [
        setting
        for _, of_unit in groupby(counted, _UNIT_IN_POOL)
        for setting in _settings_of_unit(list(of_unit), grid, margins)
    ]


def _settings_of_unit(
    rows: list[FollowedRow], grid: Grid, margins: tuple[float, ...]
) -> Iterable[SettingInUse]:
    # What ends the watch is about the machine: it ends it for all that was in use on it.
    stop = min((row.days for row in rows if _ends_the_watch(row)), default=None)
    by_depth: dict[int, list[FollowedRow]] = {}
    for row in rows:
        depth = _depth_of(row, grid)
        if depth > 0:
            by_depth.setdefault(depth, []).append(row)
    for depth, some in sorted(by_depth.items()):
        margin = min((row.stable_steps or 0) for row in some) - depth
        failures = [row.days for row in some if is_failure(row)]
        failures += _later_failures(some, [row for row in rows if 0 < _depth_of(row, grid) < depth])
        kept = [row.days for row in some if not is_failure(row) and is_proven(row)]
        if margin < 0 or not (failures or kept or stop is not None):
            continue
        until = min(failures) if failures else max(kept, default=0) if stop is None else stop
        unit, contributor = some[0].unit_id, some[0].contributor_id
        band = _band(margin, grid, margins)
        below = min(float(margin * grid.step), *margins[band : band + 1], inf)
        yield SettingInUse(unit, contributor, band, until, bool(failures), below)


def _later_failures(rows: list[FollowedRow], shallower: list[FollowedRow]) -> Iterable[int]:
    """The days at which a setting is known to have failed by other reports on the unit.

    These are later results, and failures of settings nearer to stock. Settings that are not
    followed stay out: of these only the failed ones would be seen.
    """
    watched = max(row.days for row in rows)
    found = [row.failed_after for row in rows if row.failed_after is not None]
    found += [row.days for row in shallower if is_failure(row)]
    return [max(watched, days) for days in found]


def is_failure(row: FollowedRow) -> bool:
    """Whether the setting itself failed: reported so, or given up with a failure."""
    return row.outcome == "failed_later" or (row.outcome == "given_up" and row.failure != "")


def is_proven(row: FollowedRow) -> bool:
    """Whether the setting can be taken to have been in effect until then.

    It was when the result was sent; after an update that may have closed the control, only a
    new proof of an effect shows that it still is.
    """
    named = row.changed.union(change for change, _ in row.change_days)
    may_be_closed = row.outcome == "still_stable" and named & _CAN_CLOSE_A_CONTROL
    return row.is_effect_shown or not may_be_closed


def _ends_the_watch(row: FollowedRow) -> bool:
    return row.outcome in _NOT_THE_SETTINGS_FAULT and not is_failure(row)


def _depth_of(row: FollowedRow, grid: Grid) -> int:
    """The setting in grid steps below stock, 0 where it is unknown or lies at stock."""
    if row.value is None:
        return 0
    below = -row.value
    if row.control == "fixed_clock_voltage":
        below = 0.0 if row.stock_mv is None else row.stock_mv - row.value
    return grid.stable_steps(max(0.0, below))


def _band(margin_steps: int, grid: Grid, margins: tuple[float, ...]) -> int:
    # Two settings 10 mV apart lie 10 or 11 steps of 1/1024 V apart, as each is rounded.
    ends = [ceil(margin / grid.step) for margin in margins]
    return sum(margin_steps > end for end in ends)


Which = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class UnitAfterChanges:
    """One unit: what had changed when its setting failed, or while it kept."""

    unit_id: int
    contributor_id: int
    failed: bool
    changed: frozenset[str]
    by_memory: frozenset[str] = frozenset()
    """Those of them without a known day."""


LEAST_RATIO: Final = 1.1
"""Owners of settings that kept forget some changes. A change stands out only beyond this ratio."""
RECALL_RATIO: Final = 1.5
"""The same where days are missing: owners of settings that failed also name older changes."""


@dataclass(frozen=True, slots=True)
class ChangeCompared:
    """Units with a change beside those without it; None with fewer than five contributors there."""

    change: FollowUpChange
    failed_with: int
    kept_with: int
    failed_without: int
    kept_without: int
    lift: RiskRatio | None
    is_by_memory: bool = False
    """Whether a unit has the change without a known day."""

    @property
    def stands_out(self) -> bool:
        """Whether failures follow the change more often, beyond chance and memory."""
        least = RECALL_RATIO if self.is_by_memory else LEAST_RATIO
        return self.lift is not None and self.lift.lower > least


@dataclass(frozen=True)
class ChangesFound:
    """All kinds of change, the likeliest cause first, from the chip's units or its series'."""

    level: Level
    """chip; series where its own contributors are fewer than five; none where both are."""
    units: int
    compared: tuple[ChangeCompared, ...]
    too_few: int | None = None
    """Contributors of the series, where these are fewer than five and so not used."""


_UNIT: Final = attrgetter("unit_id")


def compare_changes(
    rows: Sequence[FollowedRow],
    chip_key: str,
    known: frozenset[int],
    changed: Collection[str] = (),
) -> ChangesFound:
    """Each kind of change with what followed it, from follow-ups of a series on one control.

    Those in `changed`, or all where it is empty. Ranked by the lower bound of the lift, which holds
    for all of them together (Bonferroni): the first is picked because it is the clearest. Changes
    of too few units come last, and ties keep the order of the vocabulary.
    """
    own = _units([row for row in rows if row.chip_key == chip_key])
    level, units = (Level.CHIP, own)
    if len(_contributors(own, known)) < FEWEST_SHOWN:
        level, units = (Level.SERIES, _units(rows))
    contributors = len(_contributors(units, known))
    if contributors < FEWEST_SHOWN:
        return ChangesFound(Level.NONE, 0, (), too_few=contributors if units else None)
    asked = [change for change in FOLLOW_UP_CHANGES if change in changed or not changed]
    looked_at = sum(not _are_few(units, _who_has(units, change), known) for change in asked)
    confidence = 1.0 - (1.0 - CONFIDENCE) / max(1, looked_at)
    compared = [_compare(units, change, confidence, known) for change in asked]
    ranked = sorted(compared, key=lambda one: -one.lift.lower if one.lift else 0.0)
    return ChangesFound(level, len(units), tuple(ranked))


def _units(rows: Iterable[FollowedRow]) -> list[UnitAfterChanges]:
    """Each unit once: by its failures if it has any, else by what it kept through.

    Changes whose day is known count only between the last good and the first bad day.
    A setting that nothing shows to be in effect any more keeps through everything: it is left out.
    """
    counted = sorted((row for row in rows if row.status == "counted"), key=_UNIT)
    found = []
    for unit_id, some in groupby(counted, _UNIT):
        rows_of_unit = list(some)
        failures = [row for row in rows_of_unit if is_failure(row)]
        kept = [row for row in rows_of_unit if row.outcome == "still_stable" and is_proven(row)]
        if ends := failures or kept:
            first, last = _window(failures, kept)
            dated = [one for row in ends for one in row.change_days]
            by_memory = frozenset().union(*(row.changed for row in ends))
            by_memory -= {change for change, _ in dated}
            seen = by_memory | changes_within(dated, first, last)
            contributor = rows_of_unit[0].contributor_id
            found.append(UnitAfterChanges(unit_id, contributor, bool(failures), seen, by_memory))
    return found


def _window(failures: list[FollowedRow], kept: list[FollowedRow]) -> tuple[int, int]:
    """The last day before a change of a unit counts, and the last day on which it does.

    These are the last good and the first bad day of the first failure. What kept did so from the
    first day. A good day after that failure is of another setting.
    """
    if not failures:
        return -1, max(row.days for row in kept)
    bad = min(row.days for row in failures)
    good = [row.days for row in kept]
    last_days = [row.last_stable_day for row in failures if row.last_stable_day is not None]
    # A setting that was stable on the day of its failure was so on the day before.
    good += [bad - 1 if day == bad else day for day in last_days]
    return max((day for day in good if day < bad), default=-1), bad


def changes_within(
    dated: Iterable[tuple[str, int]], last_good: int | None, first_bad: int | None
) -> frozenset[str]:
    """The changes after the last good day, up to the first bad one; None where that is unknown.

    >>> sorted(changes_within([("firmware", 41), ("driver", 12), ("os", 80)], 30, 64))
    ['firmware']
    """
    return frozenset(
        change
        for change, day in dated
        if day > (-1 if last_good is None else last_good)
        and (first_bad is None or day <= first_bad)
    )


def _who_has(units: list[UnitAfterChanges], change: str) -> Which:
    return np.array([change in unit.changed for unit in units], dtype=np.bool_)


def _contributors(units: Iterable[UnitAfterChanges], known: frozenset[int]) -> frozenset[int]:
    return known & {unit.contributor_id for unit in units}


def _are_few(units: list[UnitAfterChanges], has_it: Which, known: frozenset[int]) -> bool:
    """Whether too few contributors have it, or do not."""
    sides = (list(compress(units, side)) for side in (has_it, ~has_it))
    return min(len(_contributors(side, known)) for side in sides) < FEWEST_SHOWN


def _compare(
    units: list[UnitAfterChanges],
    change: FollowUpChange,
    confidence: float,
    known: frozenset[int],
) -> ChangeCompared:
    has_it = _who_has(units, change)
    failed = np.array([unit.failed for unit in units], dtype=np.bool_)
    weight = _weight_of(np.array([unit.contributor_id for unit in units], dtype=np.int64))
    failed_with, kept_with = has_it & failed, has_it & ~failed
    failed_without, kept_without = ~has_it & failed, ~has_it & ~failed
    ends = (failed_with, kept_with, failed_without, kept_without)
    weights = tuple(float(weight[end].sum()) for end in ends)
    return ChangeCompared(
        change=change,
        failed_with=int(failed_with.sum()),
        kept_with=int(kept_with.sum()),
        failed_without=int(failed_without.sum()),
        kept_without=int(kept_without.sum()),
        lift=None if _are_few(units, has_it, known) else _lift(weights, confidence),
        is_by_memory=any(change in unit.by_memory for unit in units),
    )


def _lift(weights: tuple[float, ...], confidence: float) -> RiskRatio:
    failed_with, kept_with, failed, kept = weights
    return estimate_risk_ratio(failed_with, kept_with, failed, kept, confidence)
