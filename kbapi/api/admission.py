"""Access keys and rate limits before a view, and the header fields that report them after it."""

import logging
from collections.abc import Callable, Mapping
from contextlib import suppress
from math import ceil
from typing import Any, Final, TypeVar

from flask import Flask, Response, current_app, g, request
from flask_limiter import ApplicationLimit, Limiter, RequestLimit
from flask_smorest import Blueprint
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
from kbapi.api.http_messages import bearer_key
from kbapi.api.openapi import problem_answers
from kbapi.clock import Clock
from kbapi.errors import AccessKeyMissing, AccessKeyWrong
from kbapi.instance.instance import Instance
from kbapi.metrics.counters import count_rate_exceeded, count_rate_fault, count_rate_local
from kbapi.settings import Join, Settings
from kbapi.storage.sqlite.rate_counts import rate_file_uri

log = logging.getLogger(__name__)

_WINDOW_S: Final = 60
_SERVER_TIMEOUT_S: Final = 0.25
"""How long a request waits for a Redis server before its process counts in its own memory."""


def limit_requests(app: Flask, instance: Instance) -> None:
    """Count the app's requests by the key of `g.holder`, else by network, unless `g.need` is none.

    A hook before this one sets both; hooks after this one run only within the limits. If the
    common store fails, each process counts in its own memory, and tries the store again after 1,
    2, 4 ... 32 s.

    Raises
    ------
    UnsafeSetup
        When a Redis server is set and its client is not installed.
    """
    limiter = _limiter_of(instance)
    # Its log lines contain hashes of senders, and the values of failed calls.
    limiter.logger.propagate = False
    limiter.request_filter(lambda: g.need is Need.WATCHING)
    limiter.init_app(app)
    app.after_request(_LimitReport(limiter, instance.now).add_to)


def _limiter_of(instance: Instance) -> Limiter:
    settings, hashes = instance.settings, DailyHashes(instance.secret, instance.now)
    uri, options = _storage_of(settings, instance.now)
    return Limiter(
        lambda: hashes.of_network(request.remote_addr or ""),
        application_limits=[
            ApplicationLimit(
                f"{settings.rate_per_network} per minute",
                exempt_when=lambda: g.holder is not None,
            ),
            ApplicationLimit(
                f"{settings.rate_per_key} per minute",
                key_function=lambda: hashes.of_key(g.holder.id),
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

    def __init__(self, limiter: Limiter, now: Clock) -> None:
        self._limiter = limiter
        self._now = now
        self._was_alone = False

    def add_to(self, response: Response) -> Response:
        """The response, with its limit fields."""
        self._watch()
        current = self._limiter.current_limit
        if current is not None:
            # If the store fails between counting and reading back, the fields are missing.
            with suppress(StorageError):
                self._add_fields(response, current)
            if current.breached:
                count_rate_exceeded("network" if g.holder is None else "key")
        return response

    def _watch(self) -> None:
        is_alone = self._limiter.limiter.storage is not self._limiter.storage
        if is_alone:
            count_rate_local()
        if is_alone and not self._was_alone:
            count_rate_fault()
            log.error("rates_unavailable")
        self._was_alone = is_alone

    def _add_fields(self, response: Response, current: RequestLimit) -> None:
        ends, remaining = current.window
        # Redis gives whole seconds, and a window may end between counting and reading back.
        seconds = min(max(ceil(ends - self._now().timestamp()), 1), _WINDOW_S)
        # Added, not set: no other code sets them, and a search for them costs time.
        add = response.headers.add
        add("RateLimit-Policy", f'"burst";q={current.limit.amount};w={_WINDOW_S}')
        add("RateLimit", f'"burst";r={remaining};t={seconds}')
        if current.breached:
            add("Retry-After", str(seconds))


_View = TypeVar("_View", bound=Callable[..., Any])

# The documentation of the endpoint itself wins: this decorator is nearest to the function.
_RATE: Final = {"_429": "Too many requests: wait the number of seconds in Retry-After."}
_KEY: Final = {
    "_503": "The database cannot be read now.",
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


def admit_requests(app: Flask, *, is_guarded: bool) -> None:
    """Guard every present endpoint of the app, with limits and keys if `is_guarded`.

    Otherwise the sender holds the folder of the instance, and only curating needs a key.
    """
    instance: Instance = app.extensions["kbapi"]
    needed = {rule.endpoint: need_of(app, rule.endpoint) for rule in app.url_map.iter_rules()}
    join: Join = instance.settings.join if is_guarded else "open"

    @app.before_request
    def find_key() -> None:
        g.need = needed.get(request.endpoint or "", Need.EXPLAINING)
        g.holder, g.wrong_key = _holder_of(bearer_key() if g.need in READS_KEYS else None)

    if is_guarded:
        limit_requests(app, instance)

    @app.before_request
    def admit() -> None:
        # Raised only now, so that each guess of a key is counted.
        if g.wrong_key is not None:
            raise g.wrong_key
        # The preflight request of a browser has no key.
        if request.method != "OPTIONS":
            require(g.need, join, g.holder)

    app.extensions["kbapi_join"] = join


def _holder_of(sent: str | None) -> tuple[KeyHolder | None, AccessKeyWrong | None]:
    if sent is None:
        return None, None
    try:
        return find_holder(current_app.extensions["kbapi"], sent), None
    except AccessKeyWrong as wrong:
        return None, wrong


def curator() -> KeyHolder:
    """The holder of the key that this endpoint needed."""
    holder: KeyHolder | None = g.holder
    if holder is None:
        raise AccessKeyMissing
    return holder


def may_forward() -> bool:
    """Whether the sender may send results of several contributors at once."""
    join: Join = current_app.extensions["kbapi_join"]
    return is_open(Need.FORWARDING, join, g.holder)
