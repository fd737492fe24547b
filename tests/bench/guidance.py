"""What one uncached answer of each kind costs with a thousand units; a next step is computed."""

import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import orjson

from kbapi.advice.gains import advise_gains
from kbapi.advice.gains_question import parse_gains_question
from kbapi.advice.power import advise_power
from kbapi.advice.power_question import parse_power_question
from kbapi.intake.batch import accept_batch
from kbapi.settings import Settings
from kbapi.storage.instance import Instance, create_or_open_instance
from tests.api.measured import a_measured, a_reading
from tests.bench import next_step
from tests.makers import CHIP
from tests.report import Row, measured

SEED = 20261127
SHORT_UNITS, FULL_UNITS = 200, 1_000
AT_ONCE = 500
CAPS_W = (None, 36.0, 45.0, 54.0)


def measure(*, short: bool) -> list[Row]:
    """CPU milliseconds from the question to the kept bytes, the median over repetitions."""
    units, repeats = (SHORT_UNITS, 3) if short else (FULL_UNITS, 15)
    with tempfile.TemporaryDirectory() as folder:
        instance = create_or_open_instance(Settings(home=Path(folder) / "home"))
        documents = list(_documents(units))
        for first in range(0, units, AT_ONCE):
            accept_batch(instance, orjson.dumps(documents[first : first + AT_ONCE]))
        readings = 2 * len(CAPS_W) * units
        asked = {"chip": [CHIP]}
        gains = parse_gains_question(asked, instance.catalogue)
        power = parse_power_question({**asked, "limit_w": ["45"]}, instance.catalogue)
        answers: tuple[tuple[str, Callable[[], object]], ...] = (
            ("gains", lambda: advise_gains(instance, gains)),
            ("power", lambda: advise_power(instance, power)),
        )
        rows = [
            measured(
                f"uncached {name} answer, {units} units, {readings} readings",
                _median_ms(instance, ask, repeats),
                "ms CPU",
                "<= 50",
            )
            for name, ask in answers
        ]
        instance.close()
    return [*rows, *next_step.measure(short=short)]


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
