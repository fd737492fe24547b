"""A real server in a process group of its own, driven from outside."""

import json
import os
import signal
import subprocess
import time
import urllib.error
import urllib.request
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tests.postgres import settings_at
from tests.processes import KBAPI, ForkedKbapi, forks, free_port


@dataclass(frozen=True)
class Reply:
    status: int
    headers: dict[str, str]
    body: bytes

    @property
    def json(self) -> Any:
        return json.loads(self.body)


_START_TIMEOUT_S = 120
_THREADS = 16
"""The place of the number of threads in `/proc/PID/stat`, counted behind the state."""


def is_alive(process: int) -> bool:
    try:
        state, *numbers = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()
    except OSError:
        return False
    # The first thread may have ended while others still hold the files and locks of the process.
    return state != "Z" or int(numbers[_THREADS]) > 1


class Server:
    """`kbapi serve` on a folder; killed whole, workers included, or ended politely."""

    def __init__(
        self,
        home: Path,
        workers: int = 2,
        threads: int = 8,
        program: list[str] = KBAPI,
        **settings: str,
    ) -> None:
        self.home = home
        self.program = program
        self.workers = workers
        self.threads = threads
        # Limits are far unless a test is about them.
        far = {"KBAPI_RATE_PER_NETWORK": "1000000"}
        self.settings = {**far, **settings_at(home), **settings}
        self.port = free_port()
        self.log = home.parent / f"server-{self.port}.log"

    def __enter__(self) -> "Server":
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        if self.process.poll() is None:
            self.end()

    def start(self) -> None:
        command = [*self.program, "serve", "--home", str(self.home), "--port", str(self.port)]
        command += ["--workers", str(self.workers), "--threads", str(self.threads)]
        environment = {**os.environ, **self.settings}
        self.process: ForkedKbapi | subprocess.Popen[bytes]
        # Benchmarks measure its memory, and the SQLite module is chosen when the package loads.
        needs_its_own = "KBAPI_SQLITE_MODULE" in self.settings
        if self.program is KBAPI and forks() and not needs_its_own:
            streams = (Path(os.devnull), self.log, self.log)
            words = command[len(KBAPI) :]
            self.process = ForkedKbapi(words, streams, environment, leads_a_session=True)
        else:
            with self.log.open("ab") as log:
                self.process = subprocess.Popen(
                    command, stdout=log, stderr=log, start_new_session=True, env=environment
                )
        deadline = time.monotonic() + _START_TIMEOUT_S
        while time.monotonic() < deadline:
            try:
                if self.ask("GET", "/health/ready").status == 200:
                    return
            except OSError:
                if self.process.poll() is not None:
                    break
            time.sleep(0.05)
        raise AssertionError(f"the server did not start: {self.log.read_text()}")

    def kill(self) -> None:
        """kill -9 of the master and every worker at once, as a power cut would."""
        workers = self.worker_processes()
        os.killpg(self.process.pid, signal.SIGKILL)
        self.process.wait()
        # A worker holds its locks until the kernel has taken it down.
        while any(is_alive(worker) for worker in workers):
            time.sleep(0.005)

    def worker_processes(self) -> set[int]:
        """The process ids of the workers that live now."""
        children = Path(f"/proc/{self.process.pid}/task/{self.process.pid}/children")
        return {int(pid) for pid in children.read_text().split()}

    def all_workers(self, timeout_s: float = 30) -> set[int]:
        """The same, once as many live as were asked for: the first may answer before the last."""
        deadline = time.monotonic() + timeout_s
        while len(self.worker_processes()) < self.workers and time.monotonic() < deadline:
            time.sleep(0.02)
        return self.worker_processes()

    def reload(self, timeout_s: float = 60) -> bool:
        """Whether SIGHUP brought as many new workers, and the old ones have ended."""
        before = self.all_workers()
        self.process.send_signal(signal.SIGHUP)
        deadline = time.monotonic() + timeout_s
        while time.monotonic() < deadline:
            now = self.worker_processes()
            if len(now) == self.workers and not now & before:
                return True
            time.sleep(0.02)
        return False

    def end(self) -> int:
        """The exit status after a polite request to end."""
        self.process.send_signal(signal.SIGTERM)
        return self.process.wait(timeout=40)

    def ask(
        self,
        method: str,
        path: str,
        document: Any = None,
        headers: dict[str, str] | None = None,
        timeout: float = 20,
    ) -> Reply:
        body = None if document is None else json.dumps(document).encode()
        request = urllib.request.Request(
            f"http://127.0.0.1:{self.port}{path}", body, dict(headers or {}), method=method
        )
        if body is not None:
            request.add_header("Content-Type", "application/json")
        try:
            with urllib.request.urlopen(request, timeout=timeout) as response:
                return Reply(response.status, dict(response.headers), response.read())
        except urllib.error.HTTPError as error:
            with error:
                return Reply(error.code, dict(error.headers), error.read())
