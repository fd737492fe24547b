"""A worker that lets in whom it can serve, and answers who was let in before it shuts the door."""

import errno
import os
import signal
import sys
import time
from typing import Any, Final

from gunicorn.workers.gthread import TConn

from kbapi.cli.hurry import HurriedSocket
from kbapi.cli.waiting import Head, WaitingWorker
from kbapi.errors import KbapiError

HELD_BACK: Final = (signal.SIGTERM,)
"""Signals that wait for a worker until it listens: before that they would be lost on it."""


_COULD_NOT_OPEN: Final = 1
"""An exit status that gunicorn meets with another worker; its own for this ends the server."""
_REST_S: Final = 0.5
_PAUSE_S: Final = 2.0
_HEARTBEAT_S: Final = 0.2


class DoorkeepingWorker(WaitingWorker):
    """gunicorn's threads with another way to take connections, and to stop taking them.

    Of several workers any may take a new connection. gunicorn's own takes it though each of its
    threads waits for a slow client, and whoever comes waits with them while another worker is idle.

    A client is connected as soon as the kernel has queued it, and sends its request. gunicorn's own
    stops taking from that queue when it is told to end and keeps the queue open for seconds;
    whoever came meanwhile is cut off. This one takes all that is queued and shuts the door at once:
    who comes later is refused by the kernel, and knows that nothing was taken.
    """

    alive: bool

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        self._is_shut = False
        self._rests_until = 0.0

    def init_signals(self) -> None:
        """Listen to signals from now on; one that was held back arrives at once."""
        super().init_signals()
        signal.pthread_sigmask(signal.SIG_UNBLOCK, HELD_BACK)

    def load_wsgi(self) -> None:
        """Open the instance; where that cannot be, say so, and leave it to the next after a pause.

        Workers that serve go on meanwhile: gunicorn would end them with one that cannot begin.
        """
        try:
            super().load_wsgi()
        except (KbapiError, OSError) as error:
            told = error.detail if isinstance(error, KbapiError) else type(error).__name__
            self.log.error("a worker cannot start, and the server will try again: %s", told)
            self._pause()
            sys.exit(_COULD_NOT_OPEN)

    def _pause(self) -> None:
        ends = time.monotonic() + _PAUSE_S
        while self.alive and self.is_parent_alive() and time.monotonic() < ends:
            self.notify()
            time.sleep(_HEARTBEAT_S)

    def is_parent_alive(self) -> bool:
        """Whether somebody still looks after this worker; else it ends as if it were told to."""
        is_alive = bool(super().is_parent_alive())
        self.alive = self.alive and is_alive
        return is_alive

    def accept(self, listener: Any) -> None:
        """Take a connection, if a thread is free for it."""
        if not (self.alive and self._is_full()):
            self._take(listener)

    def give_to_thread(self, conn: TConn, head: Head) -> None:
        """Have a thread answer; after the one that takes the last free thread, take no further."""
        super().give_to_thread(conn, head)
        if self.alive and self._is_full():
            super().set_accept_enabled(False)

    def set_accept_enabled(self, enabled: bool) -> None:
        """Begin or stop to take connections; at the end, take what is queued and shut the door."""
        if self.alive:
            rests = time.monotonic() < self._rests_until
            super().set_accept_enabled(enabled and not rests and not self._is_full())
        elif not self._is_shut:
            self._is_shut = True
            super().set_accept_enabled(False)
            for listener in self.sockets:
                while self._take(listener):
                    pass
                listener.close()

    def _is_full(self) -> bool:
        return bool(self.threads_in_use >= self.cfg.threads)

    def _rest(self, error: OSError) -> None:
        """Take nobody for a while: who is queued goes on waiting, and who was taken is answered."""
        self.log.error("no connection can be accepted: %s", os.strerror(error.errno or 0))
        self._rests_until = time.monotonic() + _REST_S
        if self.alive:
            super().set_accept_enabled(False)

    def _take(self, listener: Any) -> bool:
        """Whether somebody was there."""
        try:
            taken, client = listener.accept()
        except OSError as error:
            if error.errno not in (errno.EAGAIN, errno.ECONNABORTED):
                self._rest(error)
            return error.errno == errno.ECONNABORTED  # who has left again
        self.nr_conns += 1
        where = listener.getsockname()
        self.enqueue_req(TConn(self.cfg, HurriedSocket(taken), client, where))
        return True
