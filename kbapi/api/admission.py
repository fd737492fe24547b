"""Before a view runs: its access key and its rate limit; afterwards the fields that report both."""

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
from kbapi.api.http_messages import shown_key
from kbapi.api.openapi import problem_answers
from kbapi.clock import Clock
from kbapi.errors import AccessKeyMissing, AccessKeyWrong
from kbapi.instance.instance import Instance
from kbapi.metrics.counters import count_rate_exceeded, count_rate_fault, count_rate_local
from kbapi.settings import Join, Settings
from kbapi.storage.sqlite.rate_counts import rate_file_uri

log = logging.getLogger(__name__)

_WINDOW_S: Final = 60
_SERVER_PATIENCE_S: Final = 0.25
"""How long a request may wait for a Redis server before its process counts for itself."""


def limit_requests(app: Flask, instance: Instance) -> None:
    """Count the app's requests by `g.holder`'s key, else by network, all but those `g.need` spares.

    What was asked for before this sets both; what is asked for afterwards is reached only within
    the limits. Where nothing can be counted for all processes each counts in its own memory, and
    tries again after 1, 2, 4 ... 32 s.

    Raises
    ------
    UnsafeSetup
        When a Redis server is set and what speaks to one is not installed.
    """
    limiter = _limiter_of(instance)
    # What it logs names whom it counts by hash, and the cause of a fault with all it was handed.
    limiter.logger.propagate = False
    limiter.request_filter(lambda: g.need is Need.WATCHING)
    limiter.init_app(app)
    app.after_request(_Teller(limiter, instance.now).tell)


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
        # Of several requests that meet a fault at once the library lets one fall back.
        swallow_errors=True,
        # It counts only what has a name, and an address at which nothing lies has none.
        request_identifier=lambda: "any",
    )


def _storage_of(settings: Settings, now: Clock) -> tuple[str, Mapping[str, Any]]:
    if not settings.rate_storage:
        return rate_file_uri(settings.rates_path), {"now": now}
    require_rate_library()
    return settings.rate_storage, {
        "key_prefix": "kbapi",
        "socket_timeout": _SERVER_PATIENCE_S,
        "socket_connect_timeout": _SERVER_PATIENCE_S,
    }


class _Teller:
    """Tells whoever asked where they stand, and whoever watches when a process counts alone."""

    def __init__(self, limiter: Limiter, now: Clock) -> None:
        self._limiter = limiter
        self._now = now
        self._was_alone = False

    def tell(self, response: Response) -> Response:
        """The response, with its fields."""
        self._watch()
        standing = self._limiter.current_limit
        if standing is not None:
            # A store that fails between counting and reading back leaves the answer without.
            with suppress(StorageError):
                self._add_fields(response, standing)
            if standing.breached:
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

    def _add_fields(self, response: Response, standing: RequestLimit) -> None:
        ends, remaining = standing.window
        # Redis tells whole seconds, and a window may end between counting and reading back.
        seconds = min(max(ceil(ends - self._now().timestamp()), 1), _WINDOW_S)
        # Added, not set: nobody else tells them, and looking for them would cost.
        add = response.headers.add
        add("RateLimit-Policy", f'"burst";q={standing.limit.amount};w={_WINDOW_S}')
        add("RateLimit", f'"burst";r={remaining};t={seconds}')
        if standing.breached:
            add("Retry-After", str(seconds))


_View = TypeVar("_View", bound=Callable[..., Any])

# What an endpoint documents itself goes before: these marks stand nearest to the function.
_RATE: Final = {"_429": "Too many requests: wait the number of seconds in Retry-After."}
_KEY: Final = {
    "_503": "The database cannot be read now.",
    "_401": "This instance needs an access key here, and the request has none.",
    "_403": "The access key is not valid or lacks the scope.",
}
_SECURITY: Final[Mapping[Need, list[dict[str, list[str]]]]] = {
    Need.WATCHING: [],
    Need.READING: [{}, {"key": []}],
    Need.SENDING: [{}, {"key": []}],
    Need.OWN_RESULT: [{"receipt": []}],
    Need.OWN_RESULTS: [{"contributor": []}],
    Need.CURATING: [{"key": []}],
}


def needs(blueprint: Blueprint, need: Need) -> Callable[[_View], _View]:
    """A mark on an endpoint that says what it needs, here and in the OpenAPI document."""
    problems = {} if need is Need.WATCHING else _RATE
    if need in READS_KEYS:
        problems = problems | _KEY

    def mark(view: _View) -> _View:
        document = blueprint.doc(
            operationId=view.__name__,
            security=_SECURITY[need],
            responses=problem_answers(**problems),
        )
        # Its notes without its wrapper, which would cost every request a call.
        view._apidoc = document(view)._apidoc  # type: ignore[attr-defined]
        return _marked(view, need)

    return mark


def needs_nothing(view: _View) -> _View:
    """A mark on a page that explains: open to everybody, and counted."""
    return _marked(view, Need.EXPLAINING)


def _marked(view: _View, need: Need) -> _View:
    view.kbapi_need = need  # type: ignore[attr-defined]
    return view


def need_of(app: Flask, endpoint: str | None) -> Need:
    """What an endpoint needs; no endpoint at all explains that there is nothing.

    Raises
    ------
    LookupError
        When nobody said what the endpoint needs.
    """
    if endpoint is None or endpoint == "pages.static":
        return Need.EXPLAINING
    need: Need | None = getattr(app.view_functions[endpoint], "kbapi_need", None)
    if need is None:
        raise LookupError(f"{endpoint} does not say what it needs: mark it with needs(...)")
    return need


def admit_requests(app: Flask, *, is_guarded: bool) -> None:
    """Guard every endpoint that the app has by now, with limits and keys if `is_guarded`.

    Without, whoever asks holds the folder of the instance: only what is done in a curator's name
    still needs a curator's key.
    """
    instance: Instance = app.extensions["kbapi"]
    needed = {rule.endpoint: need_of(app, rule.endpoint) for rule in app.url_map.iter_rules()}
    join: Join = instance.settings.join if is_guarded else "open"

    @app.before_request
    def look_at_key() -> None:
        g.need = needed.get(request.endpoint or "", Need.EXPLAINING)
        g.holder, g.wrong_key = _holder_of(shown_key() if g.need in READS_KEYS else None)

    if is_guarded:
        limit_requests(app, instance)

    @app.before_request
    def admit() -> None:
        # Told only now, so that guessing keys is counted like everything else.
        if g.wrong_key is not None:
            raise g.wrong_key
        # A browser asks whether it may ask without showing anything.
        if request.method != "OPTIONS":
            require(g.need, join, g.holder)

    app.extensions["kbapi_join"] = join


def _holder_of(shown: str | None) -> tuple[KeyHolder | None, AccessKeyWrong | None]:
    if shown is None:
        return None, None
    try:
        return find_holder(current_app.extensions["kbapi"], shown), None
    except AccessKeyWrong as wrong:
        return None, wrong


def curator() -> KeyHolder:
    """Whoever showed the key that this endpoint needed."""
    holder: KeyHolder | None = g.holder
    if holder is None:
        raise AccessKeyMissing
    return holder


def may_forward() -> bool:
    """Whether whoever asks may send results of several contributors at once."""
    join: Join = current_app.extensions["kbapi_join"]
    return is_open(Need.FORWARDING, join, g.holder)
