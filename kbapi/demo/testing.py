"""How a member tests a unit: trials, readings at stock and tuned, and failures.

At equal clock power falls with the square of the voltage. A chip that sits at its power limit
keeps its power and raises its clock instead, along power ~ clock ** 2.2. Heat above ambient goes
with power. Performance follows the clock to the power of 0.9. A lower power limit reduces the clock
along the same curve.
"""

from collections.abc import Mapping, Sequence
from copy import copy
from dataclasses import dataclass
from functools import partial
from random import Random
from typing import Any, Final

from kbapi.demo import truth
from kbapi.demo.machines import SUSTAINED_W, Machine
from kbapi.demo.members import Search, steps_of
from kbapi.demo.truth import typing_unit

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
    """A search with the tester's description of the tests."""

    search: Search
    stock_mv: int | None
    """Stock voltage of this unit at the clock; only for fixed_clock_voltage."""
    minutes: int
    loads: tuple[str, ...]
    in_use: int | None
    """In typed units below stock."""
    checked_results: bool

    def on_wire(self, typed: int | None) -> float | int | None:
        """A typed number in the wire format: signed, or absolute at a fixed clock."""
        if typed is None:
            return None
        below_stock = float(typed * typing_unit(self.search.pool.grid))
        value = (self.stock_mv or 0) - below_stock
        return int(value) if value.is_integer() else value


def draw_tested(rng: Random, search: Search) -> Tested:
    """Minutes, loads and setting in use of a search, drawn at random."""
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
    if chance < truth.SHORT_TESTS:
        return rng.randint(2, 9)
    is_session = chance < truth.SHORT_TESTS + truth.SESSION_TESTS
    return rng.choice((30, 35, 45, 60, 65, 90, 120)) if is_session else rng.choice((10, 15, 20, 25))


def _draw_in_use(rng: Random, search: Search) -> int | None:
    if search.stable is None or rng.random() >= truth.IN_USE_REPORTED:
        return None
    unit = float(typing_unit(search.pool.grid))
    back_off = max(1, round(rng.uniform(*_BACK_OFF_MV) * search.pool.scale / unit))
    return search.stable - back_off if search.stable > back_off else None


def setting_part(rng: Random, tested: Tested, *, has_effect: bool) -> Part:
    """One entry of `settings`; without an effect it proves none, or reads back stock."""
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
    """The proof that the setting has an effect; a failure is a proof as well."""
    if tested.search.failed and rng.random() < 0.5:
        return {"effect": {"shown_by": "failed_deeper"}}
    if tested.search.stable is None:
        return {}
    shown_by = rng.choices(list(truth.EFFECT_SHOWN_BY), list(truth.EFFECT_SHOWN_BY.values()))[0]
    effect: Part = {"shown_by": shown_by}
    if shown_by == "rail_voltage":
        effect["rail_mv"] = round((tested.stock_mv or 1010) - rng.uniform(40, 120), 1)
    if shown_by == "read_back":
        return {"read_back": _read_back(tested, tested.search.stable), "effect": effect}
    return {"effect": effect}


def _read_back(tested: Tested, typed: int) -> float:
    """The setting that the control reports: the grid step of the typed number."""
    pool = tested.search.pool
    below_stock = pool.grid.below_stock(steps_of(pool, typed))
    return round((tested.stock_mv or 0) - below_stock, 2)


def _no_effect(rng: Random, tested: Tested) -> Part:
    chance = rng.random()
    if chance < 0.6:
        return {}
    if chance < 0.75:
        return {"effect": {"shown_by": "read_back"}}
    # The control reports stock: it ignored the request, and the tester overlooked this.
    return {"read_back": tested.stock_mv or 0, "effect": {"shown_by": "read_back"}}


def stock_part(rng: Random, loads: Sequence[str]) -> list[Part]:
    """The test that passed at stock before any change; some results omit it."""
    if rng.random() >= truth.STOCK_PASSED_REPORTED:
        return []
    return [{"load": loads[0], "minutes": rng.choice((10, 15, 20, 30))}]


def trials_part(tested: Tested, setting: Mapping[str, Any]) -> list[Part]:
    """The last setting that passed and the first that failed, as trials."""
    ends = (("stable", tested.search.stable), ("failed", tested.search.unstable))
    return [_trial(tested, setting, outcome, typed) for outcome, typed in ends if typed is not None]


def _trial(tested: Tested, setting: Mapping[str, Any], outcome: str, typed: int) -> Part:
    pool = tested.search.pool
    in_force = [
        {"domain": domain, "control": pool.control, "value": tested.on_wire(typed)}
        for domain in pool.domains
    ]
    # A failure ends a run early, here after a fixed part of it.
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


_MV_A_COUNT: Final = 5.0
"""In this invented world; kbapi itself never converts a count."""
_CLOCK_POWER: Final = 2.2
_PERFORMANCE_POWER: Final = 0.9
_CORE_STOCK_MV: Final = {"laptop": 1000.0, "desktop": 1200.0, "mini": 1000.0, "handheld": 900.0}
_CLOCK_MHZ: Final = {"laptop": 2900, "desktop": 4300, "mini": 2500, "handheld": 2200}
_GPU_W: Final = {"laptop": 80, "desktop": 180, "mini": 45, "handheld": 15}
_HEAT_AT_STOCK_C: Final = {"laptop": 62.0, "desktop": 50.0, "mini": 55.0, "handheld": 52.0}

_CAPS: Final = (0.85, 0.7, 0.55)
"""Power limits as shares of the sustained power at stock."""

# Standard deviations of one reported mean, as shares of the value, and in degrees.
_POWER_NOISE: Final = 0.006
_CLOCK_NOISE: Final = 0.004
_PERFORMANCE_NOISE: Final = 0.008
_HEAT_NOISE_C: Final = 0.6


@dataclass(frozen=True, slots=True)
class _State:
    """The values without measurement noise."""

    power_w: float
    clock_mhz: float
    performance: float
    heat_c: float
    """Above ambient."""


def readings_part(rng: Random, machine: Machine, tested: Tested, *, has_effect: bool) -> list[Part]:
    """A stock and a tuned reading of one unit under one load, some under lower limits as well."""
    if tested.in_use is None:
        return []
    ambient_c = round(rng.gauss(22, 2))
    stock = _at_stock(rng, machine, tested)
    tuned = _tuned(stock, _voltage_ratio(machine, tested) if has_effect else 1.0, machine, tested)
    shared = {
        "load": tested.loads[0],
        "runs": rng.choice((1, 3, 3, 5)),
        "minutes": min(tested.minutes, 30),
        "ambient_c": ambient_c,
        "fan": "fixed" if rng.random() < 0.5 else "auto",
    }
    at = partial(_reading, machine=machine, tested=tested, shared=shared)
    readings = [at(rng, "stock", stock), at(rng, "tuned", tuned)]
    # Seeded by the drawn values, so that the club's other results do not depend on power limits.
    cap_rng = copy(rng)
    cap_rng.seed(repr(stock))
    if has_effect and cap_rng.random() < truth.CAPS_MEASURED:
        for cap_w in (round(part * _sustained_w(machine, tested)) for part in _CAPS):
            for name, state in (("stock", stock), ("tuned", tuned)):
                capped = at(cap_rng, name, _under(cap_w, state, stock))
                readings.append({**capped, "power_cap_w": cap_w})
    return readings


def _reading(
    rng: Random, name: str, state: _State, *, machine: Machine, tested: Tested, shared: Part
) -> Part:
    shown = _shown(rng, state, machine, tested, shared["ambient_c"])
    return {"state": name, **shared, **shown}


def _sustained_w(machine: Machine, tested: Tested) -> float:
    form = machine.of_class.form
    return _GPU_W[form] if _is_gpu(tested) else SUSTAINED_W[form]


def _under(cap_w: float, state: _State, stock: _State) -> _State:
    """The state under a power limit; a limit above its power changes nothing."""
    ratio = min(1.0, cap_w / state.power_w)
    clock_ratio = ratio ** (1 / _CLOCK_POWER)
    return _State(
        power_w=state.power_w * ratio,
        clock_mhz=state.clock_mhz * clock_ratio,
        performance=state.performance * clock_ratio**_PERFORMANCE_POWER,
        heat_c=stock.heat_c * state.power_w * ratio / stock.power_w,
    )


def _is_gpu(tested: Tested) -> bool:
    return tested.search.pool.control == "fixed_clock_voltage"


def _is_power_limited(machine: Machine, tested: Tested) -> bool:
    """Whether efficiency raises the clock; not at a fixed clock, nor on a desktop."""
    return not _is_gpu(tested) and machine.of_class.form != "desktop"


def _voltage_ratio(machine: Machine, tested: Tested) -> float:
    pool = tested.search.pool
    below = (tested.in_use or 0) * float(typing_unit(pool.grid))
    below_mv = below * (_MV_A_COUNT if pool.control == "count_offset" else 1.0)
    stock_mv = tested.stock_mv or _CORE_STOCK_MV[machine.of_class.form]
    return 1.0 - below_mv / stock_mv


def _at_stock(rng: Random, machine: Machine, tested: Tested) -> _State:
    form = machine.of_class.form
    power_w = _sustained_w(machine, tested)
    clock_mhz = tested.search.pool.clock_mhz or _CLOCK_MHZ[form] * rng.gauss(1, 0.02)
    performance = (90.0 if _is_gpu(tested) else 42.0) * rng.gauss(1, 0.05)
    heat_c = _HEAT_AT_STOCK_C[form] * machine.cooling.heat
    return _State(power_w * rng.gauss(1, 0.02), clock_mhz, performance, heat_c)


def _tuned(stock: _State, voltage_ratio: float, machine: Machine, tested: Tested) -> _State:
    power_ratio = voltage_ratio**2
    if not _is_power_limited(machine, tested):
        heat_c = stock.heat_c * power_ratio
        return _State(stock.power_w * power_ratio, stock.clock_mhz, stock.performance, heat_c)
    clock_ratio = power_ratio ** (-1 / _CLOCK_POWER)
    return _State(
        power_w=stock.power_w,
        clock_mhz=stock.clock_mhz * clock_ratio,
        performance=stock.performance * clock_ratio**_PERFORMANCE_POWER,
        heat_c=stock.heat_c,
    )


def _shown(rng: Random, state: _State, machine: Machine, tested: Tested, ambient_c: float) -> Part:
    temp_avg_c = round(ambient_c + state.heat_c + rng.gauss(0, _HEAT_NOISE_C), 1)
    limited = _is_power_limited(machine, tested)
    return {
        "power_w": round(state.power_w * rng.gauss(1, 0 if limited else _POWER_NOISE), 1),
        "power_scope": "board" if _is_gpu(tested) else "package",
        "clock_mhz": round(state.clock_mhz * rng.gauss(1, 0 if _is_gpu(tested) else _CLOCK_NOISE)),
        "clock_kind": "effective",
        "temp_avg_c": temp_avg_c,
        "temp_max_c": round(temp_avg_c + rng.uniform(2, 7), 1),
        "performance": round(state.performance * rng.gauss(1, _PERFORMANCE_NOISE), 1),
        "performance_unit": "frames_per_s" if _is_gpu(tested) else "jobs_per_h",
        "throttle_reasons": ["long_term_power"] if limited else [],
    }
