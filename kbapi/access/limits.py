"""What an endpoint needs, and how many requests a key or a network may send.

No address and no key is stored or sent: the counted name is a hash of the network or of the key's
number, under a secret of the day.
"""

import ipaddress
import re
from enum import Enum, auto
from functools import lru_cache
from hashlib import blake2b
from importlib.util import find_spec
from typing import Final

from kbapi.access.keys import ADMIN, CURATE, SUBMIT, SUBMIT_FOR_MEMBERS, KeyHolder
from kbapi.clock import Clock
from kbapi.errors import AccessKeyMissing, ScopeMissing, UnsafeSetup
from kbapi.instance.secret import Secret
from kbapi.settings import Join


class Need(Enum):
    """What an endpoint needs from a request; every endpoint declares one."""

    WATCHING = auto()
    """Nothing, and requests are not counted: monitoring must always work."""
    EXPLAINING = auto()
    """Nothing: pages that explain the service."""
    READING = auto()
    """Any live key if the instance is closed."""
    SENDING = auto()
    """A key for sending unless the instance is open."""
    FORWARDING = auto()
    """Sending results of several contributors at once: a key for that unless it is open."""
    OWN_RESULT = auto()
    """The receipt of the result; no key."""
    OWN_RESULTS = auto()
    """The token that the results were sent with; no key."""
    CURATING = auto()
    """A key for curating, also in an open instance."""


_OPENED_BY: Final = {
    Need.READING: frozenset({SUBMIT, SUBMIT_FOR_MEMBERS, CURATE, ADMIN}),
    Need.SENDING: frozenset({SUBMIT, SUBMIT_FOR_MEMBERS, ADMIN}),
    Need.FORWARDING: frozenset({SUBMIT_FOR_MEMBERS, ADMIN}),
    Need.CURATING: frozenset({CURATE, ADMIN}),
}
_NEEDS_KEY: Final[dict[Join, frozenset[Need]]] = {
    "open": frozenset({Need.CURATING}),
    "invite": frozenset({Need.CURATING, Need.SENDING, Need.FORWARDING}),
    "closed": frozenset(_OPENED_BY),
}

READS_KEYS: Final = frozenset(_OPENED_BY)
"""The needs of endpoints that check a key if one is sent, required or not."""


def require(need: Need, join: Join, holder: KeyHolder | None) -> None:
    """Nothing, if the endpoint is open to this key holder, or to all.

    Raises
    ------
    AccessKeyMissing
        When a key is required and none was sent.
    ScopeMissing
        When the key has other scopes.
    """
    if is_open(need, join, holder):
        return
    raise AccessKeyMissing if holder is None else ScopeMissing


def is_open(need: Need, join: Join, holder: KeyHolder | None) -> bool:
    """Whether the endpoint is open to this key holder, or without a key if None."""
    if need not in _NEEDS_KEY[join]:
        return True
    return holder is not None and not _OPENED_BY[need].isdisjoint(holder.scopes)


_DAY_S: Final = 86_400
_IPV4_BITS: Final = 24
_IPV6_BITS: Final = 56
"""The usual network of one household or one rented machine; a longer prefix would give it many."""
# The digits of a port, without more than a port has.
_WITH_PORT: Final = re.compile(
    r"(?P<v4>[0-9.]{7,15}):[0-9]{1,5}|\[(?P<v6>[0-9A-Fa-f:.]{2,45})\](?::[0-9]{1,5})?"
)


class DailyHashes:
    """Unreadable names of key holders and networks, different on each day."""

    def __init__(self, secret: Secret, now: Clock) -> None:
        self._secret = secret
        self._now = now
        self._daily: tuple[int, bytes] | None = None

    def of_key(self, number: int) -> str:
        """Today's name of the holder of the key with this number."""
        return self._hash(f"key {number}")

    def of_network(self, address: str) -> str:
        """Today's name of the network of an address."""
        return self._hash(network_of(address))

    def _hash(self, name: str) -> str:
        today = self._key_of(int(self._now().timestamp()) // _DAY_S)
        return blake2b(name.encode(), key=today, digest_size=16).hexdigest()

    def _key_of(self, day: int) -> bytes:
        daily = self._daily
        if daily is None or daily[0] != day:
            daily = self._daily = day, self._secret.keyed_hash("rate", str(day).encode())
        return daily[1]


@lru_cache(maxsize=1_024)
def network_of(address: str) -> str:
    """The leading bits of an address, in hex; all texts that are not addresses share one network.

    Some proxies add the port of the client to its address.

    >>> network_of("192.0.2.77"), network_of("::ffff:192.0.2.3"), network_of("2001:db8:0:12::7")
    ('4:c00002', '4:c00002', '6:20010db8000000')
    >>> network_of("192.0.2.77:50123"), network_of("[2001:db8:0:12::7]:443")
    ('4:c00002', '6:20010db8000000')
    >>> network_of("")
    'unknown'
    """
    with_port = _WITH_PORT.fullmatch(address)
    try:
        read = ipaddress.ip_address(with_port["v4"] or with_port["v6"] if with_port else address)
    except ValueError:
        return "unknown"
    if isinstance(read, ipaddress.IPv6Address):
        if read.ipv4_mapped is None:
            return f"6:{int(read) >> (128 - _IPV6_BITS):x}"
        read = read.ipv4_mapped
    return f"4:{int(read) >> (32 - _IPV4_BITS):x}"


def require_rate_library() -> None:
    """Nothing, if the client for a Redis server is installed.

    Raises
    ------
    UnsafeSetup
        With the package to install.
    """
    if find_spec("redis") is None:
        raise UnsafeSetup(
            "KBAPI_RATE_STORAGE names a Redis server, but the Redis client is not installed. "
            "Install kbapi[redis], or leave the setting out."
        )
