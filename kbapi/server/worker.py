"""The gunicorn worker: reads heads before threads are used, and ends without losing answers."""

import errno
import os
import signal
import socket
import sys
import time
from dataclasses import dataclass, field
from functools import partial
from selectors import EVENT_READ
from typing import Any, Final

from gunicorn.http import get_parser
from gunicorn.http.errors import LimitRequestHeaders, LimitRequestLine
from gunicorn.workers.gthread import TConn

from kbapi.errors import KbapiError
from kbapi.server.deadlines import REQUEST_S, DeadlineSocket, DeadlineWorker

_PIECE_BYTES: Final = 8_192
_MOST_HEAD_BYTES: Final = 65_536
"""More than any request needs before its body; a worker may hold as much for each connection."""
_PARTING_S: Final = 2.0
"""How long a client may take to leave, or one that is silent to speak, once that is all."""


@dataclass
class Head:
    """What has come of a request before its body, and since when."""

    began: float
    received: bytearray = field(default_factory=bytearray)

    @property
    def is_readable(self) -> bool:
        r"""Whether a parser needs no more to read it, or to see that it is none.

        >>> [Head(0.0, bytearray(sent)).is_readable for sent in (b"GET / HTTP/1.1\r\n", b"\n")]
        [False, True]
        """
        # An empty line may stand in front; no line ends without its CR (RFC 9112, section 2.2).
        if b"\r\n\r\n" in self.received.lstrip(b"\r\n"):
            return True
        return self.received.count(b"\n") != self.received.count(b"\r\n")

    @property
    def is_too_large(self) -> bool:
        """Whether it is more than any request needs."""
        return len(self.received) > _MOST_HEAD_BYTES


class WaitingWorker(DeadlineWorker):
    """A threaded worker that gives its threads nothing but requests whose head is there.

    gunicorn's own lets a thread wait for the end of a head, and its only loop for each client that
    was told that the connection ends and does not leave: a few of those hold everybody up.
    """

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        # When each of them is over; what began first is over first.
        self._heads: dict[TConn, float] = {}
        self._parting: dict[TConn, float] = {}

    @property
    def threads_in_use(self) -> int:
        """How many connections have a thread, or wait for one."""
        waiting = (self.keepalived_conns, self.pending_conns, self._heads, self._parting)
        return int(self.nr_conns - sum(map(len, waiting)))

    def enqueue_req(self, conn: TConn) -> None:
        """Give a connection to a thread as soon as the head of its next request is there."""
        head = Head(time.monotonic())
        if conn.parser is not None:
            head.received += conn.parser.unreader.take_buffered()
        if head.is_readable:
            self.give_to_thread(conn, head)
        else:
            conn.sock.setblocking(False)
            self._read_on(conn, head)

    def give_to_thread(self, conn: TConn, head: Head) -> None:
        """Have a thread answer the request that begins so."""
        if conn.parser is None:
            conn.parser = get_parser(self.cfg, conn.sock, conn.client)
        conn.sock.begin(head.began)
        conn.data_ready = True
        if head.is_too_large:
            refused = self.tpool.submit(self._refuse, conn, head)
            refused.add_done_callback(
                lambda done: self.method_queue.defer(self.finish_request, conn, done)
            )
        else:
            conn.parser.unreader.unread(bytes(head.received))
            super().enqueue_req(conn)

    def finish_request(self, conn: TConn, fs: Any) -> None:
        """Keep a connection for its next request, or part from it without waiting for it."""
        if not fs.cancelled() and fs.exception() is None and fs.result():
            super().finish_request(conn, fs)
        else:
            self._part_from(conn)

    def murder_pending(self) -> None:
        """Close what has waited for long enough."""
        super().murder_pending()
        now = time.monotonic()
        for waiting in (self._heads, self._parting):
            while (conn := next(iter(waiting), None)) is not None and waiting[conn] <= now:
                self._close(conn)

    def _read_on(self, conn: TConn, head: Head, _: Any = None) -> None:
        try:
            piece = conn.sock.take(_PIECE_BYTES)
        except BlockingIOError:
            self._wait_for_more(conn, head)
            return
        except OSError:
            piece = b""
        head.received += piece
        if not piece:
            self._close(conn)
        elif head.is_readable or head.is_too_large:
            self._stop_waiting(conn)
            self.give_to_thread(conn, head)
        else:
            self._wait_for_more(conn, head)

    def _wait_for_more(self, conn: TConn, head: Head) -> None:
        if not head.received:
            patience_s = self.cfg.keepalive if self.alive else _PARTING_S
            conn.timeout = time.monotonic() + patience_s
            self.pending_conns.append(conn)
            self._wait(conn, partial(self.on_pending_socket_readable, conn))
        elif conn not in self._heads:
            self._heads[conn] = head.began + REQUEST_S
            self._wait(conn, partial(self._read_on, conn, head))

    def _refuse(self, conn: TConn, head: Head) -> bool:
        conn.sock.setblocking(True)
        line = b"\r\n" in head.received[: self.cfg.limit_request_line + 2]
        large = len(head.received)
        fault = LimitRequestHeaders("") if line else LimitRequestLine(large, large)
        self.handle_error(None, conn.sock, conn.client, fault)
        return False

    def _part_from(self, conn: TConn) -> None:
        """End what is said; what the client still says is heard, else it would lose the answer."""
        try:
            conn.sock.shutdown(socket.SHUT_WR)
            conn.sock.setblocking(False)
        except OSError:
            self._close(conn)
            return
        self._parting[conn] = time.monotonic() + _PARTING_S
        self._wait(conn, partial(self._hear_out, conn))

    def _hear_out(self, conn: TConn, _: Any) -> None:
        try:
            has_left = not conn.sock.take(_MOST_HEAD_BYTES)
        except BlockingIOError:
            has_left = False
        except OSError:
            has_left = True
        if has_left:
            self._close(conn)

    def _wait(self, conn: TConn, then: Any) -> None:
        self.poller.register(conn.sock, EVENT_READ, then)

    def _stop_waiting(self, conn: TConn) -> None:
        for waiting in (self._heads, self._parting):
            if waiting.pop(conn, None) is not None:
                self.poller.unregister(conn.sock)

    def _close(self, conn: TConn) -> None:
        self._stop_waiting(conn)
        self.nr_conns -= 1
        conn.close()


HELD_BACK: Final = (signal.SIGTERM,)
"""Signals that wait for a worker until it listens: before that they would be lost on it."""


_COULD_NOT_OPEN: Final = 1
"""An exit status that gunicorn meets with another worker; its own for this ends the server."""
_REST_S: Final = 0.5
_PAUSE_S: Final = 2.0
_HEARTBEAT_S: Final = 0.2


class HeadReadingWorker(WaitingWorker):
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
        self.enqueue_req(TConn(self.cfg, DeadlineSocket(taken), client, where))
        return True
