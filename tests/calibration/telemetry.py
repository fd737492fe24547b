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
    return rows + _own_runs(runs or (200 if short else 4_000), seeds[0])


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
