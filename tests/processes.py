"""`kbapi` in forked processes: they begin with the package loaded, which takes a second otherwise.

`tests/system/test_installed_wheel.py` and `test_standard_sqlite_module.py` start it from a file.
"""

import atexit
import json
import os
import shlex
import socket
import socketserver
import subprocess
import sys
import tempfile
import threading
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from multiprocessing import get_context
from pathlib import Path

from kbapi.cli.main import COMMANDS

KBAPI = [sys.executable, "-c", "from kbapi.cli.main import main; main()"]
_FORKED = get_context("forkserver")
_COMMANDS = {f"kbapi.cli.{place.partition(':')[0]}" for place, _ in COMMANDS.values()}
_FORKED.set_forkserver_preload([*sorted(_COMMANDS), "kbapi.app"])
_EXIT_TIMEOUT_S = 900


def free_port() -> int:
    """A port of this machine that no process listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def forks() -> bool:
    """Whether processes are forked: in tests, not for figures of a command."""
    return "PYTEST_VERSION" in os.environ


class ForkedKbapi:
    """A process that runs `kbapi` with these arguments; its methods are those of `Popen`."""

    def __init__(
        self,
        arguments: Sequence[str],
        streams: Sequence[Path],
        environment: Mapping[str, str],
        *,
        folder: Path | None = None,
        leads_a_session: bool = False,
    ) -> None:
        where = folder or Path.cwd()
        given = (arguments, streams, dict(environment), where, leads_a_session)
        self._process = _FORKED.Process(target=_leave_as_kbapi, args=given, daemon=True)
        self._process.start()
        self.pid = self._process.pid or 0

    def poll(self) -> int | None:
        """The exit status, none while the process runs."""
        return self._process.exitcode

    def wait(self, timeout: float | None = None) -> int:
        """The exit status, once the process has ended."""
        self._process.join(timeout)
        if self._process.exitcode is None:
            raise subprocess.TimeoutExpired("kbapi", timeout or 0.0)
        return self._process.exitcode

    def send_signal(self, number: int) -> None:
        """Nothing; a process that has ended gets no signal."""
        if self.poll() is None:
            os.kill(self.pid, number)

    def kill(self) -> None:
        """Nothing; the process ends at once."""
        self._process.kill()


def run_kbapi(
    arguments: Sequence[str], environment: Mapping[str, str], stdin: str = ""
) -> subprocess.CompletedProcess[str]:
    """The output and exit status of `kbapi` with these arguments."""
    if not forks():
        command, given = [*KBAPI, *arguments], dict(environment)
        return subprocess.run(command, input=stdin, env=given, capture_output=True, text=True)
    with tempfile.TemporaryDirectory() as folder:
        streams = [Path(folder) / name for name in ("in", "out", "err")]
        streams[0].write_text(stdin, "utf-8")
        process = ForkedKbapi(arguments, streams, environment)
        try:
            status = process.wait(_EXIT_TIMEOUT_S)
        finally:
            process.kill()
        output, errors = (stream.read_text("utf-8") for stream in streams[1:])
        return subprocess.CompletedProcess(["kbapi", *arguments], status, output, errors)


_IN_A_SHELL = """
import json, os, socket, sys
given = [os.getpid(), os.getcwd(), dict(os.environ), sys.argv[2:]]
with socket.socket(socket.AF_UNIX) as asked:
    asked.connect(sys.argv[1])
    asked.sendall(json.dumps(given).encode() + b"\\n")
    sys.exit(int(asked.makefile().readline()))
"""


class _Shells(socketserver.ThreadingUnixStreamServer):
    daemon_threads = True


class _OfAShell(socketserver.StreamRequestHandler):
    def handle(self) -> None:
        shell, folder, environment, arguments = json.loads(self.rfile.readline())
        streams = [Path(f"/proc/{shell}/fd/{number}") for number in range(3)]
        process = ForkedKbapi(arguments, streams, environment, folder=Path(folder))
        self.wfile.write(b"%d\n" % process.wait())


@contextmanager
def kbapi_of_a_shell() -> Iterator[str]:
    """The definition of a function `kbapi` for scripts that run meanwhile."""
    with tempfile.TemporaryDirectory() as folder:
        socket = f"{folder}/asked"
        with _Shells(socket, _OfAShell) as shells:
            threading.Thread(target=shells.serve_forever, daemon=True).start()
            command = shlex.join([sys.executable, "-S", "-c", _IN_A_SHELL, socket])
            yield f'kbapi() {{ {command} "$@"; }}'
            shells.shutdown()


def _leave_as_kbapi(
    arguments: Sequence[str],
    streams: Sequence[Path],
    environment: dict[str, str],
    folder: Path,
    leads_a_session: bool,
) -> None:
    if leads_a_session:
        os.setsid()
    appended = os.O_WRONLY | os.O_APPEND | os.O_CREAT
    for number, path in enumerate(streams):
        descriptor = os.open(path, appended if number else os.O_RDONLY | os.O_NOCTTY)
        os.dup2(descriptor, number)
        os.close(descriptor)
    sys.stdin, sys.stdout, sys.stderr = (
        open(number, mode, encoding="utf-8", closefd=False)  # noqa: SIM115 - as long as it lives
        for number, mode in enumerate("rww")
    )
    os.environ.clear()
    os.environ.update(environment)
    os.chdir(folder)
    sys.argv = ["kbapi", *arguments]
    from kbapi.cli.main import main

    try:
        main()
    finally:
        # A forked process would leave them out.
        atexit._run_exitfuncs()
