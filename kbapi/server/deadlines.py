"""A worker of gunicorn whose threads nobody can hold for long by sending or reading slowly."""

import errno
import logging
import re
import socket
import time
from collections.abc import Callable, Iterable
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
from kbapi.api.problems import PROBLEM_TYPE, STATUS_OF, problem_document
from kbapi.errors import (
    AddressTooLong,
    HeadTooLarge,
    KbapiError,
    RequestUnreadable,
    Unexpected,
)
from kbapi.metrics.counters import count_request

log = logging.getLogger(__name__)

REQUEST_S: Final = 10.0
"""How long head and body of a request may take together..."""
_ANSWER_S: Final = 10.0
"""...and whoever asked, from then on, to read the answer..."""
_LEAST_BYTES_PER_S: Final = 65_536
"""...and a second more for so many bytes of either, so that large ones may go by a thin line."""
_HOST: Final = re.compile(r"[A-Za-z0-9.\-_~%!$&'()*+,;=:\[\]]*\Z")
"""The characters of a host and its port (RFC 3986, section 3.2)."""


class DeadlineSocket(socket.socket):
    """A connection; what is not read of a request, or of its answer, at its deadline never is."""

    def __init__(self, taken: socket.socket) -> None:
        super().__init__(taken.family, taken.type, taken.proto, taken.detach())
        self._read_until = 0.0
        self._written_until: float | None = None

    def begin(self, began: float) -> None:
        """A request began at this moment of the monotonic clock."""
        self._read_until = began + REQUEST_S
        self._written_until = None

    def setblocking(self, flag: bool) -> None:
        """Wait from now on, but never for ever; or not at all."""
        self.settimeout(_ANSWER_S if flag else 0.0)

    def take(self, size: int) -> bytes:
        """What has come by now of what is not blocking.

        Raises
        ------
        BlockingIOError
            When nothing has.
        """
        return super().recv(size)

    def recv(self, size: int, flags: int = 0) -> bytes:
        """The next bytes.

        Raises
        ------
        ConnectionResetError
            When the deadline is over: to the server it is as if the client had left.
        """
        self.settimeout(_left_until(self._read_until))
        try:
            received = super().recv(size, flags)
        except TimeoutError:
            raise _too_slow() from None
        self._read_until += len(received) / _LEAST_BYTES_PER_S
        return received

    def sendall(self, data: Any, flags: int = 0) -> None:
        """Send it all, before the deadline of the whole answer.

        Raises
        ------
        ConnectionResetError
            When the deadline is over before whoever asked has read enough of it.
        """
        if self._written_until is None:
            self._written_until = time.monotonic() + _ANSWER_S
        rest = memoryview(data)
        while rest:
            piece, rest = rest[:_LEAST_BYTES_PER_S], rest[_LEAST_BYTES_PER_S:]
            self.settimeout(_left_until(self._written_until))
            try:
                super().sendall(piece, flags)
            except TimeoutError:
                raise _too_slow() from None
            self._written_until += len(piece) / _LEAST_BYTES_PER_S


def _left_until(moment: float) -> float:
    left = moment - time.monotonic()
    if left <= 0:
        raise _too_slow()
    return left


def _too_slow() -> ConnectionResetError:
    return ConnectionResetError(errno.ECONNRESET, "the client is too slow")


class PlainBody:
    """A body in chunks; where its chunks cannot be told apart, that is its sender's fault."""

    def __init__(self, body: Any) -> None:
        self._body = body

    def read(self, size: int = -1) -> bytes:
        """The next bytes.

        Raises
        ------
        RequestUnreadable
            When a chunk is not what its size says, or the size is none.
        """
        try:
            received: bytes = self._body.read(size)
        except ParseException:
            raise RequestUnreadable from None
        return received


def _with_plain_bodies(application: Callable[..., Any]) -> Callable[..., Any]:
    def answer(environ: dict[str, Any], start_response: Any) -> Iterable[bytes]:
        if "HTTP_TRANSFER_ENCODING" in environ:
            environ["wsgi.input"] = PlainBody(environ["wsgi.input"])
        pieces: Iterable[bytes] = application(environ, start_response)
        return pieces

    return answer


class DeadlineWorker(ThreadWorker):
    """A threaded worker that asks more of a request than gunicorn does, and tells who sent none."""

    wsgi: Any

    def load_wsgi(self) -> None:
        """Load the application, which gets bodies that blame nobody but their sender."""
        super().load_wsgi()
        self.wsgi = _with_plain_bodies(self.wsgi)

    def handle_request(self, req: Any, conn: TConn) -> Any:
        """Whether the connection can be used again, once this request is answered.

        Raises
        ------
        InvalidHeader
            When it does not say, or not legibly, which host it is for (RFC 9112, section 3.2).
        """
        hosts = [value for name, value in req.headers if name == "HOST"]
        if (not hosts and req.version >= (1, 1)) or not all(map(_HOST.match, hosts)):
            raise InvalidHeader("HOST")
        return super().handle_request(req, conn)

    def _keepalive_after(self, conn: TConn, keepalive: bool) -> bool:
        try:
            return bool(super()._keepalive_after(conn, keepalive))
        except ParseException:
            # The rest of a body that nobody asked for: what it belongs to has been answered.
            return False

    def handle_error(self, req: Any, client: socket.socket, addr: Any, exc: Exception) -> None:
        """Nothing; tells whoever sent what is no request so, and the log without their words."""
        problem, request_id = _problem_of(exc), uuid4().hex
        status = HTTPStatus(STATUS_OF[type(problem)])
        count_request(NO_ROUTE, "", status, 0)
        body = problem_document(problem, request_id)
        fields = {
            **SAFE_HEADERS,
            "Kbapi-Request-Id": request_id,
            "Content-Type": PROBLEM_TYPE,
            "Content-Length": str(len(body)),
            "Connection": "close",
        }
        lines = [f"HTTP/1.1 {status.value} {status.phrase}"]
        lines += [f"{name}: {value}" for name, value in fields.items()]
        log.info(
            "no_request",
            extra={"request_id": request_id, "status": status.value, "problem": problem.code},
        )
        try:
            client.sendall("\r\n".join([*lines, "", ""]).encode() + body)
        except OSError:
            log.debug("the client closed the connection before the problem was sent")


def _problem_of(fault: Exception) -> KbapiError:
    if isinstance(fault, LimitRequestLine):
        return AddressTooLong()
    if isinstance(fault, LimitRequestHeaders):
        return HeadTooLarge()
    return RequestUnreadable() if isinstance(fault, ParseException) else Unexpected()
