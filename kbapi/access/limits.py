"""What an endpoint needs, how many requests a key or a network may send, and how large at once.

No address and no key is stored or sent: the counted name is a hash of the network or of the key's
number, under a secret of the day.
"""

import ipaddress
import re
from enum import Enum, auto
from functools import lru_cache
from hashlib import blake2b
from importlib.util import find_spec
from pathlib import Path
from threading import Lock
from typing import Final

from kbapi.access.keys import ADMIN, CURATE, SUBMIT, SUBMIT_FOR_MEMBERS, KeyHolder
from kbapi.clock import Clock
from kbapi.errors import AccessKeyMissing, Overloaded, ScopeMissing, UnsafeSetup
from kbapi.instance.secret import Secret
from kbapi.settings import Join, Settings


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


_MIB: Final = 1 << 20
LARGE_BYTES: Final = 32_768
"""A larger body counts as large; nearly every single result is smaller."""
_BYTES_FOR_EACH: Final = 40
"""Memory for each byte of a document while it is read: an estimate from its worst texts."""
_MOST_OF_ITEM_BYTES: Final = 48 * _MIB
"""Memory for the item of a batch that is being read; the rest of its body is kept once."""

_PROGRAM_MIB: Final = 256
"""Memory of a server with two workers without large bodies."""
_USUAL_MIB: Final = 256
_LEAST_MIB: Final = 64


def memory_limit(
    cgroups: Path = Path("/sys/fs/cgroup"), own: Path = Path("/proc/self/cgroup")
) -> int | None:
    """The memory limit of the container or service in bytes, or None without one."""
    limits = []
    for file in _limit_files(cgroups, own):
        try:
            text = file.read_text().strip()
        except OSError:
            continue
        # "max" is no limit, and neither is the largest number of the older kind.
        if text.isdigit() and int(text) < 1 << 60:
            limits.append(int(text))
    return min(limits, default=None)


def _limit_files(cgroups: Path, own: Path) -> list[Path]:
    """The files of the process's groups, of the present and of the older kind."""
    files = []
    for line in own.read_text().splitlines() if own.exists() else ():
        _, controllers, group = line.split(":", 2)
        if controllers == "":
            root, name = cgroups, "memory.max"
        elif "memory" in controllers.split(","):
            root, name = cgroups / "memory", "memory.limit_in_bytes"
        else:
            continue
        # The parents limit as well. In a container the path may be that of the host.
        place = root / group.lstrip("/")
        above = [folder for folder in place.parents if folder.is_relative_to(root)]
        files += [folder / name for folder in (place, *above)]
    return files


def body_memory_mib(settings: Settings, workers: int, limit_bytes: int | None) -> int:
    """The memory for large bodies in each worker: the setting, else a share of the limit.

    >>> body_memory_mib(Settings(), 2, None), body_memory_mib(Settings(), 2, 1 << 30)
    (128, 192)
    """
    if settings.body_memory_mib:
        return settings.body_memory_mib
    if limit_bytes is None:
        return _USUAL_MIB // workers
    return max(_LEAST_MIB, (limit_bytes // _MIB - _PROGRAM_MIB) // 2) // workers


class BodyMemory:
    """The memory that the large bodies of one process take at present."""

    def __init__(self, most_bytes: int) -> None:
        self._most_bytes = most_bytes
        self._lock = Lock()
        self._in_use = 0

    def take(self, size: int) -> int:
        """The memory that is now taken for a body of this size, in bytes.

        One body is read in any case, however little memory there is.

        Raises
        ------
        Overloaded
            When it does not fit beside the bodies that are read at present.
        """
        needed = min(_BYTES_FOR_EACH * size, size + _MOST_OF_ITEM_BYTES)
        with self._lock:
            if self._in_use and self._in_use + needed > self._most_bytes:
                raise Overloaded(
                    "The server is reading as many large bodies as its memory allows. Nothing was "
                    "stored. Wait the number of seconds in Retry-After, then try again."
                )
            self._in_use += needed
        return needed

    def give_back(self, taken: int) -> None:
        """Release the memory of a body."""
        with self._lock:
            self._in_use -= taken
