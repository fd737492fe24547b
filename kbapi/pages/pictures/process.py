"""The drawing process of a worker: started when it is first needed, and again after it ended."""

import os
import subprocess
import sys
import weakref
from dataclasses import dataclass
from pathlib import Path
from socket import socket, socketpair
from threading import Lock
from time import monotonic
from typing import Final

from kbapi.errors import Overloaded
from kbapi.pages.pictures.chart import COST, HEAD

WAIT_S: Final = 20.0
"""The longest wait for a picture, behind others included; then the process is ended."""
# Without the current folder among the places of modules.
_DRAWING: Final = (sys.executable, "-P", "-m", "kbapi.pages.pictures.drawing")
_NOT_PASSED_ON: Final = ("KBAPI_", "MPL", "MATPLOTLIB")
"""Settings of the instance, which drawing needs not, and those of a person's own matplotlib."""


@dataclass(frozen=True, slots=True)
class Drawn:
    """A picture, with the CPU time that the other process took for it."""

    body: bytes
    cpu_s: float


class _Ended(Exception):
    """The process ended before it answered."""


class _Child:
    """A started process with the pipe to it."""

    def __init__(self) -> None:
        self.pipe, theirs = socketpair()
        with theirs:
            end = theirs.fileno()
            self.process = subprocess.Popen(  # noqa: S603 - no text of a request
                _DRAWING, stdin=end, stdout=end, env=_environment()
            )

    def end(self) -> None:
        """End the process, and wait until it has ended."""
        self.pipe.close()
        self.process.kill()
        self.process.wait()


class DrawingProcess:
    """A process that draws one picture after another, for one worker."""

    def __init__(self) -> None:
        self._lock = Lock()
        self._child: _Child | None = None
        self._ending: weakref.finalize[..., DrawingProcess] | None = None

    @property
    def pid(self) -> int | None:
        """The id of the process; None before the first picture."""
        return None if self._child is None else self._child.process.pid

    def draw(self, request: bytes) -> Drawn:
        """The picture that a request describes, in the form that the drawing process reads.

        Raises
        ------
        Overloaded
            When it was not drawn in time.
        RuntimeError
            When the process could not draw it.
        """
        until = monotonic() + WAIT_S
        # A drawing that begins with little time left would end a process that can do it.
        if not self._lock.acquire(timeout=WAIT_S / 2):
            raise Overloaded
        try:
            return self._draw(request, until)
        finally:
            self._lock.release()

    def _draw(self, request: bytes, until: float) -> Drawn:
        for _ in range(2):
            # It ends after it was idle for long, and it may be killed: then a new one draws.
            try:
                return _answer(self._started(), request, until)
            except TimeoutError:
                self._end()
                raise Overloaded from None
            except (OSError, _Ended):
                self._end()
        raise RuntimeError("the drawing process ended twice")

    def close(self) -> None:
        """End the process."""
        with self._lock:
            self._end()

    def _started(self) -> _Child:
        if self._child is None:
            self._child = _Child()
            # Without an explicit end, as in a worker that ends, too.
            self._ending = weakref.finalize(self, self._child.end)
        return self._child

    def _end(self) -> None:
        if self._ending is not None:
            self._ending()
        self._child = self._ending = None


def _answer(child: _Child, request: bytes, until: float) -> Drawn:
    child.pipe.settimeout(_left_s(until))
    child.pipe.sendall(HEAD.pack(len(request)) + request)
    (length,) = HEAD.unpack(_received(child.pipe, HEAD.size, until))
    answer = _received(child.pipe, length, until)
    cpu_s, is_drawn = COST.unpack_from(answer)
    body = answer[COST.size :]
    if not is_drawn:
        raise RuntimeError(f"a picture was not drawn: {body.decode()}")
    return Drawn(body, cpu_s)


def _environment() -> dict[str, str]:
    """The variables of the process, which finds this package where this one is."""
    passed_on = {
        name: value for name, value in os.environ.items() if not name.startswith(_NOT_PASSED_ON)
    }
    return passed_on | {
        "PYTHONPATH": str(Path(__file__).parents[3]),
        "MPL_IGNORE_SYSTEM_FONTS": "1",
    }


def _left_s(until: float) -> float:
    """Seconds until then; TimeoutError where none is left."""
    left_s = until - monotonic()
    if left_s <= 0:
        raise TimeoutError
    return left_s


def _received(pipe: socket, length: int, until: float) -> bytes:
    received = b""
    while len(received) < length:
        pipe.settimeout(_left_s(until))
        piece = pipe.recv(length - len(received))
        if not piece:
            raise _Ended
        received += piece
    return received
