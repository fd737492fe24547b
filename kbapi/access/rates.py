"""How often somebody may ask: by key or by network, under a hash that lives for a day.

No address and no key is stored or sent anywhere: what is counted is a hash of the network or of the
key's number, under a key of the day.
"""

import ipaddress
from hashlib import blake2b
from importlib.util import find_spec
from typing import Final

from kbapi.clock import Clock
from kbapi.errors import UnsafeSetup
from kbapi.storage.secret import Secret

_DAY_S: Final = 86_400
_IPV4_BITS: Final = 24
_IPV6_BITS: Final = 56
"""What one household or one rented machine usually has; a longer prefix gives it 2^8 limits."""


class DailyHashes:
    """Names for whoever asks that nobody can read, others on each day."""

    def __init__(self, secret: Secret, now: Clock) -> None:
        self._secret = secret
        self._now = now
        self._daily: tuple[int, bytes] | None = None

    def of_key(self, number: int) -> str:
        """Today's name of whoever holds the key with this number."""
        return self._hash(f"key {number}")

    def of_network(self, address: str) -> str:
        """Today's name of the network that an address lies in."""
        return self._hash(network_of(address))

    def _hash(self, who: str) -> str:
        today = self._key_of(int(self._now().timestamp()) // _DAY_S)
        return blake2b(who.encode(), key=today, digest_size=16).hexdigest()

    def _key_of(self, day: int) -> bytes:
        daily = self._daily
        if daily is None or daily[0] != day:
            daily = self._daily = day, self._secret.keyed_hash("rate", str(day).encode())
        return daily[1]


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


def require_rate_library() -> None:
    """Nothing, when what speaks to a Redis server is installed.

    Raises
    ------
    UnsafeSetup
        Saying what to install.
    """
    if find_spec("redis") is None:
        raise UnsafeSetup(
            "KBAPI_RATE_STORAGE names a Redis server, but the Redis client is not installed. "
            "Install kbapi[redis], or leave the setting out."
        )
