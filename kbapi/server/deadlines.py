"""A gunicorn worker with deadlines: slow senders and readers cannot hold its threads for long."""

import errno
import logging
import os
import re
import select
import socket
import time
from collections.abc import Callable, Iterable
from contextlib import AbstractContextManager, nullcontext
from http import HTTPStatus
from typing import Any, Final
from uuid import uuid4

from gunicorn.http.errors import (
    InvalidHeader,
    LimitRequestHeaders,
    LimitRequestLine,
    ParseException,
)
from gunicorn.workers.gthread import TConn, ThreadWorker

from kbapi.api.http_messages import NO_ROUTE, SAFE_HEADERS
from kbapi.api.problems import PROBLEM_TYPE, RETRY_AFTER_S, STATUS_OF, problem_document
from kbapi.errors import (
    AddressTooLong,
    HeadTooLarge,
    KbapiError,
    Overloaded,
    RateExceeded,
    RequestUnreadable,
    Unexpected,
)
from kbapi.metrics.counters import count_request
from kbapi.server.queue import State, Turn

log = logging.getLogger(__name__)

REQUEST_S: Final = 10.0
"""The time for head and body of a request together."""
_ANSWER_S: Final = 10.0
"""The time for the client to read the answer."""
_LEAST_BYTES_PER_S: Final = 65_536
"""Each such number of bytes adds a second to a deadline, for large bodies over slow lines."""
_HOST: Final = re.compile(r"[A-Za-z0-9.\-_~%!$&'()*+,;=:\[\]]*\Z")
"""The characters of a host and its port (RFC 3986, section 3.2)."""


class DeadlineSocket(socket.socket):
    """A connection with one deadline for the whole request and one for the whole answer.

    A request that waits for its client gives up its turn to compute meanwhile.
    """

    def __init__(self, family: int, descriptor: int) -> None:
        super().__init__(family, socket.SOCK_STREAM, 0, descriptor)
        self._read_until = 0.0
        self._written_until: float | None = None
        self._turn: Turn | None = None
        # Blocking, the kernel itself would wait, beyond every deadline.
        self.settimeout(0.0)

    def begin(self, began: float, turn: Turn | None = None) -> None:
        """Set the deadlines of a request that began at this time of the monotonic clock."""
        self._read_until = began + REQUEST_S
        self._written_until = None
        self._turn = turn

    def setblocking(self, flag: bool) -> None:
        """Block up to the time of an answer, or do not block."""
        timeout_s = _ANSWER_S if flag else 0.0
        if self.gettimeout() != timeout_s:
            self.settimeout(timeout_s)

    def take(self, size: int) -> bytes:
        """The bytes that have arrived, without waiting.

        Raises
        ------
        BlockingIOError
            When no bytes have arrived.
        """
        # With any timeout the kernel does not wait for this descriptor.
        return os.read(self.fileno(), size)

    def has_received(self) -> bool:
        """Whether bytes have arrived that are not taken yet."""
        waiting = select.poll()
        waiting.register(self.fileno(), select.POLLIN)
        return bool(waiting.poll(0))

    def put(self, data: bytes) -> None:
        """Send as much of the data as the kernel takes, without waiting.

        Raises
        ------
        OSError
            When the client has closed the connection, or the kernel takes nothing.
        """
        os.write(self.fileno(), data)

    def recv(self, size: int, flags: int = 0) -> bytes:
        """The next bytes; there are no flags.

        Raises
        ------
        ConnectionResetError
            When the deadline is over, as if the client had closed the connection.
        Overloaded
            When the bytes have come, but too many requests compute; nothing was read.
        """
        while True:
            left_s = _seconds_until(self._read_until)
            try:
                received = self.take(size)
                break
            except BlockingIOError:
                self._wait_for(select.POLLIN, left_s, "reading")
        self._read_until += len(received) / _LEAST_BYTES_PER_S
        return received

    def sendall(self, data: Any, flags: int = 0) -> None:
        """Send all data before the deadline of the whole answer; there are no flags.

        Raises
        ------
        ConnectionResetError
            When the client has not read enough of the answer before the deadline.
        """
        if self._written_until is None:
            self._written_until = time.monotonic() + _ANSWER_S
        rest = memoryview(data)
        while rest:
            left_s = _seconds_until(self._written_until)
            try:
                sent = os.write(self.fileno(), rest[:_LEAST_BYTES_PER_S])
            except BlockingIOError:
                self._wait_for(select.POLLOUT, left_s, "sending")
                continue
            rest = rest[sent:]
            self._written_until += sent / _LEAST_BYTES_PER_S

    def paused(self, state: State) -> AbstractContextManager[None]:
        """A time in which the request on this connection has no turn to compute."""
        return nullcontext() if self._turn is None else self._turn.paused(state)

    def _wait_for(self, event: int, timeout_s: float, state: State) -> None:
        waiting = select.poll()
        waiting.register(self.fileno(), event)
        with self.paused(state):
            is_ready = waiting.poll(timeout_s * 1_000)
        if not is_ready:
            raise _too_slow()


def _seconds_until(deadline: float) -> float:
    left = deadline - time.monotonic()
    if left <= 0:
        raise _too_slow()
    return left


def _too_slow() -> ConnectionResetError:
    return ConnectionResetError(errno.ECONNRESET, "the client is too slow")


class ChunkedBody:
    """A chunked body; malformed chunks are an error of its sender."""

    def __init__(self, body: Any) -> None:
        self._body = body

    def read(self, size: int = -1) -> bytes:
        """The next bytes.

        Raises
        ------
        RequestUnreadable
            When a chunk does not match its size, or the size is malformed.
        """
        try:
            received: bytes = self._body.read(size)
        except ParseException:
            raise RequestUnreadable from None
        return received


def with_connection(application: Callable[..., Any]) -> Callable[..., Any]:
    """The application, which gets malformed chunks as errors, and a way to give up its turn."""

    def answer(environ: dict[str, Any], start_response: Any) -> Iterable[bytes]:
        if "HTTP_TRANSFER_ENCODING" in environ:
            environ["wsgi.input"] = ChunkedBody(environ["wsgi.input"])
        environ["kbapi.paused"] = environ["gunicorn.socket"].paused
        pieces: Iterable[bytes] = application(environ, start_response)
        return pieces

    return answer


class DeadlineWorker(ThreadWorker):
    """A threaded worker that checks requests more strictly, and answers faults with a problem."""

    wsgi: Any
    _count_unreadable: Callable[[str], int]

    def load_wsgi(self) -> None:
        """Load the application, with malformed chunks reported as an error of the sender."""
        super().load_wsgi()
        counted = getattr(self.wsgi, "extensions", {}).get("kbapi_count_unreadable")
        self._count_unreadable = counted or (lambda _address: 0)
        self.wsgi = with_connection(self.wsgi)

    def handle_request(self, req: Any, conn: TConn) -> Any:
        """Whether the connection can be used again after this request.

        Raises
        ------
        InvalidHeader
            When the Host field is missing or malformed (RFC 9112, section 3.2).
        """
        hosts = [value for name, value in req.headers if name == "HOST"]
        if (not hosts and req.version >= (1, 1)) or not all(map(_HOST.match, hosts)):
            raise InvalidHeader("HOST")
        return super().handle_request(req, conn)

    def _keepalive_after(self, conn: TConn, keepalive: bool) -> bool:
        try:
            return bool(super()._keepalive_after(conn, keepalive))
        except (ParseException, Overloaded):
            # The rest of an unread body cannot be read; its request is already answered.
            return False

    def handle_error(self, req: Any, client: socket.socket, addr: Any, exc: Exception) -> None:
        """Send a problem for a malformed request; the log line has no text of the sender.

        It counts against the limit of its network, like every other request.
        """
        problem, wait_s = _problem_of(exc), 0
        if not isinstance(problem, Unexpected) and (wait_s := self._count_unreadable(addr[0])):
            problem = RateExceeded()
        request_id = uuid4().hex
        answer = problem_answer(problem, request_id, wait_s)
        log.info(
            "no_request",
            extra={
                "request_id": request_id,
                "status": STATUS_OF[type(problem)],
                "problem": problem.code,
            },
        )
        try:
            client.sendall(answer)
        except OSError:
            log.debug("the client closed the connection before the problem was sent")


def problem_answer(problem: KbapiError, request_id: str, retry_after_s: int = 0) -> bytes:
    """The whole answer with a problem to a request that does not reach the application; counted."""
    kind = type(problem)
    count_request(NO_ROUTE, "", STATUS_OF[kind], 0)
    asked = kind, retry_after_s or RETRY_AFTER_S.get(kind, 0)
    # A server with too many requests refuses hundreds a second.
    if (answer := _ANSWERS.get(asked)) is None:
        answer = _ANSWERS[asked] = _answer_with(*asked)
    return answer.replace(_ANY_ID, request_id.encode())


_ANY_ID: Final = b"0" * 32
_ANSWERS: Final[dict[tuple[type[KbapiError], int], bytes]] = {}
"""Each answer that was made, by problem and Retry-After, with a placeholder for the id."""


def _answer_with(kind: type[KbapiError], retry_after_s: int) -> bytes:
    status = HTTPStatus(STATUS_OF[kind])
    body = problem_document(kind(), _ANY_ID.decode())
    fields = {
        **SAFE_HEADERS,
        "Kbapi-Request-Id": _ANY_ID.decode(),
        "Content-Type": PROBLEM_TYPE,
        "Content-Length": str(len(body)),
        "Connection": "close",
    }
    if retry_after_s:
        fields["Retry-After"] = str(retry_after_s)
    lines = [f"HTTP/1.1 {status.value} {status.phrase}"]
    lines += [f"{name}: {value}" for name, value in fields.items()]
    return "\r\n".join([*lines, "", ""]).encode() + body


def _problem_of(fault: Exception) -> KbapiError:
    if isinstance(fault, LimitRequestLine):
        return AddressTooLong()
    if isinstance(fault, LimitRequestHeaders):
        return HeadTooLarge()
    return RequestUnreadable() if isinstance(fault, ParseException) else Unexpected()
