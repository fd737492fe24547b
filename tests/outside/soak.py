"""Mixed load at four fifths of the capacity for ten minutes: no errors, and nothing that grows."""

import tempfile
from pathlib import Path
from statistics import fmean

from tests.outside._load import MIX, PROXY, Plan, Watch, capacity, grows, prober, run_plans
from tests.outside.demo_instance import fill
from tests.report import Row, measured
from tests.system.server import Server

SHARE = 0.8
SECONDS, SHORT_SECONDS = 600.0, 6.0


def measure(*, short: bool) -> list[Row]:
    """Errors, and the growth of memory, open files and files beside the database."""
    seconds = SHORT_SECONDS if short else SECONDS
    with tempfile.TemporaryDirectory() as name:
        fill(Path(name), 100 if short else 1_000)
        with Server(Path(name) / "home", 2, 8 if short else 32, **PROXY) as server:
            if short:
                # A few clients that ask again once answered: never more than the server can do.
                plans = [Plan(MIX, seconds, connections=2, seed=1)]
            else:
                capacity(server, 3)
                rate = SHARE * capacity(server, 15)
                plans = [Plan(MIX, seconds, rate=rate / 2, seed=seed) for seed in (1, 2)]
            with Watch(server, every_s=0.2 if short else 2.0) as watch:
                answers = run_plans(server, *plans, prober(seconds, rate=2.0))
    note = f"{min(watch.memory) >> 20} to {max(watch.memory) >> 20} MiB"
    statuses = ", ".join(f"{status}: {n}" for status, n in sorted(answers.statuses.items()))
    bad = len(answers.answers) - len(answers.good.answers)
    rows = [
        measured("answers", len(answers.answers), "", ">= 20"),
        measured("errors, refusals among them", bad, "", "== 0", statuses),
        measured("open files, most", max(watch.descriptors), "", "<= 400"),
        measured("bytes beside the database, most", max(watch.files), "", "<= 200000000"),
    ]
    if short:
        return rows
    return [
        *rows,
        measured("p99", answers.percentile(99), "s", ""),
        measured("health, longest", answers.of("health", "ready").longest, "s", "< 1"),
        measured("memory, last third over second", grows(watch.memory, fmean), "", "<= 1.05", note),
        measured("open files, the same", grows(watch.descriptors, fmean), "", "<= 1.05"),
        measured("bytes beside the database, the same", grows(watch.files), "", "<= 1.1"),
    ]
