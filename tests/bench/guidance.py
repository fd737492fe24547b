"""What one uncached answer of each kind costs with a thousand units; a next step is computed."""

import tempfile
import time
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

import numpy as np
import orjson

from kbapi.advice.gains.answer import advise_gains
from kbapi.advice.gains.query import parse_gains_question
from kbapi.advice.locks.answer import advise_locks
from kbapi.advice.locks.query import parse_lock_question
from kbapi.advice.power.answer import advise_power
from kbapi.advice.power.query import parse_power_question
from kbapi.demo.members import install_catalogue
from kbapi.instance.instance import Instance, create_or_open_instance
from kbapi.intake.batch import accept_batch
from kbapi.settings import Settings
from kbapi.vocabulary import PROTECTIONS
from tests.api.measured import a_measured, a_reading
from tests.bench import next_step
from tests.makers import CHIP
from tests.report import Row, measured

SEED = 20261127
SHORT_UNITS, FULL_UNITS = 200, 1_000
AT_ONCE = 500
MACHINES = ("harbour-13", "harbour-15", "harbour-17")
CAPS_W = (None, 36.0, 45.0, 54.0)


def measure(*, short: bool) -> list[Row]:
    """CPU milliseconds from the question to the stored bytes, the median over repetitions."""
    units, repeats = (SHORT_UNITS, 3) if short else (FULL_UNITS, 15)
    with tempfile.TemporaryDirectory() as folder:
        instance = create_or_open_instance(Settings(home=Path(folder) / "home"))
        install_catalogue(instance.settings.catalogue_path)
        fill_with_measured(instance, units)
        readings = 2 * len(CAPS_W) * units
        asked = {"chip": [CHIP]}
        gains = parse_gains_question(asked, instance.catalogue)
        power = parse_power_question({**asked, "limit_w": ["45"]}, instance.catalogue)
        locks = parse_lock_question(asked, instance.catalogue)
        answers: tuple[tuple[str, str, Callable[[], object]], ...] = (
            ("gains", f"{readings} readings", lambda: advise_gains(instance, gains)),
            ("power", f"{readings} readings", lambda: advise_power(instance, power)),
            ("locks", f"{2 * units} reports", lambda: advise_locks(instance, locks)),
        )
        rows = [
            measured(
                f"uncached {name} answer, {units} units, {stands_on}",
                _median_ms(instance, ask, repeats),
                "ms CPU",
                "<= 50",
            )
            for name, stands_on, ask in answers
        ]
        instance.close()
    return [*rows, *next_step.measure(short=short)]


def fill_with_measured(instance: Instance, units: int) -> None:
    """Nothing; a pool of so many units, each with readings and with a report of two locks."""
    documents = list(_documents(units))
    for first in range(0, units, AT_ONCE):
        accept_batch(instance, orjson.dumps(documents[first : first + AT_ONCE]))
        tried = _documents_of_locks(range(first, min(first + AT_ONCE, units)))
        accept_batch(instance, orjson.dumps(list(tried)))


def _documents(units: int) -> Iterator[dict]:
    rng = np.random.default_rng(SEED)
    for number in range(units):
        gain = float(1.05 + 0.01 * rng.normal())
        readings = [
            _reading(rng, state, cap_w, gain if state == "tuned" else 1.0)
            for cap_w in CAPS_W
            for state in ("stock", "tuned")
        ]
        yield a_measured(number, *readings)


def _documents_of_locks(numbers: Iterable[int]) -> Iterator[dict]:
    """What the owners of these units found on two rails, under conditions of every kind."""
    for number in numbers:
        rng = np.random.default_rng([SEED, number])
        release = int(rng.integers(0, 8))
        status = "open" if rng.random() < (0.8 if release < 5 else 0.5) else "firmware_locked"
        states = rng.choice(["on", "off", "unknown"], len(PROTECTIONS), p=[0.15, 0.15, 0.7])
        platform = {
            "machine": MACHINES[int(rng.integers(0, len(MACHINES)))],
            "firmware_month": f"{2024 + release // 4}-{3 * (release % 4) + 1:02}",
            "microcode": f"0x{0x20 + release // 2:x}",
            **dict(zip(PROTECTIONS, states.tolist(), strict=True)),
        }
        lock = {"control": "voltage_offset", "status": status, "found_by": "written_and_read_back"}
        yield {
            "chip": CHIP,
            "unit_token": f"tidewater-unit-{number:06}",
            "contributor_token": f"tidewater-member-{number:06}",
            "locks": [{"domain": domain, **lock} for domain in ("core", "graphics")],
            "platform": platform,
            "measured_in": "2026-08",
        }


def _reading(rng: np.random.Generator, state: str, cap_w: float | None, gain: float) -> dict:
    power_w = 60.0 if cap_w is None else cap_w
    noise = (1 + 0.01 * rng.normal(size=4)).tolist()
    return a_reading(
        state,
        power_w=round(power_w * noise[0], 2),
        performance=round(40 * gain * (power_w / 60) ** 0.45 * noise[1], 2),
        clock_mhz=round(2700 * gain * (power_w / 60) ** 0.45 * noise[2]),
        temp_avg_c=round(22 + 62 * power_w / 60 * noise[3], 1),
        **({} if cap_w is None else {"power_cap_w": cap_w}),
    )


def _median_ms(instance: Instance, ask: Callable[[], object], repeats: int) -> float:
    ask()
    spent = []
    for _ in range(repeats):
        with instance.writing() as connection:
            connection.exec_driver_sql("DELETE FROM stored_answer")
        began = time.process_time()
        ask()
        spent.append(time.process_time() - began)
    return 1e3 * float(np.median(spent))
