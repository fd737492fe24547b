"""Bodies, headers and links of requests and answers, and the log line of each request."""

import logging
import re
import time
from dataclasses import dataclass, field, fields
from hashlib import blake2b
from typing import Final, Literal, Protocol, get_args
from urllib.parse import urlencode
from uuid import uuid4

import orjson
from flask import Flask, Response, current_app, g, request
from werkzeug.exceptions import NotFound

from kbapi.access.keys import KEY_PREFIX
from kbapi.access.limits import LARGE_BYTES, BodyMemory
from kbapi.documents.reader import read_parameters, unknown_parameters
from kbapi.documents.shapes import (
    ParameterFlag,
    StrictSchema,
)
from kbapi.errors import (
    BodyTooLarge,
    ContributorMissing,
    IdempotencyKeyUnreadable,
    MediaTypeWrong,
    QueryInvalid,
    ReceiptMissing,
)
from kbapi.instance.instance import Instance
from kbapi.instance.secret import RECEIPT_PREFIX
from kbapi.instance.write_gate import Condition, WriteState
from kbapi.intake.correct import Correction
from kbapi.intake.follow_up import RemovedFollowUp
from kbapi.intake.responses import Accepted
from kbapi.metrics.counters import count_request, method_label
from kbapi.settings import ANY_ORIGIN, Join

log = logging.getLogger(__name__)

_HEADERS: Final = {
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "X-Frame-Options": "DENY",
}
# An answer that is not a page needs no resource; pages set a policy of their own.
_POLICY: Final = "default-src 'none'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"

NO_ROUTE: Final = "none"
"""The route of a request that fits no rule."""

SAFE_HEADERS: Final = {**_HEADERS, "Content-Security-Policy": _POLICY, "Cache-Control": "no-store"}
"""The headers of an answer that the server gives without the application."""


def follow_requests(app: Flask) -> None:
    """Give each request of the app an id, and each answer headers and a log line."""
    app.before_request(_begin)
    app.after_request(_finish)


_PIECE_BYTES: Final = 262_144


def limit_bodies(app: Flask, most_bytes: int) -> None:
    """Let the large bodies of the app take so much memory at once."""
    memory = BodyMemory(most_bytes)
    app.extensions["kbapi_body_memory"] = memory

    @app.teardown_request
    def give_back(_: BaseException | None) -> None:
        memory.give_back(g.pop("body_memory", 0))


def sent_body() -> bytes:
    """The whole body of this request, as it was sent.

    Raises
    ------
    BodyTooLarge
        When it is longer than what is read; a Content-Length is checked before.
    Overloaded
        When other large bodies take the memory: before this one is read, or as soon as a body in
        chunks turns out to be large.
    """
    stream, most = request.stream, request.max_content_length
    length = request.content_length
    if length is not None and length > LARGE_BYTES:
        _take(length)
    pieces: list[bytes] = []
    size = 0
    # At the limit itself the framework would refuse a further read, although nothing may follow.
    while (most is None or size < most) and (piece := stream.read(_PIECE_BYTES)):
        pieces.append(piece)
        size += len(piece)
        if length is None and size > LARGE_BYTES and "body_memory" not in g:
            _take(most or size)
    # The framework reads chunks up to the limit and drops the rest without an error.
    if most is not None and size >= most and request.environ["wsgi.input"].read(1):
        raise BodyTooLarge
    return b"".join(pieces)


def _take(size: int) -> None:
    memory: BodyMemory = current_app.extensions["kbapi_body_memory"]
    g.body_memory = memory.take(size)


def _begin() -> None:
    g.request_id = uuid4().hex
    g.begun = time.perf_counter()
    path = request.environ.get("PATH_INFO", "")
    if path.startswith("//") or not path:
        # The framework drops doubled slashes at the front, so a proxy's rule for /metrics would
        # not apply to //metrics. It redirects from an empty path to the Host that was sent.
        request.url_rule, request.routing_exception = None, NotFound()


def _finish(response: Response) -> Response:
    response.headers.extend(_HEADERS)
    response.headers.setdefault("Content-Security-Policy", _POLICY)
    response.headers["Kbapi-Request-Id"] = g.request_id
    seconds = time.perf_counter() - g.begun
    # The rule, not the path: paths contain ids, and queries contain what a person asks.
    rule = request.url_rule.rule if request.url_rule else ""
    count_request(route_of(rule), request.method, response.status_code, seconds)
    log.info(
        "request",
        extra={
            "request_id": g.request_id,
            "method": method_label(request.method),
            "route": rule,
            "status": response.status_code,
            "ms": round(seconds * 1000, 1),
            "problem": g.get("problem_code"),
        },
    )
    return response


_PATH_PARAMETER: Final = re.compile(r"<(?:[^>]*:)?(\w+)>")


def route_of(rule: str) -> str:
    """A rule as the API document writes it; `none` for a request that fits no rule.

    >>> route_of("/v1/review/<uuid:submission_id>/<int(max=1000):ordinal>"), route_of("")
    ('/v1/review/{submission_id}/{ordinal}', 'none')
    """
    return _PATH_PARAMETER.sub(r"{\1}", rule) or NO_ROUTE


_ALLOWED: Final = "Authorization, Content-Type, Idempotency-Key, If-None-Match, Kbapi-Contributor"
_EXPOSED: Final = (
    "Age, ETag, Kbapi-Request-Id, Link, Location, RateLimit, RateLimit-Policy, Retry-After"
)
_MAX_AGE_S: Final = "600"


def allow_origins(app: Flask, origins: tuple[str, ...]) -> None:
    """Allow pages of these origins to read answers, without cookies or other credentials."""
    is_for_all = origins == (ANY_ORIGIN,)

    @app.after_request
    def add_fields(response: Response) -> Response:
        if not is_for_all:
            response.vary.add("Origin")
        origin = request.headers.get("Origin", "")
        if origin and (is_for_all or origin in origins):
            response.headers["Access-Control-Allow-Origin"] = ANY_ORIGIN if is_for_all else origin
            if "Access-Control-Request-Method" in request.headers and request.method == "OPTIONS":
                response.headers["Access-Control-Allow-Methods"] = response.headers.get("Allow", "")
                response.headers["Access-Control-Allow-Headers"] = _ALLOWED
                response.headers["Access-Control-Max-Age"] = _MAX_AGE_S
            else:
                response.headers["Access-Control-Expose-Headers"] = _EXPOSED
        return response


NOT_KEPT: Final = {"Cache-Control": "no-store"}
"""The header that forbids caches to store an answer."""


@dataclass(frozen=True, slots=True)
class Links:
    """Paths of further requests."""

    self: str
    """Path of the result; its receipt reads and withdraws it."""
    start: tuple[str, ...]
    """Paths of the suggested start, one for each domain and control of the result."""


@dataclass(frozen=True, slots=True)
class SubmissionResponse(Accepted):
    """The answer to an accepted result."""

    links: Links = field(kw_only=True)
    """Paths of further requests."""


@dataclass(frozen=True, slots=True)
class CorrectionResponse(SubmissionResponse):
    """The answer to a corrected result."""

    follow_ups_removed: tuple[RemovedFollowUp, ...] = field(kw_only=True)
    """Follow-ups that do not fit the corrected result; they were removed."""


@dataclass(frozen=True, slots=True)
class Health:
    """Whether the process is running."""

    status: Literal["live"]
    """Always live: a process that does not run gives no answer."""


@dataclass(frozen=True, slots=True)
class Readiness:
    """Whether requests can be answered, and whether results are accepted at present."""

    status: Literal["ready"]
    """Always ready: a service that cannot answer gives a problem document with status 503."""
    writes: WriteState
    """`accepted`, or the code of the problem that results get; questions are answered anyway."""
    conditions: tuple[Condition, ...]
    """What the host must look at; empty while all is well."""
    rescreening: Literal["done", "due"]
    """`due` while the database holds results that older rules screened, else `done`."""


Method = Literal["DELETE", "GET", "POST", "PUT"]
METHODS: Final[tuple[Method, ...]] = get_args(Method)


@dataclass(frozen=True, slots=True)
class Endpoint:
    """One operation of the API."""

    method: Method
    """Method of the request."""
    path: str
    """Path of the request; parts in braces are filled in."""
    summary: str
    """What the operation does."""


@dataclass(frozen=True, slots=True)
class ServiceDescription:
    """What is served under this address."""

    service: Literal["kbapi"]
    """Always kbapi."""
    version: str
    """Version of the program."""
    join: Join
    """Who needs an access key: `open`: no one; `invite`: senders; `closed`: senders and readers."""
    openapi: str
    """Path of the OpenAPI document."""
    guides: str
    """Path of the guides for people."""
    problems: str
    """Path of the list of all problems and rules."""
    endpoints: tuple[Endpoint, ...]
    """Every operation of the API, by path."""


def with_links(accepted: Accepted) -> SubmissionResponse:
    """The accepted result with links to further requests."""
    own = {part.name: getattr(accepted, part.name) for part in fields(Accepted)}
    starts = dict.fromkeys(
        "/v1/start?"
        + urlencode(
            {
                "chip": accepted.chip.key,
                "domain": setting.domain,
                "control": setting.control,
                "moved_with": ",".join(setting.moved_with),
            }
        )
        for setting in accepted.settings
    )
    links = Links(self=f"/v1/submissions/{accepted.id}", start=tuple(starts))
    return SubmissionResponse(**own, links=links)


def corrected_with_links(correction: Correction) -> CorrectionResponse:
    """The corrected result with links to further requests."""
    response = with_links(correction.accepted)
    own = {part.name: getattr(response, part.name) for part in fields(SubmissionResponse)}
    return CorrectionResponse(**own, follow_ups_removed=correction.follow_ups_removed)


def dump(answer: object, status: int) -> Response:
    """A JSON response of a frozen answer, not to be cached."""
    return Response(orjson.dumps(answer), status, NOT_KEPT, mimetype="application/json")


def created(answer: object, location: str) -> Response:
    """A JSON response to what was stored, with the path of the result in the Location field."""
    response = dump(answer, 201)
    response.headers["Location"] = location
    return response


class Page(Protocol):
    """A page of a list."""

    @property
    def next_cursor(self) -> str | None:
        """Value of `cursor` for the next page, None on the last page."""


def dump_page(page: Page) -> Response:
    """A page of a list, with the address of the next page in the Link field (RFC 8288)."""
    return _with_next_page(dump(page, 200), page)


def conditional_page(page: Page) -> Response:
    """A page of a list with its ETag, or 304 if the request names the same one."""
    body = orjson.dumps(page)
    response = conditional(body, blake2b(body, digest_size=16).hexdigest())
    return response if response.status_code == 304 else _with_next_page(response, page)


def _with_next_page(response: Response, page: Page) -> Response:
    if page.next_cursor is not None:
        asked = {**request.args.to_dict(), "cursor": page.next_cursor}
        response.headers["Link"] = f'<{request.path}?{urlencode(asked)}>; rel="next"'
    return response


def conditional(body: bytes, etag: str, content_type: str = "application/json") -> Response:
    """An answer with its ETag, or 304 if the request names the same one."""
    if request.if_none_match.contains_weak(etag):
        response = Response(status=304)
        del response.headers["Content-Type"]
    else:
        response = Response(body, 200, content_type=content_type)
    response.headers["ETag"] = f'"{etag}"'
    response.headers["Cache-Control"] = "no-cache"
    return response


def instance() -> Instance:
    """The instance that this app serves."""
    served: Instance = current_app.extensions["kbapi"]
    return served


_QUOTED: Final = r'"((?:[ !#-\[\]-~]|\\["\\]){1,255})"'
_BARE: Final = r"[!#-\[\]-~]{1,255}"
IDEMPOTENCY_KEY: Final = f"^(?:{_QUOTED}|{_BARE})$"
"""RFC 8941 string, quotes optional: visible ASCII, with \" and \\ escaped."""
_KEY: Final = re.compile(IDEMPOTENCY_KEY)
_TOKEN: Final = re.compile(r"[A-Za-z0-9._~-]{16,128}\Z")


class DryRunSchema(StrictSchema):
    """Whether the request is a dry run."""

    dry_run = ParameterFlag(
        load_default=False,
        metadata={
            "description": "With true, the server answers as usual and stores nothing.",
            "example": True,
        },
    )


_DRY_RUN: Final = DryRunSchema()


def is_dry_run() -> bool:
    """Whether this request is a dry run; the endpoint takes no other query parameter.

    Raises
    ------
    QueryInvalid
        With every problem of the parameters.
    """
    parameters = read_parameters(_DRY_RUN, request.args.to_dict(flat=False))
    if parameters.problems:
        raise QueryInvalid(problems=parameters.problems)
    return bool(parameters.values["dry_run"])


def require_no_parameters() -> None:
    """Nothing, for a request without query parameters; this endpoint takes none.

    Raises
    ------
    QueryInvalid
        Naming each parameter: a misspelt one is never silently ignored.
    """
    if request.args:
        raise QueryInvalid(problems=unknown_parameters(request.args))


def require_json() -> None:
    """Nothing, if the Content-Type is JSON in UTF-8.

    Raises
    ------
    MediaTypeWrong
        For every other Content-Type, and for none.
    """
    if request.headers.get("Content-Encoding", "identity").lower() != "identity":
        raise MediaTypeWrong("Send the body without Content-Encoding.")
    charset = request.mimetype_params.get("charset", "utf-8").lower()
    if request.mimetype != "application/json" or charset not in ("utf-8", "utf8"):
        raise MediaTypeWrong


def is_ndjson() -> bool:
    """Whether the Content-Type is NDJSON; otherwise it must be JSON.

    Raises
    ------
    MediaTypeWrong
        For every other Content-Type, and for none.
    """
    if request.mimetype == "application/x-ndjson" and "Content-Encoding" not in request.headers:
        return True
    require_json()
    return False


def idempotency_key() -> str | None:
    """The Idempotency-Key without its quotes, None if none was sent.

    Raises
    ------
    IdempotencyKeyUnreadable
        When it was sent twice, is empty, too long or not a structured string.
    """
    sent = request.headers.getlist("Idempotency-Key")
    if not sent:
        return None
    if len(sent) > 1:
        raise IdempotencyKeyUnreadable
    text = sent[0].strip()
    if not (read := _KEY.match(text)):
        raise IdempotencyKeyUnreadable
    return text if read.group(1) is None else re.sub(r'\\(["\\])', r"\1", read.group(1))


def bearer_receipt() -> str:
    """The receipt that came as Bearer token.

    Raises
    ------
    ReceiptMissing
        When there is none, or it is not a receipt.
    """
    token = _bearer(RECEIPT_PREFIX)
    if token is None:
        raise ReceiptMissing
    return token


def bearer_key() -> str | None:
    """The access key that came as Bearer token, or None."""
    return _bearer(KEY_PREFIX)


def _bearer(prefix: str) -> str | None:
    """The Bearer token, if its prefix is that of the wanted kind."""
    scheme, _, token = request.headers.get("Authorization", "").partition(" ")
    token = token.strip()
    is_wanted = scheme.lower() == "bearer" and token.startswith(prefix) and token.isascii()
    return token if is_wanted else None


def contributor_token() -> str:
    """The token that came as Kbapi-Contributor.

    Raises
    ------
    ContributorMissing
        When there is none, several, or it does not have the form of a token.
    """
    sent = request.headers.getlist("Kbapi-Contributor")
    if len(sent) != 1 or not _TOKEN.match(sent[0].strip()):
        raise ContributorMissing
    return sent[0].strip()
