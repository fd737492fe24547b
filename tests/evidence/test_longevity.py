"""Settings in use and changes as follow-ups tell them; drift from each unit's latest result."""

from dataclasses import dataclass, replace
from datetime import timedelta
from fractions import Fraction
from random import Random
from typing import Any

import numpy as np
import pytest

from kbapi.advice.evidence_found import load_standing_in
from kbapi.evidence.comparisons import DatedRows, PoolDrift, dated_rows, drift_of, load_drift
from kbapi.evidence.longevity import (
    LEAST_RATIO,
    MARGINS,
    RECALL_RATIO,
    SettingInUse,
    compare_changes,
    longevity_evidence,
    settings_in_use,
)
from kbapi.instance.instance import Instance
from kbapi.intake.follow_up import accept_follow_up
from kbapi.stats.intervals import NEVER_FAILED, Grid
from kbapi.stats.time.drift import NO_DRIFT
from kbapi.storage.evidence import ConditionsRow, read_results
from kbapi.storage.follow_ups import FollowedRow, load_followed_of_series
from kbapi.storage.pools import find_largest_pool
from kbapi.vocabulary import FOLLOW_UP_CHANGES
from tests.makers import (
    CHIP,
    HandMovedClock,
    a_body,
    a_fixed_clock_setting,
    a_setting,
    a_submission,
    send,
)

GRID = Grid(Fraction(125, 128))
IN_MV = MARGINS["voltage_offset"]


def a_row(
    unit: int = 1, outcome: str = "still_stable", days: int = 40, **parts: Any
) -> FollowedRow:
    fields: dict[str, Any] = {
        "chip_key": "one",
        "control": "voltage_offset",
        "domains": "core",
        "pool_id": 1,
        "contributor_id": unit,
        "status": "counted",
        "stable_steps": 82,
        "stock_mv": None,
        "value": -70,
        "failure": "",
        "is_effect_shown": True,
        "changed": frozenset(parts.pop("changed", ())),
    }
    return FollowedRow(unit_id=unit, outcome=outcome, days=days, **(fields | parts))


def in_use(*rows: FollowedRow) -> list[tuple[int, int, bool]]:
    """Band, days and failure of each setting."""
    return [(one.band, one.days, one.failed) for one in settings_in_use(rows, GRID, IN_MV)]


def test_a_setting_with_several_follow_ups_counts_once_and_a_failure_decides() -> None:
    assert in_use(a_row(days=30), a_row(days=95), a_row(days=60)) == [(1, 95, False)]
    assert in_use(a_row(days=95), a_row(outcome="failed_later", days=70)) == [(1, 70, True)]


def test_a_failure_nearer_to_stock_is_one_of_every_deeper_setting() -> None:
    failed = a_row(outcome="failed_later", value=-60, days=30)
    assert in_use(a_row(days=40), failed) == [(2, 30, True), (1, 40, True)]
    deeper = a_row(outcome="failed_later", value=-75, days=30)
    assert in_use(a_row(days=40), deeper) == [(1, 40, False), (1, 30, True)]


def test_a_later_result_that_failed_there_ends_a_followed_setting(instance: Instance) -> None:
    clock = HandMovedClock()
    instance.now = clock
    first = send(instance, a_submission(a_setting(in_use=-70)))
    clock.moment += timedelta(days=40)
    stable = {"domain": "core", "control": "voltage_offset", "outcome": "still_stable"}
    shown = {"days": 40, "effect": {"shown_by": "read_back"}}
    accept_follow_up(instance, first.id, first.receipt, a_body(stable | shown))

    def found() -> list[tuple[int, int, bool]]:
        with instance.reading() as connection:
            rows = load_followed_of_series(connection, "norvane-sable-48-mx")
        return in_use(*rows)

    assert found() == [(1, 40, False)]
    clock.moment += timedelta(days=20)
    # Deeper than the setting in use: this is no failure of it.
    send(instance, a_submission(a_setting(stable_at=-80, unstable_at=-85), measured_in="2026-11"))
    assert found() == [(1, 40, False)]
    # Measured before the first result: this is not later.
    old = a_setting(stable_at=-50, unstable_at=-60)
    send(instance, a_submission(old, measured_in="2026-07"))
    assert found() == [(1, 40, False)]
    send(instance, a_submission(old, measured_in="2026-11"))
    assert found() == [(1, 60, True)]


def test_two_settings_of_a_unit_are_two() -> None:
    assert in_use(a_row(), a_row(value=-60, days=50)) == [(2, 50, False), (1, 40, False)]


@pytest.mark.parametrize(
    "outcome", ["locked_later", "machine_gone", "given_up", "fails_at_stock_too"]
)
def test_what_is_said_of_the_machine_ends_the_watch_of_all_its_settings(outcome: str) -> None:
    end = a_row(outcome=outcome, days=50, value=None)
    assert in_use(a_row(days=30), a_row(value=-60, days=20), end) == [
        (2, 50, False),
        (1, 50, False),
    ]
    # What is stable while it is locked says nothing.
    assert in_use(a_row(days=90), end) == [(1, 50, False)]
    assert in_use(end) == []
    assert in_use(a_row(outcome=outcome, days=50)) == [(1, 50, False)]


def test_giving_up_after_a_failure_is_a_failure() -> None:
    assert in_use(a_row(outcome="given_up", days=9, failure="os_panic")) == [(1, 9, True)]


@pytest.mark.parametrize(
    ("changed", "effect", "days"),
    [(["firmware"], False, []), (["firmware"], True, [40]), (["season"], False, [40])],
)
def test_an_update_may_close_a_control(changed: list[str], effect: bool, days: list[int]) -> None:
    found = in_use(a_row(changed=changed, is_effect_shown=effect))
    assert [one[1] for one in found] == days


@pytest.mark.parametrize(
    "parts",
    [
        {"status": "unverified"},
        {"stable_steps": None},
        {"value": -90},
        {"value": 0},
        {"value": None},
    ],
)
def test_what_has_no_proven_limit_beyond_it_is_left_out(parts: dict[str, Any]) -> None:
    assert in_use(a_row(**parts)) == []


@pytest.mark.parametrize(
    ("stable_at", "value", "band"),
    [
        (82, -82, 0),
        (82, -81, 1),
        (66, -56, 1),
        (66, -55, 2),
        (82, -62, 2),
        (82, -52, 3),
        (82, -50, 4),
    ],
)
def test_a_band_of_margin_is_that_of_the_values_that_people_type(
    stable_at: int, value: float, band: int
) -> None:
    row = a_row(stable_steps=GRID.stable_steps(stable_at), value=value)
    assert in_use(row) == [(band, 40, False)]


def test_a_fixed_clock_counts_from_its_own_stock_voltage() -> None:
    row = a_row(control="fixed_clock_voltage", stable_steps=100, stock_mv=900, value=812)
    assert in_use(row) == [(1, 40, False)]
    assert in_use(a_row(control="fixed_clock_voltage", stock_mv=None, value=812)) == []


EVERYONE = frozenset(range(1_000))
"""All contributors, as established."""


def test_five_units_of_its_own_are_enough_and_before_them_the_series_speaks() -> None:
    own = [a_row(number) for number in range(4)]
    others = [a_row(number + 10, chip_key="other") for number in range(3)]
    unknown = [a_row(20, chip_key="unreadable")]

    def level(*rows: FollowedRow) -> tuple[str, int]:
        grids = {"one": GRID, "other": GRID}
        found = longevity_evidence(rows, "one", "voltage_offset", grids.get, EVERYONE)
        return found.level, found.units

    assert level(*own) == ("none", 0)
    assert level(*own, *others, *unknown) == ("series", 7)
    assert level(*own, a_row(4), *others) == ("chip", 5)


def test_settings_in_use_tell_whose_they_are() -> None:
    (found,) = settings_in_use([a_row(7, contributor_id=3)], GRID, IN_MV)
    assert found == SettingInUse(7, 3, 1, 40, failed=False, margin=10 * 125 / 128)


def test_a_setting_weighs_what_its_unit_weighs_however_many_it_had() -> None:
    of_one = [a_row(n, contributor_id=1, days=50) for n in range(4)]
    second = a_row(3, contributor_id=1, value=-60, days=50)
    others = [a_row(n, days=50) for n in range(10, 14)]
    found = longevity_evidence(
        [*of_one, second, *others], "one", "voltage_offset", {"one": GRID}.get, EVERYONE
    )
    assert found.curve().after(30, 0.95).followed == pytest.approx(5 * 0.25 + 4)


def test_a_unit_counts_once_for_a_change_by_its_failure_if_it_has_one() -> None:
    rows = [
        *(a_row(n, changed=["firmware"]) for n in range(6)),
        *(a_row(n, "failed_later", changed=["firmware"]) for n in range(3)),
        *(a_row(n + 10, changed=["season"]) for n in range(6)),
        a_row(30, changed=["firmware"], is_effect_shown=False),
        a_row(31, "machine_gone", changed=["firmware"]),
    ]
    found = compare_changes(rows, "one", EVERYONE)
    assert (found.level, found.units) == ("chip", 12)
    first = found.compared[0]
    counts = (first.failed_with, first.kept_with, first.failed_without, first.kept_without)
    assert (first.change, counts) == ("firmware", (3, 3, 0, 6))
    assert [one.change for one in found.compared if one.lift is None] == [
        "microcode",
        "driver",
        "os",
        "cooling",
    ]


@pytest.mark.parametrize(
    ("day", "parts", "counts"),
    [
        (25, {}, True),
        (40, {}, True),
        (41, {}, False),
        (-1, {}, False),
        (0, {}, True),
        (20, {"last_stable_day": 20}, False),
        (21, {"last_stable_day": 20}, True),
        (39, {"last_stable_day": 40}, False),
        (40, {"last_stable_day": 40}, True),
    ],
)
def test_a_change_of_a_failure_counts_after_the_last_good_day_up_to_the_first_bad_one(
    day: int, parts: dict[str, Any], counts: bool
) -> None:
    dated = [("os", day)]
    rows = [a_row(n, "failed_later", change_days=dated, **parts) for n in range(6)]
    rows += [a_row(n) for n in range(10, 16)]
    found = {one.change: one for one in compare_changes(rows, "one", EVERYONE).compared}
    assert found["os"].failed_with == (6 if counts else 0)
    assert not found["os"].is_by_memory


def test_an_earlier_pass_is_the_last_good_day_and_a_failure_is_the_first_bad_one() -> None:
    rows = [a_row(n, days=20) for n in range(6)]
    rows += [a_row(n, "failed_later", change_days=[("os", 15)]) for n in range(3)]
    rows += [a_row(n, "failed_later", change_days=[("os", 25)]) for n in range(3, 6)]
    # What failed on day 24 already cannot have failed because of day 25.
    rows += [a_row(3, "failed_later", days=24)]
    found = {one.change: one for one in compare_changes(rows, "one", EVERYONE).compared}
    assert (found["os"].failed_with, found["os"].failed_without) == (2, 4)


@pytest.mark.parametrize(("day", "counts"), [(25, True), (10, False), (31, False)])
def test_the_last_good_day_of_a_later_failure_does_not_hide_the_cause_of_the_first(
    day: int, counts: bool
) -> None:
    dated = [("firmware", day)]
    rows = [a_row(n, "failed_later", days=30, change_days=dated) for n in range(6)]
    rows = [replace(row, last_stable_day=10) for row in rows]
    rows += [a_row(n, "failed_later", days=90, last_stable_day=80) for n in range(6)]
    rows += [a_row(n) for n in range(10, 16)]
    found = {one.change: one for one in compare_changes(rows, "one", EVERYONE).compared}
    assert found["firmware"].failed_with == (6 if counts else 0)


def test_a_setting_that_kept_counts_with_the_changes_since_its_first_day() -> None:
    rows = [a_row(n, change_days=[("os", 10 * n - 5)]) for n in range(6)]
    found = {one.change: one for one in compare_changes(rows, "one", EVERYONE).compared}
    assert (found["os"].kept_with, found["os"].kept_without) == (4, 2)


def test_one_change_without_its_day_makes_a_comparison_one_by_memory() -> None:
    rows = [a_row(n, "failed_later", change_days=[("os", 30)]) for n in range(14)]
    rows += [a_row(n) for n in range(20, 34)]
    dated = compare_changes(rows, "one", EVERYONE).compared[0]
    assert (dated.change, dated.is_by_memory, dated.stands_out) == ("os", False, True)
    named = compare_changes([*rows, a_row(40, changed=["os"])], "one", EVERYONE).compared[0]
    assert (named.change, named.is_by_memory) == ("os", True)


def test_by_memory_a_change_stands_out_only_beyond_what_memory_makes_of_nothing() -> None:
    rows = [
        a_row(n, "failed_later" if n % 40 < 17 else "still_stable", changed=["os"] * (n < 40))
        for n in range(80)
    ]
    rows = [replace(row, outcome="still_stable") if 46 < row.unit_id < 57 else row for row in rows]
    (memory,) = compare_changes(rows, "one", EVERYONE, {"os"}).compared
    assert memory.lift is not None
    assert LEAST_RATIO < memory.lift.lower < RECALL_RATIO
    assert not memory.stands_out
    dated = [
        replace(row, changed=frozenset(), change_days=tuple((c, 5) for c in row.changed))
        for row in rows
    ]
    (by_day,) = compare_changes(dated, "one", EVERYONE, {"os"}).compared
    assert by_day.lift == memory.lift
    assert by_day.stands_out


def test_an_update_that_may_have_closed_a_control_does_so_with_a_day_too() -> None:
    rows = [a_row(n, change_days=[("firmware", 9)], is_effect_shown=False) for n in range(9)]
    assert compare_changes(rows, "one", EVERYONE).units == 0
    assert in_use(rows[0]) == []


def test_equal_lifts_stand_in_the_order_of_the_vocabulary() -> None:
    rows = [
        a_row(n, "failed_later" if n % 2 else "still_stable", changed=["os", "driver"] * (n < 8))
        for n in range(16)
    ]
    assert [one.change for one in compare_changes(rows, "one", EVERYONE).compared[:2]] == [
        "driver",
        "os",
    ]


def test_changes_that_mean_nothing_hardly_ever_stand_out_however_many_are_looked_at() -> None:
    rng = np.random.default_rng(11)
    stood_out = 0
    for _ in range(200):
        rows = []
        for unit in range(60):
            changed = [change for change in FOLLOW_UP_CHANGES if rng.random() < 0.3]
            outcome = "failed_later" if rng.random() < 0.2 else "still_stable"
            rows.append(a_row(unit, outcome, changed=changed))
        lift = compare_changes(rows, "one", EVERYONE).compared[0].lift
        stood_out += lift is not None and lift.lower > 1
    # One in twenty, and three standard errors of 200 pools.
    assert stood_out <= 200 * 0.05 + 3 * (200 * 0.05 * 0.95) ** 0.5


def test_a_bound_is_adjusted_only_for_the_reported_changes() -> None:
    rows = [
        a_row(n, "failed_later" if n % 3 else "still_stable", changed=["os", "driver"] * (n < 12))
        for n in range(30)
    ]
    alone = compare_changes(rows, "one", EVERYONE, {"os"}).compared
    assert [one.change for one in alone] == ["os"]
    together = compare_changes(rows, "one", EVERYONE).compared[1]
    assert together.change == "os"
    assert alone[0].lift is not None
    assert together.lift is not None
    assert alone[0].lift.ratio == together.lift.ratio
    assert alone[0].lift.lower > together.lift.lower


def test_a_flood_of_one_contributor_weighs_one_unit_among_few() -> None:
    rows = [a_row(n, "failed_later", changed=["os"], contributor_id=1) for n in range(30)]
    rows += [a_row(n + 40, changed=["os"]) for n in range(4)] + [a_row(n + 50) for n in range(6)]
    lift = compare_changes(rows, "one", EVERYONE).compared[0].lift
    assert lift is not None
    assert lift.with_change.units == pytest.approx(5, abs=1e-4)


@dataclass(frozen=True)
class Dated:
    """A result that failed six steps past what it passed; without a unit, of one of its own."""

    depth: int
    contributor: int
    month: str
    parts: dict[str, str]
    unit: int | None = None
    established: bool = True


def a_dated(number: int, depth: int, month: str, sender: int | None = None, **parts: str) -> Dated:
    return Dated(depth + number % 9, number if sender is None else sender, month, parts)


def drift_among(results: list[Dated], *, with_mix: bool = False) -> PoolDrift:
    """Their drift, units without a number numbered in the given order."""
    kinds = sorted({tuple(sorted(one.parts.items())) for one in results})
    unknown = dict.fromkeys(("loads", "grade", "cooling", "supply", "firmware", "microcode"), "")
    usual = unknown | {"machine": "harbour-15"}
    depth = np.array([one.depth for one in results])
    year_and_month = [one.month.split("-") for one in results]
    return drift_of(
        DatedRows(
            unit=np.array([n if one.unit is None else one.unit for n, one in enumerate(results)]),
            contributor=np.array([one.contributor for one in results]),
            conditions=np.array([kinds.index(tuple(sorted(one.parts.items()))) for one in results]),
            stable_steps=depth,
            unstable_steps=depth + 6,
            month=np.array([12 * int(year) + int(month) for year, month in year_and_month]),
            established=np.array([one.established for one in results]),
        ),
        [ConditionsRow(id=place, **usual | dict(kind)) for place, kind in enumerate(kinds)],
        with_mix=with_mix,
    )


def test_a_drift_names_its_month_or_its_version() -> None:
    before = [a_dated(n, 90, f"2025-{10 + n % 3}") for n in range(40)]
    since = [a_dated(n + 40, 75, f"2026-0{1 + n % 3}") for n in range(40)]
    drift = drift_among([*before, *since])
    assert (drift.found.is_drift, drift.since, drift.version) == (True, "2026-01", "")
    mixed = [a_dated(n, 90, f"2026-0{1 + n % 3}", microcode="0x2b") for n in range(40)]
    mixed += [a_dated(n + 40, 90, "2025-12", microcode="0x2b") for n in range(9)]
    mixed += [a_dated(n + 60, 75, f"2026-0{1 + n % 3}", microcode="0x2c") for n in range(40)]
    drift = drift_among(mixed)
    assert (drift.found.kind, drift.since, drift.version) == ("microcode", "2026-01", "0x2c")
    assert drift_among(before).since == ""


def a_shift(senders: int) -> list[Dated]:
    """Sixty people, then sixty units that go 15 mV less deep, of one or of many people."""
    before = [a_dated(n, 90, f"2025-{10 + n % 3}") for n in range(60)]
    shallower = [a_dated(n, 75, f"2026-0{1 + n % 3}", sender=100 + n % senders) for n in range(60)]
    return [*before, *shallower]


def test_a_flood_of_one_contributor_is_no_drift() -> None:
    assert drift_among(a_shift(60)).found.is_drift
    flooded = drift_among(a_shift(1)).found
    assert not flooded.is_drift
    assert flooded.units_before + flooded.units_since == 63
    # Of twenty people with three units each every unit is heard, as before.
    assert drift_among(a_shift(20)).found == drift_among(a_shift(60)).found


def test_new_contributors_alone_neither_raise_nor_hide_a_drift() -> None:
    shifted = a_shift(60)
    by_new = [replace(one, established=one.contributor < 100) for one in shifted]
    assert drift_among(shifted).found.is_drift
    assert not drift_among(by_new).found.is_drift
    assert drift_among(by_new) == drift_among(shifted[:60])
    # Six hundred new accounts that report the old limits change nothing.
    flood = [a_dated(n + 1000, 90, f"2026-0{1 + n % 3}") for n in range(600)]
    flooded = [*shifted, *(replace(one, established=False) for one in flood)]
    assert drift_among(flooded, with_mix=True) == drift_among(shifted, with_mix=True)


def test_only_stated_machines_drift_and_others_are_said_to_differ() -> None:
    stated = a_shift(60)
    unstated = [replace(one, parts={"machine": ""}) for one in stated]
    assert not drift_among(unstated).is_mix_changed
    for results in (unstated, [replace(one, established=False) for one in stated]):
        drift = drift_among(results, with_mix=True)
        assert (drift.found, drift.is_mix_changed) == (NO_DRIFT, True)
    assert not drift_among(unstated[:60], with_mix=True).is_mix_changed
    drift = drift_among(stated, with_mix=True)
    assert (drift.found.is_drift, drift.is_mix_changed) == (True, False)


def test_which_units_of_a_flood_are_chosen_does_not_depend_on_their_arrival() -> None:
    senders = [a_dated(n, 90, f"2025-{10 + n % 3}") for n in range(60)]
    many = [a_dated(n, 75, f"2026-0{1 + n % 3}", sender=100 + n % 9) for n in range(90)]
    drift = drift_among([*senders, *many])
    for seed in range(5):
        mixed = [*senders, *many]
        Random(seed).shuffle(mixed)
        assert drift_among(mixed) == drift
    assert drift.found.units_since == 27


def test_a_unit_is_dated_by_its_latest_result_whatever_came_in_first() -> None:
    once = a_shift(60)
    told_before = [
        replace(one, unit=n, month="2025-09", depth=40) for n, one in enumerate(once) if n >= 60
    ]
    for results in ([*once, *told_before], [*told_before, *once]):
        numbered = [
            one if one.unit is not None else replace(one, unit=once.index(one)) for one in results
        ]
        assert drift_among(numbered) == drift_among(once)


def test_dated_are_the_counted_results_alone_as_they_were_sent(instance: Instance) -> None:
    send(instance, a_submission(number=1, measured_in="2026-05"))
    later = a_setting(stable_at=-70, unstable_at=None, read_back=-70)
    send(instance, a_submission(later, number=1, measured_in="2026-07"))
    unverified = a_setting(unstable_at=None)
    send(instance, a_submission(unverified, number=2, measured_in="2026-07"))
    failed = a_setting(stable_at=None, unstable_at=-60)
    send(instance, a_submission(failed, number=3, platform={"firmware": "1.14"}))
    with instance.reading() as connection:
        pool_id = find_largest_pool(connection, CHIP, "voltage_offset", "core")
        assert pool_id is not None
        rows = dated_rows(read_results(connection, pool_id), np.zeros(0, int))
        standing = load_standing_in(connection, instance)
        assert load_drift(connection, pool_id, standing).found.kind is None
        assert find_largest_pool(connection, CHIP, "voltage_offset", "graphics") is None
    columns = (rows.stable_steps, rows.unstable_steps, rows.month - 12 * 2026)
    found = sorted(zip(*(column.tolist() for column in columns), strict=True))
    # A stop without a stated end takes five mV off a pass that never failed.
    assert found == [(0, 61, 8), (67, NEVER_FAILED, 7), (82, 92, 5)]
    assert len(set(rows.unit.tolist())) == len(set(rows.contributor.tolist())) == 2
    assert len(set(rows.conditions.tolist())) == 2


def test_the_largest_pool_of_a_clock_is_found(instance: Instance) -> None:
    for number in range(3):
        clock = 1800 if number else 1500
        setting = a_fixed_clock_setting(clock_mhz=clock)
        send(
            instance,
            a_submission(setting, number=number, chip="Osmer Kestrel 640 Laptop Graphics"),
        )
    with instance.reading() as connection:
        key = "osmer-kestrel-640-laptop"
        pool_id = find_largest_pool(connection, key, "fixed_clock_voltage", "gpu_core")
        assert pool_id is not None
        assert len(dated_rows(read_results(connection, pool_id), np.zeros(0, int)).unit) == 2
