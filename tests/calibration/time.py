"""Time in the evidence: drift found and false alarms, intervals of survival, causes ranked."""

from collections.abc import Callable, Sequence
from dataclasses import fields, replace

import numpy as np
from numpy.typing import NDArray

from kbapi.evidence.comparisons import DatedRows, drift_of
from kbapi.evidence.longevity import ChangeCompared, compare_changes
from kbapi.stats.intervals import NEVER_FAILED
from kbapi.stats.search.recommended_margin import WANTED_DAYS, WANTED_SHARE, recommended_margin
from kbapi.stats.time.drift import UNKNOWN, DatedLimits, find_drift
from kbapi.stats.time.survival import fit_survival
from kbapi.storage.evidence import ConditionsRow
from kbapi.storage.follow_ups import FollowedRow
from tests.calibration.testers import TRUTHS, USUAL, Habit, Truth, a_tested_pool, search
from tests.report import Row, measured

SEED = 20261125
SHORT_RUNS, FULL_RUNS = 30, 300
Labels = NDArray[np.int64]
MONTHS_BEFORE, MONTHS_SINCE = 9, 6
MACHINES = 2


def measure(*, short: bool, runs: int | None = None, seeds: Sequence[int] = (SEED,)) -> list[Row]:
    """Each figure in turn; `runs` are those of the drift's cells, `seeds` of false causes."""
    runs = runs or (SHORT_RUNS if short else FULL_RUNS)
    return [
        *_drift_found(runs, short),
        *_false_alarms(runs // 2, short),
        *_unchanged_truth(runs // 2, short),
        *_coverage(400 if short else 4000),
        *_settled(200 if short else 2000),
        *_ranked(100 if short else 1000),
        *_causes_by_memory(seeds[0], 60 if short else 300, (60,) if short else (60, 120)),
    ]


def _drift_found(runs: int, short: bool) -> list[Row]:
    """Share of planted shifts found at one look, by the kind of change."""
    cells = [(60, -15.0, "firmware"), (60, -25.0, "firmware")]
    if not short:
        cells += [(60, -15.0, "month"), (120, -15.0, "firmware"), (60, -25.0, "month")]
        cells += [(120, -15.0, "month"), (60, 0.0, "firmware")]
    rows = []
    for units, shift_mv, kind in cells:
        for truth in TRUTHS:
            rng = np.random.default_rng([SEED, TRUTHS.index(truth), units, int(-shift_mv)])
            found = [_is_found(rng, truth, units, shift_mv, kind) for _ in range(runs)]
            what = f"drift found, {abs(shift_mv):.0f} mV, {units} a side, {kind}, {truth.name}"
            wanted = ">= 0.90" if shift_mv else "<= 0.01"
            rows.append(measured(what, float(np.mean(found)), "share", wanted))
    return rows


def _is_found(
    rng: np.random.Generator, truth: Truth, units: int, shift_mv: float, kind: str
) -> bool:
    ends = np.concatenate([_ends(rng, truth, units), _ends(rng, truth, units, shift_mv)])
    after = np.repeat([0, 1], units)
    spans = np.where(after == 0, MONTHS_BEFORE, MONTHS_SINCE)
    month = rng.integers(0, spans) + MONTHS_BEFORE * after
    unknown = np.full(2 * units, UNKNOWN)
    firmware = after if kind == "firmware" else unknown
    machine = rng.integers(0, MACHINES, 2 * units)
    return find_drift(_dated(ends, month, machine, firmware, unknown)).is_drift


def _ends(rng: np.random.Generator, truth: Truth, units: int, shift_mv: float = 0.0) -> Labels:
    """One row a unit, in no order: stable and unstable steps."""
    pool = a_tested_pool(rng, truth, units, shift_mv)
    ends = np.column_stack([pool.stable_steps, pool.unstable_steps])
    return rng.permutation(np.repeat(ends, pool.weight.astype(int), axis=0))


def _dated(
    ends: Labels, month: Labels, machine: Labels, firmware: Labels, microcode: Labels
) -> DatedLimits:
    return DatedLimits(ends[:, 0], ends[:, 1], month, machine, firmware, microcode)


YEARS: dict[str, Callable[[np.random.Generator, Labels], tuple[Labels, Labels]]] = {
    "no versions given": lambda rng, month: (np.full_like(month, UNKNOWN),) * 2,
    "one update": lambda rng, month: ((month >= 15).astype(int),) * 2,
    "several updates": lambda rng, month: (
        (month >= 13).astype(int) + ((month >= 18) & (rng.random(len(month)) < 0.7)),
        7 + ((month >= 15) & (rng.random(len(month)) < 0.5)),
    ),
}
"""Firmware and microcode in the reports of a year, and of the year before."""


def _false_alarms(runs: int, short: bool) -> list[Row]:
    """Share of pools with an alarm at any of twelve monthly looks, where nothing has changed."""
    rows = []
    for name, versions in (
        YEARS.items() if not short else [("several updates", YEARS["several updates"])]
    ):
        for a_month in (6,) if short else (6, 20):
            alarms = [
                _any_alarm(np.random.default_rng([SEED, 7, place, run]), truth, a_month, versions)
                for place, truth in enumerate(TRUTHS)
                for run in range(runs)
            ]
            what = f"false alarms per pool and year, {name}, {a_month} reports a month"
            error = f"binomial error {np.sqrt(0.01 * 0.99 / len(alarms)):.4f}"
            rows.append(measured(what, float(np.mean(alarms)), "share", "<= 0.01", error))
    return rows


def _any_alarm(
    rng: np.random.Generator,
    truth: Truth,
    a_month: int,
    versions: Callable[[np.random.Generator, Labels], tuple[Labels, Labels]],
) -> bool:
    month = np.concatenate([rng.integers(0, 12, 40), 12 + np.repeat(np.arange(12), a_month)])
    ends = _ends(rng, truth, len(month))
    machine = rng.integers(0, MACHINES, len(month))
    firmware, microcode = versions(rng, month)
    return any(
        find_drift(_dated(ends[k], month[k], machine[k], firmware[k], microcode[k])).is_drift
        for k in (month <= look for look in range(12, 24))
    )


BEFORE, SINCE = range(12), range(12, 24)
CHANGED_IN = 17
"""The month in which habits change, of the 24; reports of the first twelve are forty."""
_ALL = Habit("", (70.0, 110.0), True, 0.6, 0.5, (10.0, 25.0, 50.0), 0.6)
HABIT_CHANGES = {
    "first setting 50..80 or 90..130 mV": (USUAL, replace(USUAL, first_mv=(90.0, 130.0))),
    "steps 5 and 10, or 25 and 50 mV": (
        replace(USUAL, steps_mv=(5.0, 10.0)),
        replace(USUAL, steps_mv=(25.0, 50.0)),
    ),
    "first setting and steps": (
        replace(USUAL, first_mv=(20.0, 50.0), steps_mv=(5.0, 10.0)),
        replace(USUAL, first_mv=(90.0, 130.0), steps_mv=(25.0, 50.0)),
    ),
    "multiples of ten": (USUAL, replace(USUAL, heaped=True)),
    "planned stops 0 or 70 %": (replace(USUAL, planned=0.0), replace(USUAL, planned=0.7)),
    "stops near the limit 0 or 60 %": (USUAL, replace(USUAL, uneasy=0.6)),
    "short tests 0 or 50 %": (USUAL, replace(USUAL, quick=0.5)),
    "all of these": (replace(USUAL, steps_mv=(5.0, 10.0)), _ALL),
}
"""Pairs of habits; either is the earlier one in half of the pools."""
REPORTS_A_MONTH = 20
EARLY_STOP_MV = 5
"""Taken off a pass that never failed, as intake does."""


def _year_of_habits(rng: np.random.Generator, truth: Truth, month: Labels, kind: str) -> DatedRows:
    """Two stated machines in equal parts, one truth, other habits from a month on."""
    change = HABIT_CHANGES[kind][:: int(rng.choice([1, -1]))]
    return _habits_of(rng, truth, month, change, rng.integers(1, 1 + MACHINES, len(month)))


def _habits_of(
    rng: np.random.Generator,
    truth: Truth,
    month: Labels,
    change: tuple[Habit, ...],
    machine: Labels,
    deeper_mv: NDArray[np.float64] | float = 0.0,
) -> DatedRows:
    limit_mv = truth.draw(rng, len(month)) + deeper_mv
    found = [search(rng, limit_mv, habit) for habit in change]
    since = (month >= CHANGED_IN).astype(int)
    stable, unstable = (np.choose(since, [one[end] for one in found]) for end in (0, 1))
    early = np.where(unstable == NEVER_FAILED, EARLY_STOP_MV, 0)
    unit, is_old = np.arange(len(month)), np.ones(len(month), dtype=np.bool_)
    return DatedRows(unit, unit, machine, np.maximum(stable - early, 0), unstable, month, is_old)


def _year_of_mix(rng: np.random.Generator, truth: Truth, month: Labels, kind: str) -> DatedRows:
    """Two machines 10 to 30 mV apart; the share of the second one goes from 20 to 80 % or back."""
    share = 0.2 + 0.6 * np.clip(month - 12, 0, 11) / 11
    machine = rng.random(len(month)) < (share if rng.random() < 0.5 else 1.0 - share)
    apart_mv = rng.uniform(10, 30) * machine
    stated = {"stated": 1.0, "not stated": 0.0, "half stated": 0.5}[kind]
    label = np.where(rng.random(len(month)) < stated, 1 + machine, 0)
    return _habits_of(rng, truth, month, (USUAL, USUAL), label, apart_mv)


def _year_of_newcomers(
    rng: np.random.Generator, truth: Truth, month: Labels, kind: str
) -> DatedRows:
    """In the last months as many fresh accounts as others, or four times, 30 mV shallower."""
    known, late = len(month), month[month >= 18]
    month = np.concatenate([month, np.tile(late, int(kind.split()[0]))])
    fresh = np.arange(len(month)) >= known
    machine = rng.integers(1, 1 + MACHINES, len(month))
    rows = _habits_of(rng, truth, month, (USUAL, USUAL), machine, -30.0 * fresh)
    return replace(rows, established=~fresh)


Year = Callable[[np.random.Generator, Truth, Labels, str], DatedRows]
_UNCHANGED: tuple[tuple[str, Year, tuple[str, ...]], ...] = (
    ("mix of machines", _year_of_mix, ("not stated", "half stated", "stated")),
    ("habits", _year_of_habits, tuple(HABIT_CHANGES)),
    ("newcomers", _year_of_newcomers, ("1 a report", "4 a report")),
)
_SHORT_KINDS = ("not stated", "stops near the limit 0 or 60 %", "4 a report")


def _unchanged_truth(runs: int, short: bool) -> list[Row]:
    """Share of pools with an alarm in a year in which no machine's limits change."""
    rows = []
    for what, year, kinds in _UNCHANGED:
        for kind in kinds:
            if short and kind not in _SHORT_KINDS:
                continue
            alarms = [
                _any_alarm_of(np.random.default_rng([SEED, 11, place, run]), truth, year, kind)
                for place, truth in enumerate(TRUTHS)
                for run in range(runs)
            ]
            error = f"binomial error {np.sqrt(0.02 * 0.98 / len(alarms)):.4f}"
            name = f"unchanged limits, alarms per pool and year, {what}: {kind}"
            rows.append(measured(name, float(np.mean(alarms)), "share", "<= 0.02", error))
    return rows


def _any_alarm_of(rng: np.random.Generator, truth: Truth, year: Year, kind: str) -> bool:
    month = np.concatenate([rng.choice(BEFORE, 40), np.repeat(SINCE, REPORTS_A_MONTH)])
    rows = year(rng, truth, month, kind)
    # Results that do not state their machine stand under the first conditions.
    machines = [_conditions(place, name) for place, name in enumerate(["", "one", "other"])]
    return any(drift_of(_until(rows, look), machines).found.is_drift for look in SINCE)


def _until(rows: DatedRows, look: int) -> DatedRows:
    kept = rows.month <= look
    return DatedRows(*(getattr(rows, field.name)[kept] for field in fields(DatedRows)))


def _conditions(place: int, machine: str) -> ConditionsRow:
    return ConditionsRow(
        id=place,
        loads="",
        grade="",
        cooling="",
        firmware="",
        microcode="",
        machine=machine,
        supply="",
    )


def _coverage(runs: int) -> list[Row]:
    """How often a 95 % interval of the survival contains the true share."""
    rows = []
    for units in (20, 60, 200):
        rng = np.random.default_rng([SEED, 3, units])
        held = {30: 0, 90: 0, 365: 0}
        covered = dict(held)
        for _ in range(runs):
            curve = fit_survival(*_followed(rng, units, _LIFE_DAYS), np.ones(units))
            for days in held:
                found = curve.after(days, 0.95)
                if found.known >= 5 and found.followed > 0:
                    covered[days] += 1
                    held[days] += found.low <= _stable_share(days, _LIFE_DAYS) <= found.high
        for days, times in covered.items():
            what = f"stable share in its 95 % interval, {units} units, {days} days"
            rows.append(measured(what, held[days] / times, "share", ">= 0.93"))
    return rows


_LIFE_DAYS = 900.0
_SHAPE = 0.7
"""Weibull: most that fails does so early."""


def _stable_share(days: float, life_days: float) -> float:
    return float(np.exp(-((days / life_days) ** _SHAPE)))


def _followed(
    rng: np.random.Generator, units: int, life_days: float
) -> tuple[Labels, NDArray[np.bool_]]:
    """Settings that fail some day, unless their owners' last report comes first."""
    fails = np.ceil(life_days * rng.weibull(_SHAPE, units))
    last_word = rng.choice([20, 40, 100, 200, 400], units) + rng.integers(0, 15, units)
    return np.minimum(fails, last_word).astype(np.int64), fails <= last_word


def _settled(runs: int) -> list[Row]:
    """How often a learnt margin did not really keep 95 % stable; how often one is learnt."""
    rng = np.random.default_rng([SEED, 4])
    wrong = learnt = 0
    lives = {0: 1500.0, 1: 8000.0}  # 87 % and 96 % stable after 90 days
    for _ in range(runs):
        parts = [_followed(rng, 150, lives[place]) for place in lives]
        days, failed = (np.concatenate(some) for some in zip(*parts, strict=True))
        place = np.repeat([0, 1], 150)
        found = recommended_margin(days, failed, np.ones(300), place, (10.0, 20.0))
        wrong += found.source == "learned" and found.margin == 10.0
        learnt += found.source == "learned"
    assert _stable_share(WANTED_DAYS, lives[0]) < WANTED_SHARE < _stable_share(90, lives[1])
    return [
        measured("a margin that did not keep 95 % is learnt", wrong / runs, "share", "<= 0.05"),
        measured("a margin is learnt, 150 units with each", learnt / runs, "share", ""),
    ]


CHANGED_BY = {
    "firmware": 0.35,
    "microcode": 0.2,
    "driver": 0.35,
    "os": 0.4,
    "season": 0.5,
    "cooling": 0.12,
}
"""The share of owners for whom each of these had changed."""
UPDATES = ("firmware", "microcode", "driver")


def _ranked(runs: int) -> list[Row]:
    """How often the planted update is ranked first among the changes of a machine."""
    rows = []
    for units, failing in ((60, 0.45), (120, 0.45), (120, 0.30)):
        rng = np.random.default_rng([SEED, 5, units, int(100 * failing)])
        first = [_is_first(rng, units, failing, UPDATES[run % 3]) for run in range(runs)]
        what = f"planted update ranked first, {units} units, {failing:.0%} fail after it"
        rows.append(measured(what, float(np.mean(first)), "share", ">= 0.90"))
    return rows


def _is_first(rng: np.random.Generator, units: int, failing: float, planted: str) -> bool:
    rows = [_a_follow_up(rng, number, failing, planted) for number in range(units)]
    changing = {name for name, share in CHANGED_BY.items() if rng.random() < share} | {planted}
    found = compare_changes(rows, "chip", frozenset(row.contributor_id for row in rows)).compared
    return next(one.change for one in found if one.change in changing) == planted


BEFORE_USE_DAYS = 120
"""How far back owners of settings that failed look for a cause."""
RECALL = {"little forgotten": (0.8, 0.3), "much forgotten": (0.6, 0.3)}
"""Chance that an owner names a change where the setting kept, and one from before its use where it
failed. A change of the days in use is named with 0.95 where it failed."""


def _causes_by_memory(seed: int, runs: int, sizes: Sequence[int] = (60, 120)) -> list[Row]:
    """How often a change is named as the cause, by memory and by days, and how often rightly."""
    rows = []
    for place, (name, recall) in enumerate(RECALL.items()):
        for units in sizes:
            for planted in (None, "firmware"):
                rng = np.random.default_rng([seed, 6, place, units])
                found = [_named(rng, units, recall, planted) for _ in range(runs)]
                before, memory, days = (float(np.mean(some)) for some in zip(*found, strict=True))
                kind = f"{name}, {units} units"
                what = "planted update named" if planted else "false cause named"
                rows += [
                    measured(f"{what} by any bound above 1, {kind}", before, "share", ""),
                    measured(f"{what} without days, {kind}", memory, "share", ""),
                    measured(f"{what} with days, {kind}", days, "share", "" if planted else MOST),
                ]
    return rows


MOST = "<= 0.05"


def _named(
    rng: np.random.Generator, units: int, recall: tuple[float, float], planted: str | None
) -> tuple[bool, bool, bool]:
    """Whether a change (the planted one, if any) is named: by any bound, by memory, by days."""
    drawn = [_recalled(rng, number, recall, planted) for number in range(units)]
    known = frozenset(range(units))
    by_memory, by_day = (
        compare_changes([one[place] for one in drawn], "chip", known).compared for place in (0, 1)
    )
    return (
        _is_first_named(by_memory, planted, _is_above_one),
        _is_first_named(by_memory, planted, _stands_out),
        _is_first_named(by_day, planted, _stands_out),
    )


def _is_above_one(one: ChangeCompared) -> bool:
    return one.lift is not None and one.lift.lower > 1


def _stands_out(one: ChangeCompared) -> bool:
    return one.stands_out


def _is_first_named(
    compared: Sequence[ChangeCompared],
    planted: str | None,
    is_named: Callable[[ChangeCompared], bool],
) -> bool:
    first = next((one for one in compared if is_named(one)), None)
    return first is not None and planted in (None, first.change)


def _recalled(
    rng: np.random.Generator, number: int, recall: tuple[float, float], planted: str | None
) -> tuple[FollowedRow, FollowedRow]:
    """A follow-up of an owner by memory, and the same one with the day of each named change."""
    days = int(rng.choice([35, 60, 95, 180]) + rng.integers(0, 15))
    span = (days + BEFORE_USE_DAYS) / 90
    made = {
        name: int(np.floor(rng.uniform(-BEFORE_USE_DAYS, days)))
        for name, share in CHANGED_BY.items()
        if rng.random() < 1 - (1 - share) ** span
    }
    failed = int(rng.integers(3, days)) if rng.random() < 0.2 else None
    if planted in made and made[planted] >= 0 and rng.random() < 0.45:
        after = made[planted] + int(rng.integers(0, 20))
        failed = min(after, days, days if failed is None else failed)
    end = days if failed is None else failed
    kept, before = recall
    in_use, earlier = (kept, 0.0) if failed is None else (0.95, before)
    named = {
        name: day
        for name, day in made.items()
        if day <= end and rng.random() < (in_use if day >= 0 else earlier)
    }
    # The update history is read with an error of a few days.
    read = tuple((name, day + round(rng.normal(0, 2))) for name, day in named.items())
    row = replace(
        _follow_up(number, is_failed=failed is not None, changed=frozenset(named)), days=end
    )
    return row, replace(row, changed=frozenset(), change_days=read)


def _a_follow_up(
    rng: np.random.Generator, number: int, failing: float, planted: str
) -> FollowedRow:
    """One in ten fails anyway; a firmware brings its microcode half of the time."""
    changed = {name for name, share in CHANGED_BY.items() if rng.random() < share}
    if "firmware" in changed and rng.random() < 0.5:
        changed.add("microcode")
    failed = rng.random() < (failing if planted in changed else 0.10)
    return _follow_up(number, is_failed=failed, changed=frozenset(changed))


def _follow_up(number: int, *, is_failed: bool, changed: frozenset[str]) -> FollowedRow:
    return FollowedRow(
        chip_key="chip",
        control="voltage_offset",
        domains="core",
        pool_id=1,
        unit_id=number,
        contributor_id=number,
        status="counted",
        stable_steps=80,
        stock_mv=None,
        outcome="failed_later" if is_failed else "still_stable",
        days=60,
        value=-70.0,
        failure="",
        is_effect_shown=True,
        changed=changed,
    )
