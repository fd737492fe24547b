"""Access keys and rate limits before a view, and the header fields that report them after it."""

import logging
import threading
import time
from collections.abc import Callable, Mapping
from contextlib import suppress
from math import ceil
from typing import Any, Final, TypeVar

from flask import Flask, Response, current_app, g, request
from flask_limiter import ApplicationLimit, Limiter, RequestLimit
from flask_smorest import Blueprint
from limits import RateLimitItemPerMinute
from limits.errors import StorageError

from kbapi.access.keys import KeyHolder, find_holder
from kbapi.access.limits import (
    READS_KEYS,
    DailyHashes,
    Need,
    is_open,
    require,
    require_rate_library,
)
from kbapi.access.sessions import find_session_holder, session_cookie
from kbapi.api.http_messages import bearer_key
from kbapi.api.openapi import problem_answers
from kbapi.clock import Clock
from kbapi.errors import AccessKeyWrong, CpuTimeExceeded
from kbapi.instance.instance import Instance
from kbapi.metrics.counters import (
    CountedBy,
    count_cpu_exceeded,
    count_rate_exceeded,
    count_rate_fault,
    count_rate_local,
)
from kbapi.settings import Join, Settings
from kbapi.storage.keys import Voucher
from kbapi.storage.sqlite.rate_counts import rate_file_uri
from kbapi.time_budget import DOCUMENT_TIME, QUESTION_TIME, begin_time

log = logging.getLogger(__name__)

_WINDOW_S: Final = 60
_SERVER_TIMEOUT_S: Final = 0.25
"""How long a request waits for a Redis server before its process counts in its own memory."""


_MOST_SENDERS: Final = 10_000
"""As many senders are remembered with less than a part of their CPU time."""
_PART: Final = 0.01
"""The part of a limit that a sender computes between two additions to the common store."""


def limit_requests(app: Flask, instance: Instance) -> None:
    """Count the app's requests by the key of `g.holder`, else by network, unless `g.need` is none.

    A hook before this one sets both, and the CPU time of the thread; hooks after this one run only
    within the limits. If the common store fails, each process counts in its own memory, and tries
    the store again after 1, 2, 4 ... 32 s.

    Raises
    ------
    UnsafeSetup
        When a Redis server is set and its client is not installed.
    """
    settings, hashes = instance.settings, DailyHashes(instance.secret, instance.now)

    @app.before_request
    def name_sender() -> None:
        if g.need is Need.WATCHING:
            g.sender = None
        elif g.holder is None:
            g.sender = hashes.of_network(request.remote_addr or "")
        else:
            g.sender = hashes.of_key(g.holder.id)

    limiter = _limiter_of(instance)
    # Its log lines contain hashes of senders, and the values of failed calls.
    limiter.logger.propagate = False
    limiter.request_filter(lambda: g.need is Need.WATCHING or _is_preflight())
    limiter.init_app(app)
    cpu_times = _CpuTimes(limiter, settings, instance.now)
    app.before_request(cpu_times.refuse)
    app.after_request(_LimitReport(limiter, cpu_times, instance.now).add_to)
    app.extensions["kbapi_count_unreadable"] = _counting_unreadable(limiter, hashes, instance)


def _limiter_of(instance: Instance) -> Limiter:
    settings = instance.settings
    uri, options = _storage_of(settings, instance.now)
    return Limiter(
        lambda: g.sender,
        application_limits=[
            ApplicationLimit(
                f"{settings.rate_per_network} per minute",
                exempt_when=lambda: g.holder is not None,
            ),
            ApplicationLimit(
                f"{settings.rate_per_key} per minute",
                exempt_when=lambda: g.holder is None,
            ),
        ],
        strategy="fixed-window",
        storage_uri=uri,
        storage_options={**options, "wrap_exceptions": True},
        headers_enabled=False,
        in_memory_fallback_enabled=True,
        # If several requests meet a fault at once, only one of them falls back.
        swallow_errors=True,
        # The library counts only named endpoints, and an unknown path has none.
        request_identifier=lambda: "any",
    )


def _is_preflight() -> bool:
    """Whether a browser asks, before its own request, if the page may send it."""
    return request.method == "OPTIONS" and "Access-Control-Request-Method" in request.headers


def _counting_unreadable(
    limiter: Limiter, hashes: DailyHashes, instance: Instance
) -> Callable[[str], int]:
    """A function that counts a malformed request for the network of an address.

    It returns the seconds to wait if the network is beyond its limit, else 0.
    """
    limit = RateLimitItemPerMinute(instance.settings.rate_per_network)

    def count_unreadable(address: str) -> int:
        # The library counts application limits under this name.
        counted = hashes.of_network(address), "global"
        try:
            if limiter.limiter.hit(limit, *counted):
                return 0
            ends = limiter.limiter.get_window_stats(limit, *counted).reset_time
        except StorageError:
            return 0
        count_rate_exceeded("network")
        return _seconds_until(ends, instance.now)

    return count_unreadable


def _seconds_until(ends: float, now: Clock) -> int:
    """Whole seconds, never none and never more than a minute: a clock may be set back."""
    return min(max(ceil(ends - now().timestamp()), 1), _WINDOW_S)


def _counted_by() -> CountedBy:
    return "network" if g.holder is None else "key"


class _CpuTimes:
    """The CPU time of each sender in this minute, limited like the number of requests.

    Most requests are only added up in this process: an addition to the common store costs more
    than all other limits together. So a sender can get a hundredth more for each process.
    """

    def __init__(self, limiter: Limiter, settings: Settings, now: Clock) -> None:
        self._limiter = limiter
        self._now = now
        self._limits: Final[Mapping[CountedBy, RateLimitItemPerMinute]] = {
            "network": RateLimitItemPerMinute(settings.cpu_ms_per_network),
            "key": RateLimitItemPerMinute(settings.cpu_ms_per_key),
        }
        self._lock = threading.Lock()
        self._pending_ms: dict[str, float] = {}
        self._exceeded: dict[str, float] = {}
        """The end of the minute, for senders without CPU time."""

    def refuse(self) -> None:
        """Nothing, if the sender of this request has CPU time left.

        Raises
        ------
        CpuTimeExceeded
            When it has none.
        """
        ends = self._exceeded.get(g.sender)
        if ends is None:
            return
        if 0 < ends - self._now().timestamp() <= _WINDOW_S:
            g.cpu_exceeded_until = ends
            count_cpu_exceeded(_counted_by())
            raise CpuTimeExceeded
        self._exceeded.pop(g.sender, None)

    def add(self) -> None:
        """Count the CPU time of this request."""
        if g.sender is None:
            return
        by = _counted_by()
        limit = self._limits[by]
        with self._lock:
            spent_ms = 1e3 * (time.thread_time() - g.cpu_begun)
            spent_ms += self._pending_ms.pop(g.sender, 0.0)
            if spent_ms < limit.amount * _PART:
                if len(self._pending_ms) >= _MOST_SENDERS:
                    self._pending_ms.clear()
                self._pending_ms[g.sender] = spent_ms
                return
        counted = g.sender, "cpu"
        with suppress(StorageError):
            if not self._limiter.limiter.hit(limit, *counted, cost=max(round(spent_ms), 1)):
                window = self._limiter.limiter.get_window_stats(limit, *counted)
                # The clock of a common store may be another one.
                now = self._now().timestamp()
                running = {one: ends for one, ends in self._exceeded.items() if ends > now}
                running[g.sender] = now + _seconds_until(window.reset_time, self._now)
                self._exceeded = running

    def fields(self) -> tuple[str, str, int]:
        """The limit that this request exceeded and what is left of it, for the header fields."""
        limit = self._limits[_counted_by()]
        seconds = _seconds_until(g.cpu_exceeded_until, self._now)
        return f'"cpu-ms";q={limit.amount};w={_WINDOW_S}', f'"cpu-ms";r=0;t={seconds}', seconds


def _storage_of(settings: Settings, now: Clock) -> tuple[str, Mapping[str, Any]]:
    if not settings.rate_storage:
        return rate_file_uri(settings.rates_path), {"now": now}
    require_rate_library()
    return settings.rate_storage, {
        "key_prefix": "kbapi",
        "socket_timeout": _SERVER_TIMEOUT_S,
        "socket_connect_timeout": _SERVER_TIMEOUT_S,
    }


class _LimitReport:
    """Header fields about the limit, and log and counter of a process that counts alone."""

    def __init__(self, limiter: Limiter, cpu_times: _CpuTimes, now: Clock) -> None:
        self._limiter = limiter
        self._cpu_times = cpu_times
        self._now = now
        self._was_alone = False

    def add_to(self, response: Response) -> Response:
        """The response, with its limit fields."""
        self._watch()
        current = self._limiter.current_limit
        if "cpu_exceeded_until" in g:
            _add_fields(response, *self._cpu_times.fields())
        elif current is not None:
            # If the store fails between counting and reading back, the fields are missing.
            with suppress(StorageError):
                self._add_rate(response, current)
            if current.breached:
                count_rate_exceeded(_counted_by())
        self._cpu_times.add()
        return response

    def _watch(self) -> None:
        is_alone = self._limiter.limiter.storage is not self._limiter.storage
        if is_alone:
            count_rate_local()
        if is_alone and not self._was_alone:
            count_rate_fault()
            log.error("rates_unavailable")
        self._was_alone = is_alone

    def _add_rate(self, response: Response, current: RequestLimit) -> None:
        ends, remaining = current.window
        # Redis gives whole seconds, and a window may end between counting and reading back.
        seconds = _seconds_until(ends, self._now)
        policy = f'"burst";q={current.limit.amount};w={_WINDOW_S}'
        left = f'"burst";r={remaining};t={seconds}'
        _add_fields(response, policy, left, seconds if current.breached else 0)


def _add_fields(response: Response, policy: str, left: str, retry_after_s: int) -> None:
    # Added, not set: no other code sets them, and a search for them costs time.
    response.headers.add("RateLimit-Policy", policy)
    response.headers.add("RateLimit", left)
    if retry_after_s:
        response.headers.add("Retry-After", str(retry_after_s))


_View = TypeVar("_View", bound=Callable[..., Any])

# The documentation of the endpoint itself wins: this decorator is nearest to the function.
_RATE: Final = {
    "_429": "Too many requests, or too much CPU time: wait the number of seconds in Retry-After.",
    "_503": "Too many requests wait: try again after the number of seconds in Retry-After.",
}
_KEY: Final = {
    "_503": "The database cannot be read now, or too many requests wait.",
    "_401": "This instance needs an access key here, and the request has none.",
    "_403": "The access key is not valid or lacks the scope.",
}
_SECURITY: Final[Mapping[Need, list[dict[str, list[str]]]]] = {
    Need.WATCHING: [],
    Need.EXPLAINING: [],
    Need.READING: [{}, {"key": []}],
    Need.SENDING: [{}, {"key": []}],
    Need.OWN_RESULT: [{"receipt": []}],
    Need.OWN_RESULTS: [{"contributor": []}],
    Need.CURATING: [{"key": []}],
}


def needs(blueprint: Blueprint, need: Need) -> Callable[[_View], _View]:
    """A decorator that declares what an endpoint needs, also in the OpenAPI document."""
    problems = {} if need is Need.WATCHING else _RATE
    if need in READS_KEYS:
        problems = problems | _KEY

    def mark(view: _View) -> _View:
        document = blueprint.doc(
            operationId=view.__name__,
            security=_SECURITY[need],
            responses=problem_answers(**problems),
        )
        # The documentation without its wrapper, which would cost a call for each request.
        view._apidoc = document(view)._apidoc  # type: ignore[attr-defined]
        return _marked(view, need)

    return mark


def needs_nothing(view: _View) -> _View:
    """A decorator for a page that explains: open to all, and counted."""
    return _marked(view, Need.EXPLAINING)


def page_needs(need: Need) -> Callable[[_View], _View]:
    """A decorator that declares what a page needs; a session opens it as well as a key."""

    def mark(view: _View) -> _View:
        view.kbapi_is_page = True  # type: ignore[attr-defined]
        return _marked(view, need)

    return mark


def _marked(view: _View, need: Need) -> _View:
    view.kbapi_need = need  # type: ignore[attr-defined]
    return view


def need_of(app: Flask, endpoint: str | None) -> Need:
    """What an endpoint needs; a request without an endpoint gets an explanation.

    Raises
    ------
    LookupError
        When the endpoint does not declare what it needs.
    """
    if endpoint is None or endpoint == "pages.static":
        return Need.EXPLAINING
    need: Need | None = getattr(app.view_functions[endpoint], "kbapi_need", None)
    if need is None:
        raise LookupError(f"{endpoint} does not say what it needs: mark it with needs(...)")
    return need


_TIMES: Final = {
    Need.READING: QUESTION_TIME,
    Need.SENDING: DOCUMENT_TIME,
    Need.OWN_RESULT: DOCUMENT_TIME,
}
"""The time budget of a request by what its endpoint needs; a batch sets its own."""


def admit_requests(app: Flask, *, is_guarded: bool) -> None:
    """Guard every present endpoint of the app, with limits and keys if `is_guarded`.

    Otherwise the sender holds the folder of the instance and needs no key.
    """
    instance: Instance = app.extensions["kbapi"]
    needed = {rule.endpoint: need_of(app, rule.endpoint) for rule in app.url_map.iter_rules()}
    pages = {name for name, view in app.view_functions.items() if hasattr(view, "kbapi_is_page")}
    join: Join = instance.settings.join if is_guarded else "open"

    @app.before_request
    def find_key() -> None:
        g.cpu_begun = time.thread_time()
        g.need = needed.get(request.endpoint or "", Need.EXPLAINING)
        g.holder, g.wrong_key = _holder_of(bearer_key() if g.need in READS_KEYS else None)
        # A session is for pages alone: no other endpoint looks at cookies.
        if g.holder is None and request.endpoint in pages:
            g.holder = _member()

    if is_guarded:
        limit_requests(app, instance)

    @app.before_request
    def admit() -> None:
        # Raised only now, so that each guess of a key is counted.
        if g.wrong_key is not None:
            raise g.wrong_key
        # The preflight request of a browser has no key.
        if is_guarded and request.method != "OPTIONS":
            require(g.need, join, g.holder)
        begin_time(_TIMES.get(g.need))

    # A thread answers one request after another, and its time budget would stay.
    app.teardown_request(lambda _: begin_time(None))
    app.extensions["kbapi_join"] = join


def _holder_of(sent: str | None) -> tuple[KeyHolder | None, AccessKeyWrong | None]:
    if sent is None:
        return None, None
    try:
        return find_holder(current_app.extensions["kbapi"], sent), None
    except AccessKeyWrong as wrong:
        return None, wrong


def _member() -> KeyHolder | None:
    sent = request.cookies.get(session_cookie(is_secure=request.is_secure))
    return find_session_holder(current_app.extensions["kbapi"], sent) if sent else None


def voucher() -> Voucher | None:
    """The sender's key, if it vouches for contributors."""
    holder: KeyHolder | None = g.holder
    return None if holder is None else holder.voucher


def key_holder() -> KeyHolder | None:
    """The holder of the key that came with this request, or of the session that opened this page.

    None without both, and for a command on the folder.
    """
    holder: KeyHolder | None = g.holder
    return holder


def may_forward() -> bool:
    """Whether the sender may send results of several contributors at once."""
    join: Join = current_app.extensions["kbapi_join"]
    return is_open(Need.FORWARDING, join, g.holder)


def add_cpu_time(seconds: float) -> None:
    """Count the CPU time of another process as that of this request."""
    g.cpu_begun -= seconds
