"""What every request is given and every answer leaves with: an id, a log line, safe headers."""

import logging
import re
import time
from functools import cache
from typing import Final
from uuid import uuid4

from flask import Flask, Response, g, request
from werkzeug.exceptions import NotFound

from kbapi.errors import BodyTooLarge
from kbapi.metrics.counters import count_request, told_method

log = logging.getLogger(__name__)

_HEADERS: Final = {
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "X-Frame-Options": "DENY",
}
# What is no page needs nothing that a page may have; pages bring a policy of their own.
_POLICY: Final = "default-src 'none'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"

NO_ROUTE: Final = "none"
"""The route of a request that fits no rule, or is none."""

SAFE_HEADERS: Final = {**_HEADERS, "Content-Security-Policy": _POLICY, "Cache-Control": "no-store"}
"""What an answer without an application leaves with."""


def follow_requests(app: Flask) -> None:
    """Give each request of the app an id, and each answer headers and a log line."""
    app.before_request(_begin)
    app.after_request(_finish)


def sent_body() -> bytes:
    """The whole body of this request, as it was sent.

    Raises
    ------
    BodyTooLarge
        When more came in chunks than is read; a length that is told was looked at before.
    """
    body = request.get_data()
    # The framework reads chunks up to the limit, and leaves out the rest without a word.
    most = request.max_content_length
    if most is not None and len(body) >= most and request.environ["wsgi.input"].read(1):
        raise BodyTooLarge
    return body


def _begin() -> None:
    g.request_id = uuid4().hex
    g.begun = time.perf_counter()
    if request.environ.get("PATH_INFO", "").startswith("//"):
        # The framework leaves out doubled slashes in front: a rule of whoever stands in front for
        # /metrics would not be one for //metrics.
        request.url_rule, request.routing_exception = None, NotFound()


def _finish(response: Response) -> Response:
    response.headers.extend(_HEADERS)
    response.headers.setdefault("Content-Security-Policy", _POLICY)
    response.headers["Kbapi-Request-Id"] = g.request_id
    seconds = time.perf_counter() - g.begun
    # The rule, not the path: a path holds ids, and a query holds what somebody asked.
    rule = request.url_rule.rule if request.url_rule else ""
    count_request(_route(rule), request.method, response.status_code, seconds)
    log.info(
        "request",
        extra={
            "request_id": g.request_id,
            "method": told_method(request.method),
            "route": rule,
            "status": response.status_code,
            "ms": round(seconds * 1000, 1),
            "problem": g.get("problem_code"),
        },
    )
    return response


@cache
def _route(rule: str) -> str:
    """A rule as the API document writes it; what no rule fits is `none`.

    >>> _route("/v1/review/<uuid:submission_id>/<int(max=1000):ordinal>"), _route("")
    ('/v1/review/{submission_id}/{ordinal}', 'none')
    """
    return re.sub(r"<(?:[^>]*:)?(\w+)>", r"{\1}", rule) or NO_ROUTE
