"""Pictures: a stored one beside a no-op route, one that is drawn, and the memory of a worker."""

import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from itertools import repeat
from pathlib import Path
from statistics import median

from kbapi.pages.pictures.process import DrawingProcess
from tests.bench._load import (
    Connection,
    Served,
    a_collecting_key,
    get,
    serving_instance,
    under_load,
)
from tests.bench._served import CONSTANT
from tests.makers import CHIP, HandMovedClock, a_setting, a_submission, an_instance, send
from tests.pages._pictures import NAMES, a_chart, a_request
from tests.processes import free_port
from tests.report import Row, measured

_ENDINGS = ("svg", "png")
_ROUNDS = 5


def measure(*, short: bool) -> list[Row]:
    """Ratios and milliseconds of one process; other work on the machine changes both sides."""
    return [*_of_drawing(1 if short else 20), *_of_requests(40 if short else 4_000)]


def _of_drawing(repeats: int) -> list[Row]:
    process = DrawingProcess()
    begun = time.perf_counter()
    process.draw(a_request(a_chart("locks")))
    first_ms = 1e3 * (time.perf_counter() - begun)
    rows = []
    for ending in _ENDINGS:
        wall, cpu = {}, {}
        for name in NAMES:
            request = a_request(a_chart(name), scale=0 if ending == "svg" else 2)
            wall[name], cpu[name] = _drawn_ms(process, request, repeats)
        slowest = max(wall, key=wall.__getitem__)
        figure = measured(f"{ending} drawn, the slowest", wall[slowest], "ms", "<= 400", slowest)
        rows += [
            figure,
            measured(f"{ending} drawn, CPU of the dearest", max(cpu.values()), "ms CPU", ""),
        ]
    rows.append(measured("the first picture of a process", first_ms, "ms", ""))
    rows.append(measured("memory of the drawing process", _memory_mib(process.pid), "MiB", ""))
    process.close()
    return rows


def _drawn_ms(process: DrawingProcess, request: bytes, repeats: int) -> tuple[float, float]:
    wall, cpu = [], []
    for _ in range(repeats):
        begun = time.perf_counter()
        cpu.append(1e3 * process.draw(request).cpu_s)
        wall.append(1e3 * (time.perf_counter() - begun))
    return median(wall), median(cpu)


def _of_requests(answers: int) -> list[Row]:
    with tempfile.TemporaryDirectory() as folder:
        home = _with_results(Path(folder))
        key = a_collecting_key(home)
        with serving_instance(home, free_port()) as served:
            questions = [get(f"/v1/{path}?chip={CHIP}", **key) for path in ("start", "stability")]
            for question in questions:
                under_load(served, _always(question), answers, 200)
            before = _worker_mib(served)
            rows = [_ratio(served, home, key, ending, answers) for ending in _ENDINGS]
            after = _worker_mib(served)
    note = f"{before:.1f} MiB without pictures, {after:.1f} with"
    grown = measured("memory of the largest worker, more", after - before, "MiB", "<= 3", note)
    return [*rows, grown]


def _with_results(folder: Path) -> Path:
    instance = an_instance(folder, HandMovedClock(datetime.now(UTC) - timedelta(days=1)))
    for number in range(20):
        ends = {"stable_at": -70 - 3 * number, "unstable_at": -75 - 3 * number}
        send(instance, a_submission(a_setting(**ends), number=number))
    instance.close()
    return folder / "home"


def _always(request: bytes) -> Callable[[int], Iterator[bytes]]:
    return lambda _place: repeat(request)


def _ratio(served: Served, home: Path, key: dict[str, str], ending: str, answers: int) -> Row:
    """The rate of a stored picture over that of the no-op route, by CPU of the server."""
    path = f"/chips/{CHIP}/pictures/stability.{ending}"
    status, body = Connection(served.port).ask(get(path, **key))
    assert status == 200
    # The no-op route reads its file once, so both pictures meet the bytes of the first.
    constant = home / CONSTANT
    if not constant.exists():
        constant.write_bytes(body)
    idle, stored = [], []
    for number in range(_ROUNDS + 1):
        # In turns, so that other work on the machine meets both; the first round warms up.
        for costs, request in ((idle, get("/noop", **key)), (stored, get(path, **key))):
            load = under_load(served, _always(request), answers, 200)
            if number:
                costs.append(load.cpu_us)
    ratio = median(one / other for one, other in zip(idle, stored, strict=True))
    note = f"{median(stored):.0f} and {median(idle):.0f} us CPU, {len(body):,} bytes"
    return measured(f"stored {ending} over a no-op route", ratio, "ratio", ">= 0.80", note)


def _worker_mib(served: Served) -> float:
    """The memory of the largest process of the server that draws nothing."""
    sizes = []
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            with suppress(OSError):
                session = int((entry / "stat").read_text().rpartition(") ")[2].split()[3])
                if session == served.process.pid:
                    is_drawing = b"pictures.drawing" in (entry / "cmdline").read_bytes()
                    sizes += [] if is_drawing else [_memory_mib(entry.name)]
    return max(sizes)


def _memory_mib(process: int | str | None) -> float:
    status = Path(f"/proc/{process}/status").read_text()
    (line,) = (one for one in status.splitlines() if one.startswith("VmRSS:"))
    return int(line.split()[1]) / 1024
