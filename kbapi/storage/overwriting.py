"""Empties the log of changes after a withdrawal, as soon as no reader needs what is in it."""

from pathlib import Path
from threading import Lock, Timer
from typing import Final

from sqlalchemy import Engine

from kbapi.errors import KbapiError
from kbapi.storage.faults import readable_faults
from kbapi.storage.sqlite import checkpoint
from kbapi.storage.write_queue import waiting_in_line

_PATIENCE_S: Final = 0.25
_SOONEST_S: Final = 1.0
_LATEST_S: Final = 60.0


class Overwriting:
    """Tries at once, and again after 1, 2, 4 ... 60 s until it is done.

    Whoever withdraws does not wait for readers: a backup or a check may read for minutes.
    """

    def __init__(self, lock_file: Path, engine: Engine) -> None:
        self._lock_file = lock_file
        self._engine = engine
        self._lock = Lock()
        self._next: Timer | None = None
        self._is_closed = False

    def begin(self) -> None:
        """Empty the log, now or later; what cannot be done now is never an error."""
        if not self._empty_log():
            self._try_after(_SOONEST_S)

    def _try_after(self, pause_s: float) -> None:
        with self._lock:
            if self._next is None and not self._is_closed:
                self._next = Timer(pause_s, self._try_again, (pause_s,))
                self._next.daemon = True
                self._next.start()

    def _try_again(self, pause_s: float) -> None:
        is_done = self._empty_log()
        with self._lock:
            self._next = None
        if not is_done:
            self._try_after(min(2 * pause_s, _LATEST_S))

    def _empty_log(self) -> bool:
        try:
            with readable_faults(), waiting_in_line(self._lock_file, _PATIENCE_S):
                return checkpoint(self._engine)
        except KbapiError:
            return False

    def close(self) -> None:
        """Try no more: who closes the database last brings its log into the file anyway."""
        with self._lock:
            self._is_closed = True
            waiting = self._next
        if waiting is not None:
            waiting.cancel()
            # One that has begun to try holds the connection that is about to be given back.
            waiting.join()
