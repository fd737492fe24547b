"""What a worker costs before its first request: CPU time of loading it, and its memory."""

import json
import os
import subprocess
import sys
import tempfile
from pathlib import Path
from statistics import median

from tests.makers import an_instance
from tests.report import Row, measured

_WORKER = """
import json, sys, time
from kbapi.wsgi import application
application()
status = open("/proc/self/status").read()
kib = int(status.partition("VmRSS:")[2].split()[0])
loaded = [name for name in ("scipy.special", "scipy.stats", "alembic", "matplotlib")
          if name in sys.modules]
print(json.dumps({"ms": 1000 * time.process_time(), "mib": kib / 1024, "loaded": loaded}))
"""
_BARE = "import json, time; print(json.dumps({'ms': 1000 * time.process_time(), 'mib': 0}))"


def measure(*, short: bool) -> list[Row]:
    """Medians over processes; the interpreter's own start is not counted."""
    repeats = 5 if short else 15
    with tempfile.TemporaryDirectory() as folder:
        an_instance(Path(folder)).close()
        home = Path(folder) / "home"
        workers = [_run(_WORKER, home) for _ in range(repeats + 1)][1:]  # the first one warms up
        bare = [_run(_BARE, home) for _ in range(repeats)]
    spent = median(one["ms"] for one in workers) - median(one["ms"] for one in bare)
    return [
        measured("a worker, until it can serve", spent, "ms CPU", "<= 500"),
        measured("its memory then", median(one["mib"] for one in workers), "MiB", "<= 95"),
        measured("heavy libraries in it by then", len(workers[0]["loaded"]), "count", "<= 0"),
    ]


def _run(program: str, home: Path) -> dict:
    environment = {**os.environ, "KBAPI_HOME": str(home)}
    ran = subprocess.run(
        [sys.executable, "-c", program], env=environment, capture_output=True, check=True
    )
    return json.loads(ran.stdout)
