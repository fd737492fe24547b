"""`kbapi` in a forked process, which does not load the package again.

What a person types goes through the installed command in other tests; here there are many.
"""

import os
import pty
import signal
import tempfile
import time
from pathlib import Path
from subprocess import CompletedProcess
from typing import Any

from tests.processes import ForkedKbapi, run_kbapi


def run(*arguments: str, stdin: str = "") -> CompletedProcess[str]:
    """The output and exit status of `kbapi` with these arguments."""
    return run_kbapi(arguments, os.environ, stdin)


class Person:
    """A user at a terminal, who types lines and reads the output."""

    def __init__(self, *arguments: str) -> None:
        self.main, follower = pty.openpty()
        self._output = tempfile.NamedTemporaryFile()  # noqa: SIM115 - closed when it ends
        output = Path(self._output.name)
        streams = (Path(os.ttyname(follower)), output, output)
        self.process = ForkedKbapi(arguments, streams, os.environ, leads_a_session=True)
        self._follower = follower

    def types(self, *typed: str) -> None:
        os.write(self.main, "".join(f"{line}\n" for line in typed).encode())

    def ends(self, *typed: str) -> str:
        """The output of the command, which must end by itself with status 0."""
        self.types(*typed)
        status = self.process.wait(60)
        output = self._leave()
        assert status == 0, output
        return output

    def is_killed_once(self, is_so: Any) -> None:
        """Kill the process as soon as the condition holds."""
        for _ in range(600):
            if is_so():
                break
            assert self.process.poll() is None, self._leave()
            time.sleep(0.05)
        else:
            raise AssertionError("it never came to that")
        os.killpg(self.process.pid, signal.SIGKILL)
        self.process.wait(60)
        self._leave()

    def _leave(self) -> str:
        """The output, once the terminal is closed."""
        os.close(self.main)
        os.close(self._follower)
        with self._output as output:
            return output.read().decode()
