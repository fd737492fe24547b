"""The parts of a document that tell how a limit was searched: settings and trials."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from random import Random
from typing import Any, Final

from kbapi.exchange.club import shares
from kbapi.exchange.club.testers import Search, steps_of
from kbapi.exchange.club.truth import typing_unit

Part = dict[str, Any]

CPU_LOADS: Final = (
    ("all_core", "vector_heavy"),
    ("all_core",),
    ("all_core", "light_bursts", "vector_heavy"),
    ("all_core", "memory_heavy"),
)
GPU_LOADS: Final = (("gpu_only",), ("cpu_gpu_mix", "gpu_only"))
CPU_FAILURES: Final = ("wrong_result", "app_crash", "system_hang", "system_reset", "os_panic")
GPU_FAILURES: Final = ("artefact", "driver_reset", "app_crash", "system_hang")
_BACK_OFF_MV: Final = (5.0, 15.0)
_STOCK_MV_SD: Final = 10.0


@dataclass(frozen=True, slots=True)
class Tested:
    """A search as its tester wrote it up."""

    search: Search
    stock_mv: int | None
    """This unit's own, at the clock; only for fixed_clock_voltage."""
    minutes: int
    loads: tuple[str, ...]
    in_use: int | None
    """In what people type below stock."""
    checked_results: bool

    def on_wire(self, typed: int | None) -> float | int | None:
        """What was typed as the wire format tells it: signed, or absolute at a fixed clock."""
        if typed is None:
            return None
        below_stock = float(typed * typing_unit(self.search.pool.grid))
        value = (self.stock_mv or 0) - below_stock
        return int(value) if value.is_integer() else value


def draw_tested(rng: Random, search: Search) -> Tested:
    """The write-up of a search: how long, under which loads, and the setting lived with."""
    pool = search.pool
    on_gpu = pool.control == "fixed_clock_voltage"
    return Tested(
        search=search,
        stock_mv=None if pool.stock_mv is None else round(rng.gauss(pool.stock_mv, _STOCK_MV_SD)),
        minutes=_draw_minutes(rng),
        loads=rng.choice(GPU_LOADS if on_gpu else CPU_LOADS),
        in_use=_draw_in_use(rng, search),
        checked_results=rng.random() < 0.8,
    )


def _draw_minutes(rng: Random) -> int:
    chance = rng.random()
    if chance < shares.SHORT_TESTS:
        return rng.randint(2, 9)
    is_session = chance < shares.SHORT_TESTS + shares.SESSION_TESTS
    return rng.choice((30, 35, 45, 60, 65, 90, 120)) if is_session else rng.choice((10, 15, 20, 25))


def _draw_in_use(rng: Random, search: Search) -> int | None:
    if search.stable is None or rng.random() >= shares.IN_USE_TOLD:
        return None
    unit = float(typing_unit(search.pool.grid))
    back_off = max(1, round(rng.uniform(*_BACK_OFF_MV) * search.pool.scale / unit))
    return search.stable - back_off if search.stable > back_off else None


def setting_part(rng: Random, tested: Tested, *, has_effect: bool) -> Part:
    """One entry of `settings`; without an effect it shows none, or one that reads back stock."""
    search, pool = tested.search, tested.search.pool
    part: Part = {
        "domain": pool.domains[0],
        "control": pool.control,
        "moved_with": list(pool.domains[1:]),
        "first_tried": tested.on_wire(search.first),
        "stable_at": tested.on_wire(search.stable),
        "unstable_at": tested.on_wire(search.unstable),
        "planned_end": tested.on_wire(search.planned),
        "in_use": tested.on_wire(tested.in_use),
        "loads": list(tested.loads),
        "minutes": tested.minutes,
        "checked_results": tested.checked_results,
    }
    if pool.clock_mhz is not None:
        part |= {"clock_mhz": pool.clock_mhz, "stock_mv": tested.stock_mv}
    if search.failed:
        part["failure"] = rng.choice(GPU_FAILURES if pool.clock_mhz else CPU_FAILURES)
    return part | (_effect(rng, tested) if has_effect else _no_effect(rng, tested))


def _effect(rng: Random, tested: Tested) -> Part:
    """What shows that the setting changed something; a failure shows it as well."""
    if tested.search.failed and rng.random() < 0.5:
        return {"effect": {"shown_by": "failed_deeper"}}
    if tested.search.stable is None:
        return {}
    shown_by = rng.choices(list(shares.EFFECT_SHOWN_BY), list(shares.EFFECT_SHOWN_BY.values()))[0]
    effect: Part = {"shown_by": shown_by}
    if shown_by == "rail_voltage":
        effect["rail_mv"] = round((tested.stock_mv or 1010) - rng.uniform(40, 120), 1)
    if shown_by == "read_back":
        return {"read_back": _read_back(tested, tested.search.stable), "effect": effect}
    return {"effect": effect}


def _read_back(tested: Tested, typed: int) -> float:
    """What the control reports: the grid step that it made of what was typed."""
    pool = tested.search.pool
    below_stock = pool.grid.below_stock(steps_of(pool, typed))
    return round((tested.stock_mv or 0) - below_stock, 2)


def _no_effect(rng: Random, tested: Tested) -> Part:
    chance = rng.random()
    if chance < 0.6:
        return {}
    if chance < 0.75:
        return {"effect": {"shown_by": "read_back"}}
    # Read back is stock: the request was ignored, and the tester did not look closely.
    return {"read_back": tested.stock_mv or 0, "effect": {"shown_by": "read_back"}}


def stock_part(rng: Random, loads: Sequence[str]) -> list[Part]:
    """What passed at stock before anything was changed; a few leave it out."""
    if rng.random() >= shares.STOCK_PASSED_TOLD:
        return []
    return [{"load": loads[0], "minutes": rng.choice((10, 15, 20, 30))}]


def trials_part(tested: Tested, setting: Mapping[str, Any]) -> list[Part]:
    """The last setting that passed and the first that failed, as trials."""
    told = (("stable", tested.search.stable), ("failed", tested.search.unstable))
    return [_trial(tested, setting, outcome, typed) for outcome, typed in told if typed is not None]


def _trial(tested: Tested, setting: Mapping[str, Any], outcome: str, typed: int) -> Part:
    pool = tested.search.pool
    in_force = [
        {"domain": domain, "control": pool.control, "value": tested.on_wire(typed)}
        for domain in pool.domains
    ]
    # A failure comes somewhere inside a run: sooner the deeper, here at a fixed part of it.
    seconds = tested.minutes * (60 if outcome == "stable" else 7)
    trial: Part = {
        "settings": in_force,
        "load": tested.loads[0],
        "seconds": seconds,
        "outcome": outcome,
        "checked_results": tested.checked_results,
    }
    if pool.clock_mhz is not None:
        trial["clock_mhz"] = pool.clock_mhz
    if outcome == "failed":
        trial["failure"] = setting["failure"]
    return trial
