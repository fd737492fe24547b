"""The pool of a question with its outlier check, and the pools of related and of other chips."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import astuple, dataclass, field
from functools import cached_property, partial
from typing import Final

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Connection

from kbapi.chips.catalogue import Catalogue
from kbapi.chips.chip import ChipName
from kbapi.chips.naming import identify_chip
from kbapi.evidence.comparisons import PoolDrift, drift_among
from kbapi.evidence.outlier_check import (
    LimitParts,
    OutlierReport,
    check_outliers,
    counted_units,
    first_failures,
    limit_parts,
    untold_stops,
    weight_for_related,
    weight_under,
)
from kbapi.evidence.small_cells import Cell, is_shown, released
from kbapi.evidence.units import (
    EVERYTHING,
    MILLION,
    UNITS_OF_FULL_WEIGHT,
    Filters,
    PoolRows,
    PoolUnits,
    Standing,
    load_pool_rows,
    units_of,
    usual_loads,
    weakest_grade,
)
from kbapi.stats.estimate.siblings import FEWEST_LINES, Sibling, Siblings, summarise_sibling
from kbapi.stats.intervals import Grid, GroupedIntervals
from kbapi.stats.scale import COUNT_OFFSET, FIXED_CLOCK_VOLTAGE, VOLTAGE_OFFSET, PriorScale
from kbapi.storage.answers import ExcludedUnit, Memory, StoredOutliers, load_outliers
from kbapi.storage.evidence import ConditionsRow, is_any_vouched, load_conditions_of_pool
from kbapi.storage.pools import (
    LineRow,
    PoolKey,
    PoolSize,
    WhatIf,
    count_trusted_units,
    count_units_by_status,
    find_pools_of_others,
    load_pools_of_line,
)
from kbapi.storage.sql import checksum_of
from kbapi.storage.tables_evidence import UNIT_CODES
from kbapi.time_budget import check_time
from kbapi.vocabulary import Domain, Grade, LimitControl, Load


@dataclass(frozen=True, slots=True)
class PoolWanted:
    """Which pool of a chip a question is about."""

    control: LimitControl | None
    """None for the one with the largest pool."""
    domain: Domain
    moved_with: tuple[Domain, ...] | None
    """Exactly these others, or None for the largest pool that holds the domain."""
    clock_band_mhz: int | None
    """Lower end of the band that the asked clock lies in."""


@dataclass(frozen=True)
class PoolEvidence:
    """What is known in one pool of the chip itself."""

    id: int
    intervals: GroupedIntervals
    """Weighed; units of which nothing is known are left out."""
    reported: GroupedIntervals
    """As they were reported, each unit with weight one."""
    units: int
    failures: int
    """Units that were seen to fail."""
    failures_at_first_setting: Cell
    """Units whose first setting failed."""
    untold_stops: Cell
    """Units that never failed and state no planned end."""
    unverified: int
    excluded: int
    """By screening, or by the outlier check."""
    latest_month: str | None
    grade: Grade | None
    """The weakest testing behind any stable end, None without one."""
    loads: tuple[Load, ...]
    """Load classes that at least half of the units with a stable end passed."""
    outlier_report: OutlierReport
    """Of the whole pool, whatever the filter."""
    whole: PoolUnits
    """Its units, whatever the filter."""
    asked: PoolUnits
    """The units that the filter admits; without one, `whole` itself."""
    rows: PoolRows
    """The rows of its units."""
    floor_steps: float
    """The spread in grid steps below which nothing counts as far away."""
    drift: PoolDrift
    """Whether its recent results differ from its earlier ones beyond chance."""

    @cached_property
    def released(self) -> "PoolEvidence":
        """The same without results that wait for others; under a filter they were never read.

        Its drift is that of all results, which every answer reports.
        """
        rows = released(self.rows) if self.asked is self.whole else self.rows
        if rows is self.rows:
            return self
        return evidence_from(rows, self.id, self.floor_steps, {}, drift=self.drift)


@dataclass(frozen=True)
class PoolFound:
    """The pool that a question is about, in the chip itself and in the chips around it."""

    key: PoolKey
    own: PoolSize | None
    """None where only related chips have results of this kind."""
    series: tuple[PoolSize, ...]
    """The same pool in the other chips of the series, the most likely lenders first."""
    line: tuple[PoolSize, ...]
    """The same pool in the chips of the line outside the series, ordered likewise."""


def find_pool(
    connection: Connection,
    line_id: int,
    chip: ChipName,
    wanted: PoolWanted,
    what_if: WhatIf | None = None,
    lenders: "Lenders | None" = None,
) -> PoolFound | None:
    """The pool that is asked for, the chip's own results deciding which, else its relatives'.

    Of several that fit: the wanted clock band or the nearest one, then the largest. With `lenders`
    a pool of relatives decides only if it lends. If none does, it is one of the usual control.
    """
    pools = load_pools_of_line(connection, line_id, what_if)
    pools = [pool for pool in pools if _holds(pool.key, wanted)]
    own = [pool for pool in pools if pool.chip_key == chip.key]
    series = [pool for pool in pools if pool.series == chip.series and pool not in own]
    line = [pool for pool in pools if pool.series != chip.series and pool not in own]
    key = next(iter(_best_keys(own, wanted)), None)
    for group in (series, line) if key is None else ():
        key = next(_lending_keys(group, wanted, lenders), key)
        if key is not None:
            break
    if key is None and own:
        # Results that do not count are reported too.
        key = own[0].key
    if key is None and lenders is not None:
        control = wanted.control or lenders.catalogue.usual_control(chip)
        same = [pool for pool in (*series, *line) if pool.key.control == control]
        key = next(iter(_best_keys(same, wanted)), None)
    if key is None:
        return None
    return PoolFound(
        key,
        next((pool for pool in own if pool.key == key), None),
        _of_key(series, key, lenders),
        _of_key(line, key, lenders),
    )


def _holds(key: PoolKey, wanted: PoolWanted) -> bool:
    if wanted.control not in (None, key.control):
        return False
    domains = key.domains.split("+")
    if wanted.moved_with is None:
        return wanted.domain in domains
    return set(domains) == {wanted.domain, *wanted.moved_with}


def _best_keys(
    pools: Iterable[PoolSize], wanted: PoolWanted, trusted: Mapping[int, int] | None = None
) -> list[PoolKey]:
    """The keys of pools with units: those with the nearest clock, of these the largest first.

    Trusted units, by the number of their pool, come before others.
    """
    units: dict[PoolKey, tuple[int, int]] = {}
    for pool in pools:
        before = units.get(pool.key, (0, 0))
        of_trusted = (trusted or {}).get(pool.id, 0)
        units[pool.key] = before[0] + of_trusted, before[1] + pool.units
    counted = [key for key, (_, count) in units.items() if count]
    return sorted(
        counted, key=lambda key: (_clock_distance(key, wanted), *(-one for one in units[key]))
    )


def _lending_keys(
    pools: Sequence[PoolSize], wanted: PoolWanted, lenders: "Lenders | None"
) -> Iterator[PoolKey]:
    """The best keys, where lenders are given those alone of which some pool lends."""
    trusted = {} if lenders is None else lenders.trusted_units(pools)
    for key in _best_keys(pools, wanted, trusted):
        if lenders is None or any(map(lenders.find, _of_key(pools, key, lenders))):
            yield key


def _of_key(
    pools: Iterable[PoolSize], key: PoolKey, lenders: "Lenders | None"
) -> tuple[PoolSize, ...]:
    """The pools with units of this key, the most likely lenders first, else the largest."""
    same = [pool for pool in pools if pool.key == key and pool.units]
    ranked = sorted(same, key=lambda pool: (-pool.units, pool.chip_key))
    return tuple(ranked if lenders is None else lenders.ranked(ranked))


def _clock_distance(key: PoolKey, wanted: PoolWanted) -> int:
    if wanted.clock_band_mhz is None or key.control != "fixed_clock_voltage":
        return 0
    return abs(key.clock_band_mhz - wanted.clock_band_mhz)


def load_pool(
    connection: Connection,
    pool: PoolSize,
    standing: Standing,
    floor_steps: float,
    filters: Filters = EVERYTHING,
    what_if: WhatIf | None = None,
    *,
    is_delayed: bool = False,
) -> PoolEvidence | None:
    """A pool's evidence, checked for outliers as a whole, then filtered.

    None where a filter leaves too few contributors to be shown. `floor_steps` is the spread below
    which nothing counts as far away. Delayed evidence is without results that wait.
    """
    rows = load_pool_rows(connection, pool.id, standing, what_if)
    check_time("results of the pool")
    if is_delayed:
        rows = released(rows, filters)
    if filters != EVERYTHING and not is_shown(rows, filters):
        return None
    by_status = count_units_by_status(connection, pool.id, what_if)
    return evidence_from(rows, pool.id, floor_steps, by_status, filters)


def evidence_from(
    rows: PoolRows,
    pool_id: int,
    floor_steps: float,
    by_status: Mapping[str, int],
    filters: Filters = EVERYTHING,
    drift: PoolDrift | None = None,
) -> PoolEvidence:
    """The evidence of these rows; `by_status` counts units by status. Drift may be known before."""
    whole = units_of(rows)
    check_time("units of the pool")
    outlier_report = check_outliers(whole, floor_steps)
    check_time("outlier check")
    drift = drift or drift_among(rows)
    units = whole if filters == EVERYTHING else units_of(rows, filters)
    stands = counted_units(units, outlier_report, floor_steps)
    check_time("drift")

    return PoolEvidence(
        id=pool_id,
        intervals=stands.intervals,
        reported=stands.reported,
        units=stands.units,
        failures=stands.failures,
        failures_at_first_setting=_cell(units, rows, first_failures(units, outlier_report)),
        untold_stops=_cell(units, rows, untold_stops(units, outlier_report)),
        unverified=by_status.get("unverified", 0),
        excluded=by_status.get("excluded", 0) + outlier_report.excluded_units,
        latest_month=stands.latest_month,
        grade=weakest_grade(units),
        loads=usual_loads(units),
        outlier_report=outlier_report,
        whole=whole,
        asked=units,
        rows=rows,
        floor_steps=floor_steps,
        drift=drift,
    )


def _cell(units: PoolUnits, rows: PoolRows, some: NDArray[np.bool_]) -> Cell:
    return Cell(int(some.sum()), np.intersect1d(units.contributor[some], rows.known).tolist())


SCALES: Final[dict[str, PriorScale]] = {
    "voltage_offset": VOLTAGE_OFFSET,
    "count_offset": COUNT_OFFSET,
    "fixed_clock_voltage": FIXED_CLOCK_VOLTAGE,
}


def floor_steps(control: str, grid: Grid) -> float:
    """The spread in grid steps below which nothing in a pool counts as far away."""
    return SCALES[control].least_spread / float(grid.step)


FEWEST_UNITS_LENT: Final = 10
"""Units that a related chip needs; three of each contributor count."""
FEWEST_CONTRIBUTORS_LENT: Final = 5
_LEAST_WEIGHT_LENT: Final = 4.0
"""The estimate of a chip with less weight is mostly the vague prior. Five contributors weigh 5."""
_MOST_SIBLINGS: Final = 8
"""More chips hardly narrow what one more among them may be, and each costs a fit."""
_MOST_READ: Final = 48
"""So many other pools are read at most for an answer: a flood of invented ones must not cost more.
"""
_BYTES_OF_ONE: Final = 1024
"""About what a pool's size, its conditions or a chip's summary take in memory."""
_MOST_READ_OF_LINE: Final = 4
"""So many pools of another line are read at most until one lends."""


@dataclass(frozen=True)
class RelatedUnits:
    """Units of a related chip that its own outlier check left, shape (n,) each."""

    parts: LimitParts
    """As the estimate of their own chip takes them."""
    contributor: NDArray[np.int64]
    is_established: NDArray[np.bool_]
    """Sent by an established contributor, or confirmed by a curator."""
    weight_ppm: NDArray[np.int64]
    is_confirmed: bool
    """Whether a curator included one of them."""

    def stand_behind(self, *, is_described: bool) -> bool:
        """Whether a chip with these units lends them, `is_described` by the catalogue or not.

        Ten units of five contributors are needed, most of them established: newcomers count as long
        as they are fewer. So more newcomers never prevent a loan.
        """
        if not (is_described or self.is_confirmed):
            return False
        owner = np.unique(self.contributor, return_inverse=True)[1]
        units = np.minimum(np.bincount(owner), UNITS_OF_FULL_WEIGHT)
        is_established = np.bincount(owner, self.is_established) > 0
        of_established, of_newcomers = units[is_established], np.sort(units[~is_established])[::-1]
        fewer = max(len(of_established) - 1, 0)
        counted = np.append(of_established, of_newcomers[:fewer]).tolist()
        return len(counted) >= FEWEST_CONTRIBUTORS_LENT and sum(counted) >= FEWEST_UNITS_LENT


def related_units(
    units: PoolUnits,
    outlier_report: OutlierReport,
    floor_steps: float,
    established: NDArray[np.int64],
) -> RelatedUnits:
    """The units that a related chip would lend; `established` are numbers of contributors.

    Newcomers weigh no more than the established together.
    """
    weight = weight_for_related(units, outlier_report)
    is_established = np.isin(units.contributor, established) | units.confirmed_by_curator
    ppm = np.rint(weight * MILLION).astype(np.int64)
    old, new = int(ppm[is_established].sum()), int(ppm[~is_established].sum())
    ppm = np.where(is_established, ppm, ppm * min(old, new) // max(new, 1))
    left = ppm > 0
    return RelatedUnits(
        parts=limit_parts(units, outlier_report, floor_steps).some(left),
        contributor=units.contributor[left],
        is_established=is_established[left],
        weight_ppm=ppm[left],
        is_confirmed=bool(units.confirmed_by_curator[left].any()),
    )


@dataclass(frozen=True, slots=True)
class OwnWeight:
    """Who sent the units of the asked chip itself, and what each weighs there, shape (n,)."""

    contributor: NDArray[np.int64]
    weight_ppm: NDArray[np.int64]


NO_OWN_WEIGHT: Final = OwnWeight(np.zeros(0, np.int64), np.zeros(0, np.int64))


def lent_weights(
    chips: Sequence[RelatedUnits], own: OwnWeight = NO_OWN_WEIGHT
) -> list[NDArray[np.int64]]:
    """The weight in millionths that each unit of these chips lends, in their order.

    A contributor weighs three units at most over the asked chip and all others together: what
    weighs in the chip's own pool is not lent to it again. The order does not matter.
    """
    sizes = [len(chip.contributor) for chip in chips]
    everyone = np.concatenate([own.contributor, *(chip.contributor for chip in chips)])
    owner = np.unique(everyone, return_inverse=True)[1]
    of_own, of_chips = np.split(owner, [len(own.contributor)])
    weight = np.concatenate([NO_OWN_WEIGHT.weight_ppm, *(chip.weight_ppm for chip in chips)])
    # Millionths are whole numbers: their sums are exact in any order.
    lent = np.bincount(of_chips, weight, len(everyone))
    weighs = np.bincount(of_own, own.weight_ppm, len(everyone))
    left = np.maximum(UNITS_OF_FULL_WEIGHT * MILLION - weighs, 0.0)
    share = np.minimum(1.0, left / np.maximum(lent, 1.0))
    limited = np.rint(weight * share[of_chips]).astype(np.int64)
    return np.split(limited, np.cumsum(sizes, dtype=np.int64))[:-1]


Lender = tuple[RelatedUnits, float]
"""What a chip lends, and its step in the control's unit."""


@dataclass(frozen=True)
class Lenders:
    """The other chips of one answer: which of them lend under its filters.

    Each is read once, until results of its line change, or the day does. Results of the day wait in
    delayed answers.
    """

    connection: Connection
    catalogue: Catalogue
    standing: Standing
    filters: Filters = EVERYTHING
    is_delayed: bool = False
    memory: Memory = field(default_factory=Memory)
    _read: dict[int, Lender | None] = field(default_factory=dict)

    def find(self, pool: PoolSize) -> Lender | None:
        """What the chip of this pool lends; None where it does not, or too many were read."""
        if pool.id not in self._read and pool.units >= FEWEST_UNITS_LENT:
            if len(self._read) == _MOST_READ:
                return None
            if not self._is_admitted(pool):
                self._read[pool.id] = None
                return None
            key = "lender", pool, self._depends_on
            self._read[pool.id] = self.memory.once(key, lambda: self._load(pool), _bytes_of)
        return self._read.get(pool.id)

    def _is_admitted(self, pool: PoolSize) -> bool:
        """Whether the filters admit any conditions of the pool: any number can be thought up."""
        if self.filters == EVERYTHING:
            return True
        read = partial(load_conditions_of_pool, self.connection, pool.id)
        conditions = self.memory.once(("conditions", pool), read, _bytes_of_each)
        return any(map(self.filters.admit, conditions))

    @cached_property
    def _depends_on(self) -> tuple[Standing, bool, Filters, bool]:
        """What decides, beside the results of a pool, what it lends."""
        return self.standing, self._needs_established, self.filters, self.is_delayed

    @cached_property
    def _needs_established(self) -> bool:
        """Whether any contributor of the instance is established; without any, all with a token."""
        return not self.standing.is_young or is_any_vouched(self.connection)

    def pools_of_others(self, line_id: int | None, control: str, kind: str) -> list[PoolSize]:
        """The pools of this control in chips of this kind outside the line that are large enough.

        In a fixed order.
        """
        found: list[PoolSize] = []
        for line, ids in find_pools_of_others(self.connection, line_id, control, kind).items():
            pools = self.memory.once(
                ("pools", line), partial(self._large_pools, line), _bytes_of_each
            )
            found += [pool for pool in pools if pool.id in ids]
        return sorted(found, key=lambda pool: (pool.chip_key, astuple(pool.key)))

    def _large_pools(self, line: LineRow) -> tuple[PoolSize, ...]:
        pools = load_pools_of_line(self.connection, line.id)
        return tuple(pool for pool in pools if pool.units >= FEWEST_UNITS_LENT)

    def ranked(self, pools: Sequence[PoolSize]) -> list[PoolSize]:
        """These pools, described chips first, then those with more trusted units."""
        trusted = self.trusted_units(pools)
        is_described = {one: self.catalogue.describes_series(one) for one in _series_of(pools)}

        def rank(pool: PoolSize) -> tuple[bool, int]:
            known = is_described[pool.series] or self.catalogue.find(pool.chip_key) is not None
            return not known, -trusted.get(pool.id, 0)

        return sorted(pools, key=rank)

    def trusted_units(self, pools: Sequence[PoolSize]) -> dict[int, int]:
        """How many units of contributors who may be established each pool has, up to a bound."""
        count = partial(count_trusted_units, self.connection)
        by = self.standing.established_by, self.standing.without_token
        return {
            pool.id: self.memory.once(("trusted", pool, *by), partial(count, pool.id, *by))
            for pool in pools
            if pool.units >= FEWEST_UNITS_LENT
        }

    def siblings_among(
        self, pools: Sequence[PoolSize], own: PoolEvidence | None
    ) -> tuple[tuple[Sibling, ...], int]:
        """The siblings among these pools, in their order, and how many were examined for them."""
        lend: list[PoolSize] = []
        for examined, pool in enumerate(pools[:_MOST_READ]):
            if len(lend) == _MOST_SIBLINGS:
                return self.siblings(lend, own), examined
            lend += [] if self.find(pool) is None else [pool]
        return self.siblings(lend, own), min(len(pools), _MOST_READ)

    def siblings(self, lend: Sequence[PoolSize], own: PoolEvidence | None) -> tuple[Sibling, ...]:
        """The siblings among the pools that lend, beside the chip's own."""
        if not lend:
            return ()
        weighs = _own_weight(own)
        lenders = [lender for lender in map(self.find, lend) if lender is not None]
        held = checksum_of(weighs.contributor.tobytes() + weighs.weight_ppm.tobytes())
        return self.memory.once(
            ("siblings", tuple(lend), held, self._depends_on),
            lambda: siblings_of(lenders, SCALES[lend[0].key.control], weighs),
            _bytes_of_each,
        )

    def _load(self, pool: PoolSize) -> Lender | None:
        """A chip's units in the same kind of pool, checked like the asked chip's own."""
        chip = identify_chip(pool.chip_key).chip
        # A key that today's grammar does not know waits for the chips to be read again.
        if chip is None:
            return None
        grid = self.catalogue.grid_for(self.catalogue.placed(chip), pool.key.control)
        rows = load_pool_rows(self.connection, pool.id, self.standing)
        if self.is_delayed:
            rows = released(rows, self.filters)
        if self.filters != EVERYTHING and not is_shown(rows, self.filters):
            return None
        floor = floor_steps(pool.key.control, grid)
        outlier_report = check_outliers(units_of(rows), floor)
        trusted = rows.trusted if self._needs_established else rows.known
        units = related_units(units_of(rows, self.filters), outlier_report, floor, trusted)
        check_time("related chips")
        lends = units.stand_behind(is_described=self.catalogue.is_described(chip))
        return (units, float(grid.step)) if lends else None


def _series_of(pools: Iterable[PoolSize]) -> set[str]:
    return {pool.series for pool in pools}


def _bytes_of(lender: Lender | None) -> int:
    """About how many bytes of arrays are remembered."""
    return 0 if lender is None else 7 * lender[0].weight_ppm.nbytes


def _bytes_of_each(found: Sequence[PoolSize | Sibling | ConditionsRow]) -> int:
    return _BYTES_OF_ONE * len(found)


@dataclass(frozen=True)
class RelatedChips:
    """What other chips lend to an answer, and how many of those that were examined do not."""

    siblings: Siblings = field(default_factory=Siblings)
    unused: int = 0
    """Chips of the same line that lend nothing."""
    follows_other_lines: bool = False
    """Whether results of other lines may change this."""
    lines: int | None = None
    """Other lines that lend; None where none has enough results to be examined."""
    key: PoolKey | None = None
    """The pool of the other lines, where they lend."""


def load_related(found: PoolFound, lenders: Lenders, own: PoolEvidence | None) -> RelatedChips:
    """The chips of the series that lend; only without any, those of the line."""
    unused = 0
    for level in ("series", "line"):
        siblings, examined = lenders.siblings_among(getattr(found, level), own)
        unused += examined - len(siblings)
        if siblings:
            return RelatedChips(Siblings(**{level: siblings}), unused)
    return RelatedChips(Siblings(), unused)


def load_all_chips(
    chip: ChipName,
    line_id: int | None,
    wanted: PoolWanted,
    key: PoolKey | None,
    lenders: Lenders,
    own: PoolEvidence | None,
) -> RelatedChips:
    """What one chip of each other line lends: the same control, kind of chip and domains.

    Their pool is `key`; where that is None, the best one of which three lines lend.
    """
    control = wanted.control or lenders.catalogue.usual_control(chip)
    others = lenders.pools_of_others(line_id, control, chip.kind)
    others = [pool for pool in others if _may_lend(pool, chip, lenders, wanted)]
    check_time("pools of other lines")
    trusted = lenders.trusted_units(others)
    keys = _best_keys(others, wanted, trusted) if key is None else [key]
    most = None
    for one in keys:
        pools = _of_key(others, one, lenders)
        siblings = lenders.siblings(_lend_for_lines(pools, lenders), own)
        if len(siblings) >= FEWEST_LINES:
            return RelatedChips(Siblings(all_chips=siblings), 0, True, len(siblings), one)
        most = max(most or 0, len(siblings)) if pools else most
    return RelatedChips(follows_other_lines=True, lines=most)


def _may_lend(pool: PoolSize, chip: ChipName, lenders: Lenders, wanted: PoolWanted) -> bool:
    """Whether the chip may have all domains of the pool, and counts in it are the same as its own.

    What a count is depends on the maker.
    """
    if not _holds(pool.key, wanted):
        return False
    if pool.key.control == "count_offset":
        other = identify_chip(pool.chip_key).chip
        if other is None or other.maker != chip.maker:
            return False
    presence = lenders.catalogue.domain_presence
    return all(presence(chip, domain).state != "absent" for domain in pool.key.rails)


def _lend_for_lines(pools: Sequence[PoolSize], lenders: Lenders) -> list[PoolSize]:
    """For each line of these pools the first that lends."""
    tried: dict[LineRow, int] = {}
    found: dict[LineRow, PoolSize] = {}
    for pool in pools:
        line = pool.line
        if line in found or tried.get(line, 0) == _MOST_READ_OF_LINE:
            continue
        tried[line] = tried.get(line, 0) + 1
        if lenders.find(pool) is not None:
            found[line] = pool
        if len(found) == _MOST_SIBLINGS:
            break
    return list(found.values())


def _own_weight(own: PoolEvidence | None) -> OwnWeight:
    if own is None:
        return NO_OWN_WEIGHT
    weight = weight_under(own.whole, own.outlier_report)
    return OwnWeight(own.whole.contributor, np.rint(weight * MILLION).astype(np.int64))


def siblings_of(
    lenders: Sequence[Lender], scale: PriorScale, own: OwnWeight = NO_OWN_WEIGHT
) -> tuple[Sibling, ...]:
    """What is known of each lender with its step in the control's unit, from what it lends.

    Without those that have too little weight left. They are dropped one by one, the lightest first
    and of equal ones the last, since the others then share the weight that it held.
    """
    kept = list(lenders)
    while True:
        weights = lent_weights([units for units, _ in kept], own)
        totals = [int(weight.sum()) for weight in weights]
        least = min(totals, default=None)
        if least is None or least >= _LEAST_WEIGHT_LENT * MILLION:
            break
        del kept[max(place for place, total in enumerate(totals) if total == least)]
    siblings = []
    for (units, step), weight in zip(kept, weights, strict=True):
        siblings.append(summarise_sibling(units.parts.intervals(weight / MILLION), step, scale))
        check_time("related chips")
    return tuple(siblings)


OUTLIER_DEEP: Final = UNIT_CODES[0]


@dataclass(frozen=True)
class OutlierComparison:
    """A pool with what was stored of its outlier check and what checking it now finds."""

    pool: PoolSize
    outlier_report: OutlierReport
    before: StoredOutliers
    now: StoredOutliers

    @property
    def has_changed(self) -> bool:
        """Whether other units or contributors are excluded now."""
        return self.before != self.now


def stored_outliers_of(outlier_report: OutlierReport) -> StoredOutliers:
    """The part of a check that is stored."""
    deep = outlier_report.outlier_deep.tolist()
    return StoredOutliers(
        tuple(ExcludedUnit(unit, OUTLIER_DEEP) for unit in deep),
        tuple(outlier_report.differing.tolist()),
    )


def compare_outliers(
    connection: Connection, pool: PoolSize, catalogue: Catalogue, standing: Standing
) -> OutlierComparison | None:
    """A pool checked now, with what was stored of it.

    None where today's grammar does not know the chip's key.
    """
    chip = identify_chip(pool.chip_key).chip
    if chip is None:
        return None
    grid = catalogue.grid_for(catalogue.placed(chip), pool.key.control)
    units = units_of(load_pool_rows(connection, pool.id, standing))
    outlier_report = check_outliers(units, floor_steps(pool.key.control, grid))
    return OutlierComparison(
        pool,
        outlier_report,
        load_outliers(connection, pool.id),
        stored_outliers_of(outlier_report),
    )
