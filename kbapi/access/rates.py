"""How often somebody may ask: counted by key or by network, under a hash that lives for a day.

No address and no key is stored or sent anywhere: what is counted is a hash of the network or of the
key's number, under a key of the day, and the minute.
"""

import ipaddress
import logging
from dataclasses import dataclass
from hashlib import blake2b
from typing import Final

from kbapi.clock import Clock
from kbapi.metrics.counters import (
    CountedBy,
    count_rate_exceeded,
    count_rate_fault,
    count_rate_uncounted,
)
from kbapi.settings import Settings
from kbapi.storage.rate_counts import Counts, CountsUnavailable
from kbapi.storage.rate_file import RateFile
from kbapi.storage.rate_server import RateServer
from kbapi.storage.secret import Secret

log = logging.getLogger(__name__)

WINDOW_S: Final = 60
_DAY_S: Final = 86_400
_REST_S: Final = 10
"""After a fault nothing is counted for so long: waiting for it would cost every request."""
_IPV4_BITS: Final = 24
_IPV6_BITS: Final = 56
"""What one household or one rented machine usually has; a longer prefix gives it 2^8 limits."""


@dataclass(frozen=True, slots=True)
class Standing:
    """Where somebody stands within their minute."""

    limit: int
    remaining: int
    seconds: int
    """Until all of the limit is there again."""
    is_exceeded: bool


class Rates:
    """Counts requests against the limits of an instance."""

    def __init__(self, counts: Counts, secret: Secret, settings: Settings, now: Clock) -> None:
        self._counts = counts
        self._secret = secret
        self._per_key = settings.rate_per_key
        self._per_network = settings.rate_per_network
        self._now = now
        self._rests_until = 0.0
        self._daily = (-1, b"")

    def count_key(self, number: int) -> Standing | None:
        """One request more with this key; None where nothing can be counted now."""
        return self._count(f"key {number}", self._per_key, "key")

    def count_network(self, address: str) -> Standing | None:
        """One request more from this address's network; None where nothing can be counted now."""
        return self._count(network_of(address), self._per_network, "network")

    def _count(self, who: str, limit: int, by: CountedBy) -> Standing | None:
        now = self._now().timestamp()
        if now < self._rests_until:
            count_rate_uncounted()
            return None
        shown = blake2b(who.encode(), key=self._key_of(int(now) // _DAY_S), digest_size=16).digest()
        # Everybody's minute begins at another second, so that they do not all come back at once.
        minute, second = divmod(int(now) + shown[0] % WINDOW_S, WINDOW_S)
        try:
            hits = self._counts.incr(f"{shown.hex()}:{minute}", WINDOW_S)
        except CountsUnavailable as fault:
            self._rest(now, fault)
            count_rate_uncounted()
            return None
        if hits > limit:
            count_rate_exceeded(by)
        return Standing(limit, max(0, limit - hits), WINDOW_S - second, hits > limit)

    def _key_of(self, day: int) -> bytes:
        known, key = self._daily
        if known != day:
            key = self._secret.keyed_hash("rate", str(day).encode())
            self._daily = day, key
        return key

    def _rest(self, now: float, fault: CountsUnavailable) -> None:
        # Nobody is turned away for a fault of ours; whoever watches is told.
        self._rests_until = now + _REST_S
        count_rate_fault()
        log.error("rates_unavailable", extra={"error": type(fault.__cause__ or fault).__name__})


def network_of(address: str) -> str:
    """The leading bits of an address, in hex; whatever is no address shares one network.

    >>> network_of("192.0.2.77"), network_of("::ffff:192.0.2.3"), network_of("2001:db8:0:12::7")
    ('4:c00002', '4:c00002', '6:20010db8000000')
    >>> network_of("")
    'unknown'
    """
    try:
        read = ipaddress.ip_address(address)
    except ValueError:
        return "unknown"
    if isinstance(read, ipaddress.IPv6Address):
        if read.ipv4_mapped is None:
            return f"6:{int(read) >> (128 - _IPV6_BITS):x}"
        read = read.ipv4_mapped
    return f"4:{int(read) >> (32 - _IPV4_BITS):x}"


def open_rates(settings: Settings, secret: Secret, now: Clock) -> Rates:
    """What counts the requests of an instance, in its file or on the server that is set.

    Raises
    ------
    UnsafeSetup
        When a Redis server is set and what speaks to one is not installed.
    """
    counts: Counts = (
        RateServer(settings.rate_storage)
        if settings.rate_storage
        else RateFile(settings.rates_path, now)
    )
    return Rates(counts, secret, settings, now)
