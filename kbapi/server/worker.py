"""The gunicorn worker: reads heads before it uses threads, and loses no answer at its end."""

import errno
import logging
import mmap
import os
import re
import signal
import socket
import sys
import time
from collections import Counter
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from functools import partial
from selectors import EVENT_READ
from typing import Any, Final, Literal

import uuid_utils
from gunicorn.http import get_parser
from gunicorn.http.errors import LimitRequestHeaders, LimitRequestLine
from gunicorn.workers.gthread import TConn

from kbapi.access.limits import network_of
from kbapi.errors import KbapiError, Overloaded
from kbapi.metrics.counters import (
    OverloadCause,
    count_overloaded,
    count_queue_wait,
    count_queued,
)
from kbapi.server.deadlines import REQUEST_S, DeadlineSocket, DeadlineWorker, problem_answer
from kbapi.server.queue import LONGEST_WAIT_S, LOOK_S, Places, Refusals, RequestQueue, State, Turn

log = logging.getLogger(__name__)

_PIECE_BYTES: Final = 8_192
_BODY_PIECE_BYTES: Final = 1_024
"""Fewer bytes at a time do not prolong the end of a connection."""
_MOST_HEAD_BYTES: Final = 65_536
"""More than any head needs; a worker may hold this much for each connection."""
_CLOSING_S: Final = 2.0
"""The time for a client to close its end, or for a silent one to begin while the worker ends."""


_WATCHING: Final = re.compile(rb"[\r\n]{0,8}[A-Z]{1,8} (/health/live|/health/ready|/metrics)[? ]")
_HAS_BODY: Final = re.compile(rb"\n(?:content-length|transfer-encoding)[ \t]*:", re.IGNORECASE)
_LENGTH: Final = re.compile(
    rb"\n(?:content-length[ \t]*:[ \t]*([0-9]{1,9})(?=\r)|content-length|transfer-encoding)",
    re.IGNORECASE,
)
_FORWARDED: Final = re.compile(rb"\nx-forwarded-for:([^\r\n]*)", re.IGNORECASE)


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

    @property
    def watched_path(self) -> bytes:
        r"""The path of a request for health or metrics without a body; empty for any other.

        >>> Head(0.0, bytearray(b"GET /metrics?x=1 HTTP/1.1\r\nHost: a\r\n\r\n")).watched_path
        b'/metrics'
        """
        found = _WATCHING.match(self.received)
        return b"" if found is None or self.has_body else found[1]

    @property
    def has_body(self) -> bool:
        """Whether a body may follow."""
        return self.is_too_large or _HAS_BODY.search(self.received) is not None

    @property
    def is_whole(self) -> bool:
        r"""Whether no more bytes of the request can follow.

        >>> sent = b"POST / HTTP/1.1\r\nContent-Length: 2\r\n\r\n"
        >>> [Head(0.0, bytearray(sent + body)).is_whole for body in (b"", b"1", b"{}")]
        [False, False, True]
        """
        if not self.has_body:
            return True
        lengths = _LENGTH.findall(self.received)
        body = len(self.received.partition(b"\r\n\r\n")[2])
        # Any other way to say the length of a body counts as a body that goes on.
        return len(lengths) == 1 and lengths[0].isdigit() and body >= int(lengths[0])

    def sender(self, address: str, proxies: int) -> str:
        r"""The address that the outermost of so many proxies saw, else that of the connection.

        >>> sent = b"GET / HTTP/1.1\r\nX-Forwarded-For: 192.0.2.1, 192.0.2.7\r\n\r\n"
        >>> [Head(0.0, bytearray(sent)).sender("127.0.0.1", proxies) for proxies in (0, 1, 3)]
        ['127.0.0.1', '192.0.2.7', '127.0.0.1']
        """
        if not proxies:
            return address
        passed_on = b",".join(_FORWARDED.findall(self.received)).split(b",")
        return (
            passed_on[-proxies].strip().decode("latin-1") if len(passed_on) >= proxies else address
        )


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

    def enqueue_req(self, conn: TConn) -> None:
        """Give a connection to a thread as soon as the head of its next request is complete."""
        head = Head(time.monotonic())
        if conn.parser is not None:
            head.received += conn.parser.unreader.take_buffered()
        if head.is_readable:
            self.give_to_thread(conn, head)
        else:
            self._read_on(conn, head)

    def give_to_thread(self, conn: TConn, head: Head) -> None:
        """Let a thread answer the request with this head."""
        self.run_in(self.tpool, conn, head, head.began, None)

    def run_in(
        self, pool: ThreadPoolExecutor, conn: TConn, head: Head, began: float, turn: Turn | None
    ) -> None:
        """Let a thread of this pool answer the request, which has its time from `began` on."""
        if conn.parser is None:
            conn.parser = get_parser(self.cfg, conn.sock, conn.client)
        conn.sock.begin(began, turn)
        conn.data_ready = True
        if head.is_too_large:
            answer = partial(self._refuse, conn, head)
        else:
            conn.parser.unreader.unread(bytes(head.received))
            answer = partial(self.handle, conn)
        answered = pool.submit(answer if turn is None else partial(_in_turn, turn, answer))
        answered.add_done_callback(
            lambda done: self.method_queue.defer(self.finish_request, conn, done)
        )

    def finish_request(self, conn: TConn, fs: Any) -> None:
        """Keep a connection for its next request, or close it without waiting for the client."""
        if not fs.cancelled() and fs.exception() is None and fs.result():
            super().finish_request(conn, fs)
        else:
            self.begin_closing(conn)

    def murder_pending(self) -> None:
        """Close connections whose deadline is over."""
        super().murder_pending()
        now = time.monotonic()
        for waiting in (self._heads, self._closing):
            while (conn := next(iter(waiting), None)) is not None and waiting[conn] <= now:
                self.close(conn)

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
            self.close(conn)
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

    def begin_closing(self, conn: TConn) -> None:
        """Close the sending end; unread bytes would make the client lose the answer."""
        try:
            conn.sock.shutdown(socket.SHUT_WR)
        except OSError:
            self.close(conn)
            return
        conn.timeout = time.monotonic()
        self._closing[conn] = conn.timeout + _CLOSING_S
        self._wait(conn, partial(self._discard, conn))

    def _discard(self, conn: TConn, _: Any) -> None:
        try:
            received = len(conn.sock.take(_MOST_HEAD_BYTES))
        except BlockingIOError:
            return
        except OSError:
            received = 0
        if not received:
            self.close(conn)
        elif received >= _BODY_PIECE_BYTES and conn.timeout + REQUEST_S > time.monotonic():
            # A client that still sends its body reads the answer only afterwards.
            del self._closing[conn]
            self._closing[conn] = time.monotonic() + _CLOSING_S

    def _wait(self, conn: TConn, then: Any) -> None:
        self.poller.register(conn.sock, EVENT_READ, then)

    def _stop_waiting(self, conn: TConn) -> None:
        for waiting in (self._heads, self._closing):
            if waiting.pop(conn, None) is not None:
                self.poller.unregister(conn.sock)
        for idle in (self.keepalived_conns, self.pending_conns):
            if idle and idle[0] is conn:
                idle.popleft()
                self.poller.unregister(conn.sock)

    def close(self, conn: TConn) -> None:
        """Close a connection at once."""
        self._stop_waiting(conn)
        self.nr_conns -= 1
        conn.close()


def _in_turn(turn: Turn, answer: Callable[[], bool]) -> bool:
    with turn.running():
        return answer()


COMPUTING: Final = 6
"""The requests of a worker that compute at a time: more of them only delay each other, as one
processor runs all threads of a process."""
_WATCHING_WAIT: Final = 64
"""The requests for a path of health or metrics that may wait; more get an answer at once."""
_WATCHING_WAIT_OF_ONE: Final = 48
_SWITCH_S: Final = 0.0005
"""How long a thread computes while others want to: the usual 5 ms delay the loop of the worker at
each of its calls."""


@dataclass
class _Running:
    """What a request holds until it is answered."""

    network: str
    places: Places
    turn: Turn | None


class QueueingWorker(HeadReader):
    """A worker with a queue of requests, which refuses whoever would wait too long.

    Requests for health and metrics have threads of their own.
    """

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        threads = self.cfg.threads
        self._threads = Places(threads, threads - threads // 16)
        computing = min(COMPUTING, threads)
        self._computing = Places(computing, max(computing - 2, 1), most_of_dear=1)
        self._queue: RequestQueue[tuple[TConn, Head]] = RequestQueue(self._computing)
        self._refusals: Refusals[tuple[TConn, Head]] = Refusals()
        self._running: dict[TConn, _Running] = {}
        self._watchers: dict[bytes, tuple[ThreadPoolExecutor, Places]] = {}
        self._proxies = 0

    @property
    def is_busy(self) -> bool:
        """Whether a new request would have to wait."""
        return self._threads.is_full or self._computing.is_full

    def load_wsgi(self) -> None:
        """Load the application, and give the loop of the worker its share of the processor."""
        sys.setswitchinterval(_SWITCH_S)
        super().load_wsgi()
        self._proxies = self.app.settings.trusted_proxies

    def give_to_thread(self, conn: TConn, head: Head) -> None:
        """Let a thread answer the request, now or in its turn, or refuse it."""
        network = network_of(head.sender(conn.client[0], self._proxies))
        if path := head.watched_path:
            self._watch(conn, head, network, path)
            return
        now = time.monotonic()
        if not self._queue.has(network) and self._take_places(network):
            self._queue.note_taken(now)
            self._begin(conn, head, network, 0.0)
        elif self._queue.seconds_to_wait(network, now) > LONGEST_WAIT_S:
            self._refuse_overload(network, conn, head, "full")
        else:
            self._queue.add(network, (conn, head), now)
            count_queued(len(self._queue))

    def finish_request(self, conn: TConn, fs: Any) -> None:
        """Keep or close the connection of an answered request, and free its places."""
        if (running := self._running.pop(conn, None)) is not None:
            running.places.give_back(running.network)
            if running.turn is not None:
                self._queue.learn(running.network, running.turn.held_s, running.turn.cpu_s)
        super().finish_request(conn, fs)

    def wait_for_and_dispatch_events(self, timeout: float) -> None:
        """Wait for events, then begin the requests for which there is a place."""
        if self._queue or self._refusals:
            timeout = min(timeout, LOOK_S)
        super().wait_for_and_dispatch_events(timeout)
        if self._queue:
            self._begin_queued()
        for conn, head in self._refusals.take_due(time.monotonic()):
            self._answer_overload(conn, head)

    def unanswered(self) -> dict[str, int]:
        """The number of requests that are not answered, by what they wait for or do."""
        states: list[State | Literal["queued"]] = ["queued"] * len(self._queue)
        turns = [running.turn for running in self._running.values()]
        states += [turn.state if turn is not None else "computing" for turn in turns]
        return dict(Counter(states))

    def _begin_queued(self) -> None:
        now = time.monotonic()
        for network, (conn, head) in self._queue.take_expired(now):
            self._refuse_overload(network, conn, head, "waited")
        while not self.is_busy and (taken := self._queue.take(self._take_places, now)):
            network, waited_s, (conn, head) = taken
            self._begin(conn, head, network, waited_s)
        count_queued(len(self._queue))

    def _take_places(self, network: str) -> bool:
        if not self._threads.take(network):
            return False
        if not self._computing.take(network):
            self._threads.give_back(network)
            return False
        return True

    def _begin(self, conn: TConn, head: Head, network: str, waited_s: float) -> None:
        count_queue_wait(waited_s)
        is_dear = self._queue.is_dear(network)
        turn = Turn(self._computing, network, self._wake, is_dear=is_dear)
        self._running[conn] = _Running(network, self._threads, turn)
        self.run_in(self.tpool, conn, head, head.began + waited_s, turn)

    def _wake(self) -> None:
        if self._queue:
            self.method_queue.defer(lambda: None)

    def _watch(self, conn: TConn, head: Head, network: str, path: bytes) -> None:
        if path not in self._watchers:
            waiting = Places(_WATCHING_WAIT, _WATCHING_WAIT_OF_ONE)
            self._watchers[path] = ThreadPoolExecutor(max_workers=1), waiting
        pool, waiting = self._watchers[path]
        if waiting.take(network):
            self._running[conn] = _Running(network, waiting, None)
            self.run_in(pool, conn, head, head.began, None)
        else:
            self._refuse_overload(network, conn, head, "watching")

    def _refuse_overload(self, network: str, conn: TConn, head: Head, cause: OverloadCause) -> None:
        count_overloaded(cause)
        if not self._refusals.hold(network, (conn, head), time.monotonic()):
            self._answer_overload(conn, head)

    def _answer_overload(self, conn: TConn, head: Head) -> None:
        try:
            conn.sock.put(problem_answer(Overloaded(), uuid_utils.uuid4().hex))
        except OSError:
            self.close(conn)
        else:
            # If everything was read, the client gets the whole answer after a close as well.
            (self.close if head.is_whole else self.begin_closing)(conn)


BLOCKED_AT_FORK: Final = (signal.SIGTERM,)
"""Signals that are blocked until a worker has its own handlers: before that they would be lost."""


_COULD_NOT_OPEN: Final = 1
"""An exit status after which gunicorn starts a new worker; its own for this ends the server."""
_ACCEPT_PAUSE_S: Final = 0.5
_RESTART_PAUSE_S: Final = 2.0
_HEARTBEAT_S: Final = 0.2
_YIELD_S: Final = 0.02
"""How long a busy worker leaves new connections to idle ones before it accepts them itself."""
_ACCEPTED_AT_ONCE: Final = 128
_IDLE_S: Final = 0.5
"""How long a connection must be without a complete request to be closed for a new one."""
_MASTER_LONGER_S: Final = 5
_ENDED_EARLY: Final = 5
"""An exit status that gunicorn does not use."""
CUT_OFF: Final = mmap.mmap(-1, 1)
"""Shared by the master and its workers: not zero once a worker has cut off requests."""


class HeadReadingWorker(QueueingWorker):
    """A worker that leaves connections to idle workers first, and answers all of them at its end.

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
        self._yields_until = 0.0
        self._addresses: dict[Any, Any] = {}
        self._notifies_at = 0.0

    def notify(self) -> None:
        """Show the master that this worker lives, but not at each turn of a busy loop."""
        now = time.monotonic()
        if now >= self._notifies_at:
            self._notifies_at = now + _HEARTBEAT_S
            super().notify()

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

    def run(self) -> None:
        """Serve until SIGTERM or the end of the master, and end in time whatever still runs."""
        # The master waits longer than its workers, so that they can log what they cut off.
        self.cfg.set("graceful_timeout", self.cfg.graceful_timeout - _MASTER_LONGER_S)
        super().run()
        if cut_off := self.unanswered():
            log.error("requests_cut_off", extra=cut_off)
            CUT_OFF[0] = 1
            # An ordinary end would wait for the threads.
            os._exit(_ENDED_EARLY)

    def accept(self, listener: Any) -> None:
        """Accept a connection; if this worker is busy, an idle one gets it first."""
        if not (self.alive and self.is_busy):
            self._yields_until = 0.0
            self._accept_one(listener)
        elif not self._yields_until:
            self._yields_until = time.monotonic() + _YIELD_S
            super().set_accept_enabled(False)
        else:
            self._yields_until = 0.0
            for _ in range(_ACCEPTED_AT_ONCE):
                if self.nr_conns >= self.worker_connections or not self._accept_one(listener):
                    break

    def set_accept_enabled(self, enabled: bool) -> None:
        """Start or stop accepting; at the end, accept all queued clients and close the sockets."""
        if self.alive:
            now = time.monotonic()
            is_paused = now < self._paused_until or (now < self._yields_until and self.is_busy)
            super().set_accept_enabled(enabled and not is_paused)
        elif not self._has_closed_sockets:
            self._has_closed_sockets = True
            super().set_accept_enabled(False)
            for listener in self.sockets:
                while self._accept_one(listener):
                    pass
                listener.close()

    def wait_for_and_dispatch_events(self, timeout: float) -> None:
        """Wait for events, but not longer than until connections are accepted again."""
        now = time.monotonic()
        if self._yields_until > now:
            timeout = min(timeout, self._yields_until - now)
        super().wait_for_and_dispatch_events(timeout)
        if self.alive and self.nr_conns >= self.worker_connections:
            self._close_idle(now)

    def _close_idle(self, now: float) -> None:
        """Close the oldest connection without a request, so that another can be accepted."""
        idle = [
            (next(iter(self._closing.items()), None), _CLOSING_S),
            (next(((one, one.timeout) for one in self.keepalived_conns), None), self.cfg.keepalive),
            (next(((one, one.timeout) for one in self.pending_conns), None), self.cfg.keepalive),
            (next(iter(self._heads.items()), None), REQUEST_S),
        ]
        for oldest, lasts_s in idle:
            is_idle = oldest is not None and lasts_s - (oldest[1] - now) >= _IDLE_S
            if oldest is not None and is_idle and not oldest[0].sock.has_received():
                self.close(oldest[0])
                return

    def _pause_accepting(self, error: OSError) -> None:
        """Accept no connection for a while; queued clients wait, accepted ones are answered."""
        self.log.error("no connection can be accepted: %s", os.strerror(error.errno or 0))
        self._paused_until = time.monotonic() + _ACCEPT_PAUSE_S
        if self.alive:
            super().set_accept_enabled(False)

    def _accept_one(self, listener: Any) -> bool:
        """Whether a client was queued."""
        try:
            # `accept` makes a socket of another class first: three more calls of the kernel, after
            # each of which this loop waits for its turn.
            descriptor, client = listener._accept()
        except OSError as error:
            if error.errno not in (errno.EAGAIN, errno.ECONNABORTED):
                self._pause_accepting(error)
            return error.errno == errno.ECONNABORTED  # a client that has already left
        self.nr_conns += 1
        if listener not in self._addresses:
            self._addresses[listener] = listener.getsockname()
        server = self._addresses[listener]
        self.enqueue_req(
            TConn(self.cfg, DeadlineSocket(listener.family, descriptor), client, server)
        )
        return True
