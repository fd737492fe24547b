"""Locks in the evidence: changes found and imagined, conditions that differ and that do not."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kbapi.advice.locks.shares import comparison_response
from kbapi.evidence.lock_differences import LockDifferences, find_lock_differences
from kbapi.evidence.locks import LockReporters, lock_shares
from kbapi.storage.locks import TriedLock
from tests.evidence.lock_makers import OF_GROUPS, a_lock_group, a_tried_lock
from tests.evidence.pool_makers import known_for_long
from tests.report import Row, measured

SEED = 20261125
SHORT_RUNS, FULL_RUNS = 200, 2_000
A_SIDE = 40
BEFORE, SINCE = 0.9, 0.4
STABLE = (0.1, 0.5, 0.9)
MONTHS = 24
CLASSES = ("harbour-15", "quay-13", "lantern-mini")
OF_CLASSES = ((0.95, 2, 9), (0.85, 0, 16), (0.25, 10, 14), (0.05, 15, 24))
"""Machine classes whose shares differ: the open share, the first and the last firmware month."""
FRESH = 22
"""New accounts that report a lock, as many as turned a share of 0.98 into 0.38 before."""
HONEST = (30, 50, 100)
OPEN_OF_HONEST = 0.98
Labels = NDArray[np.int64]


def measure(*, short: bool, runs: int | None = None) -> list[Row]:
    """Each figure in turn, through what answers are made of."""
    runs = runs or (SHORT_RUNS if short else FULL_RUNS)
    return [
        *_changes_found(runs, (3, 12) if short else (2, 3, 4, 6, 12)),
        *_changes_found(runs, (3,) if short else (3, 6, 12), CLASSES),
        *_changes_imagined(runs, (80,) if short else (80, 300)),
        *_changes_imagined(runs // 2, (80,) if short else (80, 300), CLASSES),
        *_months_of_machines(runs // 2, (160,) if short else (80, 160, 300)),
        *_flips(max(runs // 10, 20)),
        *_changes_by_newcomers(runs // 4),
        *_imagined_where_owners_have_three(runs // 2),
        _imagined_at_monthly_looks(runs // 4),
        *_conditions_imagined(runs // 2, (80,) if short else (80, 300)),
        *_conditions_found(runs // 2, (40,) if short else (20, 40, 80)),
    ]


@dataclass(frozen=True)
class _Drawn:
    """Reports by firmware month, counted from the first one, and whether each is open."""

    month: Labels
    is_open: NDArray[np.bool_]

    def reports(self, **given: list[str]) -> list[TriedLock]:
        columns = {"firmware_month": [_month_text(month) for month in self.month.tolist()], **given}
        return [
            a_tried_lock(
                number,
                "open" if opened else "firmware_locked",
                **{name: values[number] for name, values in columns.items()},
            )
            for number, opened in enumerate(self.is_open.tolist())
        ]


def _month_text(number: int) -> str:
    return f"{2024 + number // 12}-{number % 12 + 1:02}"


def _machines(rng: np.random.Generator, drawn: _Drawn, classes: Sequence[str]) -> list[str]:
    return rng.choice(classes, len(drawn.month)).tolist()


def _changes_found(
    runs: int, spans: tuple[int, ...], classes: Sequence[str] = CLASSES[:1]
) -> list[Row]:
    """A planted change, forty reports a side, by how many firmware months these lie in."""
    rows = []
    within = "" if len(classes) == 1 else f", {len(classes)} machine classes"
    for span in spans:
        rng = np.random.default_rng([SEED, 1, span, *([len(classes)] if within else [])])
        found, near, held, known = np.zeros((4, runs), dtype=np.bool_)
        for run in range(runs):
            drawn = _planted(rng, span)
            machine = _machines(rng, drawn, classes) if within else [classes[0]] * 2 * A_SIDE
            reports = drawn.reports(machine=machine)
            response = comparison_response(_differences(reports)).change
            months = np.unique(drawn.month)
            true = int(months[months >= span][0])
            found[run] = response.is_change
            near[run] = response.since is not None and abs(_number(response.since) - true) <= 1
            held[run] = response.since_range is not None and (
                _number(response.since_range[0]) <= true <= _number(response.since_range[1])
            )
            known[run] = abs(_best_place(drawn, months) - true) <= 1
        where = f"{BEFORE} to {SINCE}, {A_SIDE} a side in {span} firmware months each{within}"
        rows += [
            measured(f"change found, {where}", float(found.mean()), "share", ">= 0.95"),
            measured(f"found within a month, {where}", float(near.mean()), "share", ">= 0.95"),
            measured(
                f"within a month where both shares are known, {where}",
                float(known.mean()),
                "share",
                "",
                "the most that any rule for the month reaches, had it nothing to find out first",
            ),
            measured(
                f"months told hold the true one, of those found, {where}",
                float(held[found].mean()),
                "share",
                ">= 0.95",
            ),
        ]
    return rows


def _planted(rng: np.random.Generator, span: int) -> _Drawn:
    month = rng.integers(0, span, 2 * A_SIDE) + span * np.repeat([0, 1], A_SIDE)
    return _Drawn(month, rng.random(2 * A_SIDE) < np.where(month < span, BEFORE, SINCE))


def _number(month: str) -> int:
    year, of_year = month.split("-")
    return (int(year) - 2024) * 12 + int(of_year) - 1


def _best_place(drawn: _Drawn, months: Labels) -> int:
    """The month within one of which the change most likely lies, by Bayes with both shares known.

    No rule that looks at the same reports is within a month more often on average.
    """
    gain = np.log(np.where(drawn.is_open, BEFORE / SINCE, (1 - BEFORE) / (1 - SINCE)))
    cuts = months[1:]
    likely = np.array([gain[drawn.month < cut].sum() for cut in cuts])
    chance = np.exp(likely - likely.max())
    near = [chance[np.abs(cuts - cut) <= 1].sum() for cut in cuts]
    return int(cuts[int(np.argmax(near))])


def _changes_imagined(
    runs: int, sizes: tuple[int, ...], classes: Sequence[str] = CLASSES[:1]
) -> list[Row]:
    """Reports of two years whose share never changes."""
    rows = []
    within = "" if len(classes) == 1 else f", {len(classes)} machine classes"
    for size in sizes:
        for share in STABLE:
            seed = [SEED, 2, size, int(10 * share), *([len(classes)] if within else [])]
            rng = np.random.default_rng(seed)
            found = [_is_change(_stable(rng, size, share), rng, classes) for _ in range(runs)]
            what = f"change imagined, open {share}, {size} reports, {MONTHS} months{within}"
            error = f"binomial error {np.sqrt(0.008 * 0.992 / runs):.4f}"
            rows.append(measured(what, float(np.mean(found)), "share", "< 0.01", error))
    return rows


def _stable(rng: np.random.Generator, size: int, share: float) -> _Drawn:
    return _Drawn(rng.integers(0, MONTHS, size), rng.random(size) < share)


def _is_change(
    drawn: _Drawn, rng: np.random.Generator | None = None, classes: Sequence[str] = CLASSES[:1]
) -> bool:
    if rng is None or len(classes) == 1:
        reports = drawn.reports()
    else:
        reports = drawn.reports(machine=_machines(rng, drawn, classes))
    return comparison_response(_differences(reports)).change.is_change


def _months_of_machines(runs: int, sizes: tuple[int, ...]) -> list[Row]:
    """Machine classes with months and shares of their own, stable within each class."""
    rows = []
    for size in sizes:
        for stated in (1.0, 0.5, 0.0):
            rng = np.random.default_rng([SEED, 7, size, int(10 * stated)])
            found = [_of_machines(rng, size, stated) for _ in range(runs)]
            where = (
                f"{size} reports, months that belong to machines, {stated:.0%} of classes stated"
            )
            named = [{"firmware_month", "microcode"} & {s.by for s in one.splits} for one in found]
            changed = [comparison_response(one).change.is_change for one in found]
            rows += [
                measured(f"change of machines, {where}", _mean(changed), "share", "<= 0.02"),
                measured(f"version of machines, {where}", _mean(named), "share", "<= 0.05"),
            ]
    return rows


def _mean(found: Sequence[object]) -> float:
    return float(np.mean([bool(one) for one in found]))


def _of_machines(rng: np.random.Generator, size: int, stated: float) -> LockDifferences:
    machine = rng.integers(0, len(OF_CLASSES), size)
    share, first, last = (np.array(column)[machine] for column in zip(*OF_CLASSES, strict=True))
    drawn = _Drawn(rng.integers(first, last), rng.random(size) < share)
    is_stated = rng.random(size) < stated
    reports = drawn.reports(
        machine=[
            f"harbour-{number}" if known else ""
            for number, known in zip(machine.tolist(), is_stated.tolist(), strict=True)
        ],
        microcode=[f"0x{month // 4:x}" for month in drawn.month.tolist()],
    )
    return _differences(reports)


def _reporters(honest: int, established: int) -> LockReporters:
    """In an instance where no one is established, small cells count everyone."""
    if established:
        return known_for_long(frozenset(range(established)))
    return LockReporters(frozenset([*range(honest), *range(1_000, 1_000 + FRESH)]), frozenset())


def _flips(runs: int) -> list[Row]:
    """How far fresh accounts move the open share, by how many honest ones are established."""
    rows = []
    for honest in HONEST:
        for part in (1.0, 0.5, 1 / 3, 0.0):
            rng = np.random.default_rng([SEED, 8, honest, int(100 * part)])
            established = round(part * honest)
            moved = [_moved(rng, honest, established) for _ in range(runs)]
            where = f"{honest} honest units, {established} of them established"
            wanted = "<= 0.10" if established >= 8 else ""
            rows.append(
                measured(
                    f"{FRESH} fresh accounts move the open share at most, {where}",
                    float(max(moved)),
                    "share",
                    wanted,
                )
            )
    return rows


def _moved(rng: np.random.Generator, honest: int, established: int) -> float:
    opened = int(rng.binomial(honest, OPEN_OF_HONEST))
    reporters = _reporters(honest, established)
    # Which of the established report a lock is drawn; the fresh ones all do.
    owners = rng.permutation(honest).tolist()
    groups = [a_lock_group("open", owners[:opened])] if opened else []
    if opened < honest:
        groups.append(a_lock_group("firmware_locked", owners[opened:]))
    flood = a_lock_group("firmware_locked", range(1_000, 1_000 + FRESH), firmware_month="2026-08")
    before, after = (
        lock_shares(some, *OF_GROUPS, reporters, in_parts=False).open.share
        for some in (groups, [*groups, flood])
    )
    return abs(after - before)


def _changes_by_newcomers(runs: int) -> list[Row]:
    """Fresh accounts that report a lock in the newest month, beside a stable series."""
    rows = []
    for honest, established in ((30, 30), (100, 100), (30, 15), (100, 50), (30, 0)):
        rng = np.random.default_rng([SEED, 9, honest, established])
        found = []
        for _ in range(runs):
            stable = _stable(rng, honest, STABLE[-1]).reports()
            flood = [
                a_tried_lock(
                    1_000 + number, "firmware_locked", firmware_month=_month_text(MONTHS - 1)
                )
                for number in range(FRESH)
            ]
            reporters = _reporters(honest, established)
            differences = find_lock_differences([*stable, *flood], STABLE[-1], reporters)
            found.append(comparison_response(differences).change.is_change)
        where = f"{honest} honest units, {established} of them established"
        wanted = "<= 0.02" if established >= 12 else ""
        what = f"change imagined for {FRESH} fresh accounts, {where}"
        rows.append(measured(what, _mean(found), "share", wanted))
    return rows


def _imagined_where_owners_have_three(runs: int) -> list[Row]:
    """Of 100 owners 30 send three equal machines: counted once, and counted three times."""
    rng = np.random.default_rng([SEED, 6])
    found = np.zeros((2, runs), dtype=np.bool_)
    for run in range(runs):
        owners = _stable(rng, 100, STABLE[run % len(STABLE)]).reports()
        of_three = [(owner, twin) for owner in owners[:30] for twin in (1, 2)]
        more = [owner._replace(unit_order=bytes([twin])) for owner, twin in of_three]
        others = [
            owner._replace(contributor_id=1000 + number)
            for number, (owner, _) in enumerate(of_three)
        ]
        for place, reports in enumerate(([*owners, *more], [*owners, *others])):
            found[place, run] = comparison_response(_differences(reports)).change.is_change
    what = "change imagined, 30 of 100 owners send three machines that are alike"
    return [
        measured(what, float(found[0].mean()), "share", "< 0.01"),
        measured(f"were all of these heard: {what}", float(found[1].mean()), "share", ""),
    ]


def _imagined_at_monthly_looks(runs: int) -> Row:
    """Tested every month of a second year, as reports come in; no level is promised."""
    rng = np.random.default_rng([SEED, 3])
    found = []
    for run in range(runs):
        drawn = _stable(rng, 160, STABLE[run % len(STABLE)])
        looks = (drawn.month < look for look in range(MONTHS // 2 + 1, MONTHS + 1))
        found.append(any(_is_change(_Drawn(drawn.month[k], drawn.is_open[k])) for k in looks))
    what = "change imagined at any of twelve monthly looks, 160 reports"
    return measured(what, float(np.mean(found)), "share", "")


def _conditions_imagined(runs: int, sizes: tuple[int, ...]) -> list[Row]:
    """Conditions without effect, as owners report them, firmware and microcode together."""
    rows = []
    for size in sizes:
        for share in STABLE:
            rng = np.random.default_rng([SEED, 4, size, int(10 * share)])
            found = [bool(_with_conditions(rng, size, share, share).splits) for _ in range(runs)]
            what = f"any of eight conditions said to differ, open {share}, {size} reports"
            rows.append(measured(what, float(np.mean(found)), "share", "< 0.05"))
    return rows


def _conditions_found(runs: int, sides: tuple[int, ...]) -> list[Row]:
    """How often a condition that does matter is named, and how often another one beside it."""
    rows = []
    for a_side in sides:
        for without in (0.7, 0.5):
            rng = np.random.default_rng([SEED, 5, a_side, int(10 * without)])
            found = [_with_conditions(rng, 2 * a_side, BEFORE, without) for _ in range(runs)]
            named = [{split.by for split in one.splits} for one in found]
            where = f"open {BEFORE} and {without}, {a_side} a side"
            rows.append(
                measured(
                    f"condition that matters named, {where}",
                    float(np.mean(["memory_integrity" in names for names in named])),
                    "share",
                    "",
                )
            )
            rows.append(
                measured(
                    f"condition that means nothing named beside it, {where}",
                    float(np.mean([bool(names - {"memory_integrity"}) for names in named])),
                    "share",
                    "< 0.05",
                )
            )
    return rows


def _with_conditions(
    rng: np.random.Generator, size: int, share_off: float, share_on: float
) -> LockDifferences:
    """Units of three classes, six firmware months with their microcodes and five protections.

    Memory integrity is on for every second unit, and alone decides the share.
    """
    firmware = rng.integers(0, 6, size)
    is_on = np.arange(size) % 2 == 1
    states = {
        name: rng.choice(["on", "off", "unknown"], size, p=[0.3, 0.3, 0.4]).tolist()
        for name in ("virtualization", "hypervisor", "kernel_lockdown", "voltage_write_protection")
    }
    share = np.where(is_on, share_on, share_off)
    drawn = _Drawn(4 * firmware, rng.random(size) < share)
    return _differences(
        drawn.reports(
            machine=rng.choice(["harbour-15", "quay-13", "lantern-mini"], size).tolist(),
            microcode=[f"0x{version // 2:x}" for version in firmware.tolist()],
            memory_integrity=["on" if on else "off" for on in is_on.tolist()],
            **states,
        )
    )


def _differences(reports: list[TriedLock]) -> LockDifferences:
    opened = sum(report.status == "open" for report in reports)
    return find_lock_differences(
        reports,
        opened / len(reports),
        known_for_long(frozenset(report.contributor_id for report in reports)),
    )
