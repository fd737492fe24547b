"""The gunicorn worker: reads heads before it uses threads, and loses no answer at its end."""

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
"""More than any head needs; a worker may hold this much for each connection."""
_CLOSING_S: Final = 2.0
"""The time for a client to close its end, or for a silent one to begin while the worker ends."""


@dataclass
class Head:
    """The received part of the head of a request, and the time of its beginning."""

    began: float
    received: bytearray = field(default_factory=bytearray)

    @property
    def is_readable(self) -> bool:
        r"""Whether the head is complete, or certainly malformed.

        >>> [Head(0.0, bytearray(sent)).is_readable for sent in (b"GET / HTTP/1.1\r\n", b"\n")]
        [False, True]
        """
        # Empty lines may come first; every line ends with CR and LF (RFC 9112, section 2.2).
        if b"\r\n\r\n" in self.received.lstrip(b"\r\n"):
            return True
        return self.received.count(b"\n") != self.received.count(b"\r\n")

    @property
    def is_too_large(self) -> bool:
        """Whether the head is larger than any request needs."""
        return len(self.received) > _MOST_HEAD_BYTES


class HeadReader(DeadlineWorker):
    """A threaded worker that gives its threads only requests with a complete head.

    In gunicorn's own worker a thread waits for the end of a head. Its only loop waits for each
    client that does not close an ended connection. A few such clients stop the whole worker.
    """

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        # The deadline of each connection, earliest first.
        self._heads: dict[TConn, float] = {}
        self._closing: dict[TConn, float] = {}

    @property
    def threads_in_use(self) -> int:
        """The number of connections that have a thread or wait for one."""
        waiting = (self.keepalived_conns, self.pending_conns, self._heads, self._closing)
        return int(self.nr_conns - sum(map(len, waiting)))

    def enqueue_req(self, conn: TConn) -> None:
        """Give a connection to a thread as soon as the head of its next request is complete."""
        head = Head(time.monotonic())
        if conn.parser is not None:
            head.received += conn.parser.unreader.take_buffered()
        if head.is_readable:
            self.give_to_thread(conn, head)
        else:
            conn.sock.setblocking(False)
            self._read_on(conn, head)

    def give_to_thread(self, conn: TConn, head: Head) -> None:
        """Let a thread answer the request with this head."""
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
        """Keep a connection for its next request, or close it without waiting for the client."""
        if not fs.cancelled() and fs.exception() is None and fs.result():
            super().finish_request(conn, fs)
        else:
            self._begin_closing(conn)

    def murder_pending(self) -> None:
        """Close connections whose deadline is over."""
        super().murder_pending()
        now = time.monotonic()
        for waiting in (self._heads, self._closing):
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
            timeout_s = self.cfg.keepalive if self.alive else _CLOSING_S
            conn.timeout = time.monotonic() + timeout_s
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

    def _begin_closing(self, conn: TConn) -> None:
        """Close the sending end; unread bytes would make the client lose the answer."""
        try:
            conn.sock.shutdown(socket.SHUT_WR)
            conn.sock.setblocking(False)
        except OSError:
            self._close(conn)
            return
        self._closing[conn] = time.monotonic() + _CLOSING_S
        self._wait(conn, partial(self._discard, conn))

    def _discard(self, conn: TConn, _: Any) -> None:
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
        for waiting in (self._heads, self._closing):
            if waiting.pop(conn, None) is not None:
                self.poller.unregister(conn.sock)

    def _close(self, conn: TConn) -> None:
        self._stop_waiting(conn)
        self.nr_conns -= 1
        conn.close()


BLOCKED_AT_FORK: Final = (signal.SIGTERM,)
"""Signals that are blocked until a worker has its own handlers: before that they would be lost."""


_COULD_NOT_OPEN: Final = 1
"""An exit status after which gunicorn starts a new worker; its own for this ends the server."""
_ACCEPT_PAUSE_S: Final = 0.5
_RESTART_PAUSE_S: Final = 2.0
_HEARTBEAT_S: Final = 0.2


class HeadReadingWorker(HeadReader):
    """A worker that accepts connections only for free threads, and answers all of them at its end.

    gunicorn's own worker accepts a connection even if all its threads wait for slow clients. The
    new client then waits as well, while another worker is idle.

    A client is connected as soon as the kernel has queued it. At SIGTERM, gunicorn's own worker
    stops accepting but keeps the queue open for seconds, and the queued clients are cut off. This
    worker accepts all queued clients and closes the socket at once: the kernel refuses later
    clients, so they know that nothing was accepted.
    """

    alive: bool

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        self._has_closed_sockets = False
        self._paused_until = 0.0

    def init_signals(self) -> None:
        """Install the handlers; a blocked signal arrives at once."""
        super().init_signals()
        signal.pthread_sigmask(signal.SIG_UNBLOCK, BLOCKED_AT_FORK)

    def load_wsgi(self) -> None:
        """Open the instance; on an error, log the cause and end after a pause.

        Other workers continue to serve: gunicorn's own worker would end the whole server.
        """
        try:
            super().load_wsgi()
        except (KbapiError, OSError) as error:
            cause = error.detail if isinstance(error, KbapiError) else type(error).__name__
            self.log.error("a worker cannot start, and the server will try again: %s", cause)
            self._pause()
            sys.exit(_COULD_NOT_OPEN)

    def _pause(self) -> None:
        ends = time.monotonic() + _RESTART_PAUSE_S
        while self.alive and self.is_parent_alive() and time.monotonic() < ends:
            self.notify()
            time.sleep(_HEARTBEAT_S)

    def is_parent_alive(self) -> bool:
        """Whether the master still runs; without it this worker ends as after SIGTERM."""
        is_alive = bool(super().is_parent_alive())
        self.alive = self.alive and is_alive
        return is_alive

    def accept(self, listener: Any) -> None:
        """Accept a connection, if a thread is free."""
        if not (self.alive and self._is_full()):
            self._accept_one(listener)

    def give_to_thread(self, conn: TConn, head: Head) -> None:
        """Let a thread answer; if it is the last free thread, stop accepting connections."""
        super().give_to_thread(conn, head)
        if self.alive and self._is_full():
            super().set_accept_enabled(False)

    def set_accept_enabled(self, enabled: bool) -> None:
        """Start or stop accepting; at the end, accept all queued clients and close the sockets."""
        if self.alive:
            is_paused = time.monotonic() < self._paused_until
            super().set_accept_enabled(enabled and not is_paused and not self._is_full())
        elif not self._has_closed_sockets:
            self._has_closed_sockets = True
            super().set_accept_enabled(False)
            for listener in self.sockets:
                while self._accept_one(listener):
                    pass
                listener.close()

    def _is_full(self) -> bool:
        return bool(self.threads_in_use >= self.cfg.threads)

    def _pause_accepting(self, error: OSError) -> None:
        """Accept no connection for a while; queued clients wait, accepted ones are answered."""
        self.log.error("no connection can be accepted: %s", os.strerror(error.errno or 0))
        self._paused_until = time.monotonic() + _ACCEPT_PAUSE_S
        if self.alive:
            super().set_accept_enabled(False)

    def _accept_one(self, listener: Any) -> bool:
        """Whether a client was queued."""
        try:
            taken, client = listener.accept()
        except OSError as error:
            if error.errno not in (errno.EAGAIN, errno.ECONNABORTED):
                self._pause_accepting(error)
            return error.errno == errno.ECONNABORTED  # a client that has already left
        self.nr_conns += 1
        server = listener.getsockname()
        self.enqueue_req(TConn(self.cfg, DeadlineSocket(taken), client, server))
        return True
