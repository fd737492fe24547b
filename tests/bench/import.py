"""What a process costs before it does anything: a worker before its first request, a command.

A WSGI server may load the program in each worker; `kbapi serve` loads it once and forks.
"""

import json
import os
import subprocess
import sys
import tempfile
from pathlib import Path
from resource import RUSAGE_CHILDREN, getrusage
from statistics import median
from time import perf_counter
from urllib.request import urlopen

from tests.makers import CHIP, an_instance
from tests.processes import KBAPI
from tests.report import Row, measured
from tests.system.server import Server

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
        *_commands(),
    ]


ROUNDS = 11
_MEASURED = ("kbapi --help", "kbapi start --to")
_MEMORY = """
import atexit, sys
highest = lambda: open("/proc/self/status").read().partition("VmHWM:")[2].split()[0]
atexit.register(lambda: print(highest(), file=sys.stderr))
from kbapi.cli.main import main
main()
"""


def _commands() -> list[Row]:
    """Times in turns with the bare interpreter, and the highest memory of each command."""
    with tempfile.TemporaryDirectory() as folder, Server(Path(folder) / "home", 1, 4) as server:
        url = f"http://127.0.0.1:{server.port}"
        commands = {
            "python3 -c pass": [sys.executable, "-c", "pass"],
            "kbapi --help": [*KBAPI, "--help"],
            "kbapi start --to": [*KBAPI, "start", CHIP, "--to", url],
        }
        rounds = [
            {name: _times_of(command) for name, command in commands.items()}
            | {"request": (_time_of_request(url), 0.0)}
            for _ in range(ROUNDS + 1)
        ][1:]  # the first one warms up
        memory = {name: _highest_mib(commands[name][len(KBAPI) :]) for name in _MEASURED}
    took, cpu = (
        {name: median(one[name][kind] for one in rounds) for name in rounds[0]} for kind in range(2)
    )
    took["kbapi start --to"] -= took["request"]
    bare = took["python3 -c pass"]
    rows = [measured("python3 -c pass, median of 11", bare, "s", "")]
    for name in _MEASURED:
        note = f"{took[name] / bare:.1f} times the bare interpreter"
        rows += [
            measured(f"{name}, beyond the server's time", took[name], "s", "<= 0.25", note),
            measured(f"{name}, CPU time", cpu[name], "s", ""),
            measured(f"{name}, its highest memory", memory[name], "MiB", "<= 40"),
        ]
    return rows


def _times_of(command: list[str]) -> tuple[float, float]:
    """Elapsed time and CPU time of a process."""
    began, used = perf_counter(), getrusage(RUSAGE_CHILDREN)
    subprocess.run(command, capture_output=True, check=True)
    ended, after = perf_counter(), getrusage(RUSAGE_CHILDREN)
    return ended - began, after.ru_utime + after.ru_stime - used.ru_utime - used.ru_stime


def _time_of_request(url: str) -> float:
    began = perf_counter()
    with urlopen(f"{url}/v1/start?chip={CHIP}") as answer:
        answer.read()
    return perf_counter() - began


def _highest_mib(arguments: list[str]) -> float:
    program = [sys.executable, "-c", _MEMORY, *arguments]
    ran = subprocess.run(program, capture_output=True, check=True, text=True)
    return int(ran.stderr.split()[-1]) / 1024


def _run(program: str, home: Path) -> dict:
    environment = {**os.environ, "KBAPI_HOME": str(home)}
    ran = subprocess.run(
        [sys.executable, "-c", program], env=environment, capture_output=True, check=True
    )
    return json.loads(ran.stdout)
