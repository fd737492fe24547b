"""Pictures: a stored one beside a no-op route, one drawn anew, and the memory of a worker."""

import tempfile
import time
from datetime import timedelta
from pathlib import Path
from statistics import median
from unittest.mock import patch

from flask import Flask, Response
from flask.testing import FlaskClient
from flask_smorest import Blueprint

import kbapi.app
from kbapi.access.limits import Need
from kbapi.api.admission import needs
from kbapi.instance.instance import Instance
from kbapi.pages.pictures.process import DrawingProcess
from tests.makers import CHIP, HandMovedClock, a_setting, a_submission, an_instance, send
from tests.pages._pictures import NAMES, a_chart, a_request
from tests.report import Row, measured

_ENDINGS = ("svg", "png")
_NO_OP = "/no-op"


def measure(*, short: bool) -> list[Row]:
    """Ratios and milliseconds of one process; other work on the machine changes both sides."""
    return [*_of_drawing(3 if short else 20), *_of_requests(200 if short else 2_000)]


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
        figure = measured(
            f"{ending} drawn anew, the slowest", wall[slowest], "ms", "<= 400", slowest
        )
        rows += [figure, measured(f"{ending} drawn anew, CPU", max(cpu.values()), "ms CPU", "")]
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


def _of_requests(repeats: int) -> list[Row]:
    with tempfile.TemporaryDirectory() as folder:
        clock = HandMovedClock()
        instance = an_instance(Path(folder), clock)
        for number in range(20):
            ends = {"stable_at": -70 - 3 * number, "unstable_at": -75 - 3 * number}
            send(instance, a_submission(a_setting(**ends), number=number))
        clock.moment += timedelta(days=1)
        bodies: dict[str, bytes] = {}
        app = _with_no_op(instance, bodies)
        client = app.test_client()
        for path in ("start", "stability"):
            assert client.get(f"/v1/{path}?chip={CHIP}").status_code == 200
        before = _memory_mib("self")
        rows = [_ratio(client, ending, bodies, repeats) for ending in _ENDINGS]
        after = _memory_mib("self")
        app.extensions["kbapi_pictures"].process.close()
        instance.close()
    note = f"{before:.1f} MiB without pictures, {after:.1f} with"
    return [
        *rows,
        measured("memory of a worker, more than before", after - before, "MiB", "", note),
    ]


def _with_no_op(instance: Instance, bodies: dict[str, bytes]) -> Flask:
    """The application with a route that sends as many bytes, and does nothing else."""
    idle = Blueprint("idle", __name__)

    def no_op(ending: str) -> Response:
        return Response(bodies[ending], content_type="application/octet-stream")

    idle.add_url_rule(f"{_NO_OP}.<ending>", "no_op", needs(idle, Need.READING)(no_op))
    with patch.object(kbapi.app, "_BLUEPRINTS", (*kbapi.app._BLUEPRINTS, idle)):
        return kbapi.app.create_app(instance)


def _ratio(client: FlaskClient, ending: str, bodies: dict[str, bytes], repeats: int) -> Row:
    picture = f"/chips/{CHIP}/pictures/stability.{ending}"
    bodies[ending] = client.get(picture).data
    assert bodies[ending]
    took: dict[str, list[float]] = {picture: [], f"{_NO_OP}.{ending}": []}
    for _ in range(repeats):
        # In turns, so that other work on the machine meets both.
        for path, times in took.items():
            begun = time.thread_time()
            found = client.get(path)
            times.append(time.thread_time() - begun)
            assert found.data == bodies[ending]
    stored, no_op = (1e6 * median(times) for times in took.values())
    note = f"{stored:.0f} and {no_op:.0f} us CPU"
    return measured(f"stored {ending} over a no-op route", no_op / stored, "", ">= 0.80", note)


def _memory_mib(process: int | str | None) -> float:
    status = Path(f"/proc/{process}/status").read_text()
    (line,) = (one for one in status.splitlines() if one.startswith("VmRSS:"))
    return int(line.split()[1]) / 1024
