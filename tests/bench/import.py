"""What a worker costs before its first request: CPU time and memory.

A WSGI server may load the program in each worker; `kbapi serve` loads it once and forks.
"""

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
_FORKED = """
import gc, json, os, time
from kbapi.wsgi import application
gc.freeze()
if worker := os.fork():
    os.waitpid(worker, 0)
else:
    began = time.process_time()
    application()
    spent = time.process_time() - began
    gc.collect()
    memory = open("/proc/self/smaps_rollup").read()
    mib = {name: int(memory.partition(name + ":")[2].split()[0]) / 1024
           for name in ("Rss", "Private_Clean", "Private_Dirty")}
    own = mib["Private_Clean"] + mib["Private_Dirty"]
    print(json.dumps({"ms": 1000 * spent, "mib": mib["Rss"], "own": own}), flush=True)
    os._exit(0)
"""
_BARE = "import json, time; print(json.dumps({'ms': 1000 * time.process_time(), 'mib': 0}))"


def measure(*, short: bool) -> list[Row]:
    """Medians over processes; the interpreter's own start is not counted."""
    repeats = 1 if short else 15
    with tempfile.TemporaryDirectory() as folder:
        an_instance(Path(folder)).close()
        home = Path(folder) / "home"
        workers = [_run(_WORKER, home) for _ in range(repeats + 1)][1:]  # the first one warms up
        bare = [_run(_BARE, home) for _ in range(repeats)]
        forked = [_run(_FORKED, home) for _ in range(repeats)]
    spent = median(one["ms"] for one in workers) - median(one["ms"] for one in bare)
    return [
        measured("a worker that loads all itself, until it can serve", spent, "ms CPU", "<= 500"),
        measured("its memory then", median(one["mib"] for one in workers), "MiB", "<= 95"),
        measured("a worker of kbapi serve", median(w["ms"] for w in forked), "ms CPU", "<= 500"),
        measured(
            "its memory then, shared or not", median(w["mib"] for w in forked), "MiB", "<= 95"
        ),
        measured("of that its own", median(w["own"] for w in forked), "MiB", ""),
        measured("heavy libraries in it by then", len(workers[0]["loaded"]), "count", "<= 0"),
    ]


def _run(program: str, home: Path) -> dict:
    environment = {**os.environ, "KBAPI_HOME": str(home)}
    ran = subprocess.run(
        [sys.executable, "-c", program], env=environment, capture_output=True, check=True
    )
    return json.loads(ran.stdout)
