"""Drawn logs are read right or asked about; own runs that do not differ are found alike."""

import tempfile
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import Final

import numpy as np

from kbapi.telemetry.before_after import compare
from kbapi.telemetry.load_phase import Phase
from kbapi.telemetry.log_file import UnreadableLog
from kbapi.telemetry.reading import LogReading, Summary, read_reading
from kbapi.telemetry.series import Log, Series
from tests.report import Row, measured
from tests.telemetry.drawn_logs import DrawnLog, draw

_SHARE_OFF: Final = 0.005
_SHORT_SEEDS: Final = (1, 25)
_RUN_SPREADS: Final = {"performance": 0.008, "power_w": 0.01, "clock_mhz": 0.005, "temp_c": 0.012}
_SHARED_BY_RUNS: Final = 0.5
_SHARED_BY_ROWS: Final = 0.9
_ROWS_OF_LOAD: Final = 300
_ROW_SPREAD: Final = 0.01
_SOAK: Final = 0.003
_IDLE_SHARE: Final = {"performance": 0.02, "power_w": 0.15, "clock_mhz": 0.4, "temp_c": 0.5}
_LEVELS: Final = {"performance": 41.2, "power_w": 60.0, "clock_mhz": 2_710.0, "temp_c": 84.0}


def measure(
    *, short: bool, seeds: Sequence[int] = _SHORT_SEEDS, runs: int | None = None
) -> list[Row]:
    """Outcomes of drawn logs, and of drawn sets of own runs."""
    outcomes: Counter[str] = Counter()
    with tempfile.TemporaryDirectory() as folder:
        for seed in range(seeds[0], seeds[1] + 1):
            outcomes.update(outcomes_of(draw(seed), Path(folder) / "log.csv"))
    known = sum(outcomes[one] for one in ("right", "wrong", "asked needlessly", "missing"))
    asked = outcomes["asked rightly"] + outcomes["not asked"]
    logs = f"{seeds[1] - seeds[0] + 1} logs"
    rows = [
        measured(
            f"power, clock, temperature right, {known} in {logs}",
            outcomes["right"] / max(known, 1),
            "share",
            ">= 0.99",
        ),
        measured("read wrong", float(outcomes["wrong"]), "count", "<= 0"),
        measured("missing without a question", float(outcomes["missing"]), "count", "<= 0"),
        measured(f"a number, not a question, of {asked}", float(outcomes["not asked"]), "count",
                 "<= 0"),
        measured("refused although readable", float(outcomes["refused wrongly"]), "count", "<= 0"),
        measured("read although not readable", float(outcomes["read wrongly"]), "count", "<= 0"),
    ]  # fmt: skip
    rows += _own_runs(runs or (200 if short else 4_000), seeds[0])
    return rows + _own_logs(range(seeds[0], seeds[0] + 8 if short else seeds[1] + 1))


def outcomes_of(drawn: DrawnLog, file: Path) -> list[str]:
    """What became of each known number, and of each question that has to be asked."""
    file.write_bytes(drawn.content)
    try:
        reading = read_reading(file, {})
    except UnreadableLog:
        return ["refused rightly" if drawn.is_refused else "refused wrongly"]
    if drawn.is_refused:
        return ["read wrongly"]
    found = []
    questions = {one.quantity for one in reading.questions}
    for quantity in drawn.asked:
        is_asked = quantity in questions and quantity not in reading.summaries
        found.append("asked rightly" if is_asked else "not asked")
    for quantity, truth in drawn.truth.items():
        if quantity in reading.summaries:
            off = abs(reading.summaries[quantity].mean / truth - 1)
            found.append("right" if off <= _SHARE_OFF else "wrong")
        else:
            found.append("asked needlessly" if questions & {quantity, "load"} else "missing")
    return found


def _own_runs(pairs: int, seed: int) -> list[Row]:
    """Sets of three runs each, in turns, with a drift that runs in a row share."""
    rows = []
    for shared in (0.0, 0.5, 0.8):
        rng = np.random.default_rng(seed)
        nothing = [_compared(rng, shared, 0.0) for _ in range(pairs)]
        changed = [_compared(rng, shared, 0.03) for _ in range(pairs)]
        about = f"autocorrelation of runs {shared:g}"
        rows += [
            measured(
                f"no difference found where there is none, {about}",
                float(np.mean([not any(one) for one in nothing])),
                "share",
                ">= 0.95",
            ),
            measured(
                f"a change of 3 % in performance found, {about}",
                float(np.mean([one[0] for one in changed])),
                "share",
                ">= 0.8",
            ),
        ]
    return rows


def _compared(rng: np.random.Generator, shared: float, change: float) -> list[bool]:
    """Which differences stand out of six drawn runs; performance first."""
    noise = np.zeros((6, len(_LEVELS)))
    now = rng.normal(size=len(_LEVELS))
    for run in range(6):
        now = shared * now + np.sqrt(1 - shared**2) * rng.normal(size=len(_LEVELS))
        noise[run] = now
    values = {
        name: level * np.exp(noise[:, place] * _RUN_SPREADS[name])
        for place, (name, level) in enumerate(_LEVELS.items())
    }
    values["performance"][1::2] *= 1 + change
    sides = [[a_run({name: one[run] for name, one in values.items() if name != "performance"})
              for run in range(first, 6, 2)] for first in (0, 1)]  # fmt: skip
    scores = values["performance"][::2].tolist(), values["performance"][1::2].tolist()
    return [bool(one.stands_out) for one in compare(sides[0], sides[1], scores).changes]


def _own_logs(seeds: Sequence[int]) -> list[Row]:
    """The same from whole logs: idle time, warm-up, autocorrelation, and a room that warms up."""
    found = {}
    with tempfile.TemporaryDirectory() as folder:
        for change in (0.0, 0.03):
            sides = [_drawn_sides(seed, change, Path(folder)) for seed in seeds]
            found[change] = [
                {one.quantity: bool(one.stands_out) for one in compare(*pair).changes}
                for pair in sides
            ]
    about = f"whole logs of {len(seeds)} pairs of three runs:"
    return [
        measured(
            f"{about} no difference found where there is none",
            float(np.mean([not any(one.values()) for one in found[0.0]])),
            "share",
            ">= 0.95",
        ),
        measured(
            f"{about} a change of 3 % in performance found",
            float(np.mean([one["performance"] for one in found[0.03]])),
            "share",
            ">= 0.8",
        ),
        measured(
            f"{about} measures compared, at least",
            float(min(len(one) for pairs in found.values() for one in pairs)),
            "count",
            ">= 5",
        ),
    ]


def _drawn_sides(
    seed: int, change: float, folder: Path
) -> tuple[list[LogReading], list[LogReading]]:
    """Readings of three logs each, in turns."""
    rng = np.random.default_rng((seed, round(1_000 * change)))
    within = _ROW_SPREAD * np.sqrt((1 + _SHARED_BY_ROWS) / (1 - _SHARED_BY_ROWS) / _ROWS_OF_LOAD)
    run_noise = _autocorrelated(rng, 6, len(_RUN_SPREADS), _SHARED_BY_RUNS)
    room_c = np.cumsum(rng.normal(0.3, 0.3, 6))
    readings = []
    for run in range(6):
        levels = {
            # Together with the noise within runs, means of runs differ by `_RUN_SPREADS`.
            name: level
            * float(np.exp(run_noise[run, place] * np.sqrt(_RUN_SPREADS[name] ** 2 - within**2)))
            for place, (name, level) in enumerate(_LEVELS.items())
        }
        levels["performance"] *= 1 + change * (run % 2)
        levels["temp_c"] += room_c[run]
        log = folder / "log.csv"
        log.write_text(_a_log_of(rng, levels, 22 + room_c[run]), encoding="utf-8")
        readings.append(read_reading(log, {}))
    return readings[::2], readings[1::2]


def _a_log_of(rng: np.random.Generator, levels: dict[str, float], room_c: float) -> str:
    """A log of ten minutes of load between idle times, one row every two seconds."""
    seconds = np.arange(0, 60 + 600 + 30, 2.0)
    is_load, since = (seconds >= 60) & (seconds < 660), np.clip(seconds - 60, 0, None)
    noise = _autocorrelated(rng, len(seconds), len(levels), _SHARED_BY_ROWS) * _ROW_SPREAD
    soak = rng.normal(0, _SOAK) * since / 600  # what the cooler and the room do within a run
    columns = [seconds]
    for place, (name, level) in enumerate(levels.items()):
        aim = np.where(is_load, level, _IDLE_SHARE[name] * level)
        if name == "temp_c":
            heat = np.exp(-since / 40)
            aim = np.where(is_load, level - (level - 42) * heat, 42.0) + level * soak
        elif name != "performance":
            aim = aim * (1 + 0.15 * (is_load & (since < 28)))
        columns.append(aim * (1 + noise[:, place]))
    columns.append(np.full(len(seconds), room_c))
    names = "Time [s],Jobs per second,CPU package power [W],CPU effective clock [MHz],"
    rows = "\n".join(",".join(f"{cell:.3f}" for cell in row) for row in np.column_stack(columns))
    return f"{names}CPU package temperature [°C],Ambient temperature [°C]\n{rows}\n"


def _autocorrelated(rng: np.random.Generator, count: int, series: int, shared: float) -> np.ndarray:
    """Series of unit variance; each value shares so much with the one before it."""
    found = rng.normal(size=(count, series))
    for place in range(1, count):
        found[place] = shared * found[place - 1] + np.sqrt(1 - shared**2) * found[place]
    return found


def a_run(means: dict[str, float]) -> LogReading:
    """A reading of a log with these means."""
    nothing = np.zeros(0)
    summaries = {
        name: Summary(mean, 0, 0, mean, mean, mean, mean, 1, 1, 0, (name,), "", 1, (), {})
        for name, mean in means.items()
    }
    series = {name: Series(nothing, nothing, (name,), "", 1, (), "") for name in means}
    log = Log(Path(), nothing, series, {}, [], [], 0, 1, Counter(), [], [], 1, 0)
    return LogReading(Path(), summaries, {}, None, Phase(0, 0, 0, 0, 0, "", True), log)
