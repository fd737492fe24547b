"""Every request counted by Flask-Limiter, and what every answer tells about that."""

import logging
from collections.abc import Mapping
from contextlib import suppress
from math import ceil
from typing import Any, Final

from flask import Flask, Response, g, request
from flask_limiter import ApplicationLimit, Limiter, RequestLimit
from limits.errors import StorageError

from kbapi.access.gate import Need
from kbapi.access.rates import DailyHashes, require_rate_library
from kbapi.clock import Clock
from kbapi.metrics.counters import count_rate_exceeded, count_rate_fault, count_rate_local
from kbapi.settings import Settings
from kbapi.storage.instance import Instance
from kbapi.storage.rate_file import rate_file_uri

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
