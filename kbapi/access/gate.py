"""Who may do what: what endpoints need, what scopes open, and how open the instance is."""

from enum import Enum, auto
from typing import Final

from kbapi.access.keys import ADMIN, CURATE, SUBMIT, SUBMIT_FOR_MEMBERS, KeyHolder
from kbapi.errors import AccessKeyMissing, ScopeMissing
from kbapi.settings import Join


class Need(Enum):
    """What an endpoint asks of whoever comes; every endpoint has one."""

    WATCHING = auto()
    """Nothing, and requests are not counted: whoever watches the service must always get in."""
    EXPLAINING = auto()
    """Nothing: pages that say what all this is."""
    READING = auto()
    """Any live key where the instance is closed."""
    SENDING = auto()
    """A key for sending unless the instance is open."""
    FORWARDING = auto()
    """Sending results of several contributors at once: a key for that unless it is open."""
    OWN_RESULT = auto()
    """The receipt of the result; no key."""
    OWN_RESULTS = auto()
    """The token that the results were sent with; no key."""
    CURATING = auto()
    """A key for looking after results, however open the instance is."""


_OPENED_BY: Final = {
    Need.READING: frozenset({SUBMIT, SUBMIT_FOR_MEMBERS, CURATE, ADMIN}),
    Need.SENDING: frozenset({SUBMIT, SUBMIT_FOR_MEMBERS, ADMIN}),
    Need.FORWARDING: frozenset({SUBMIT_FOR_MEMBERS, ADMIN}),
    Need.CURATING: frozenset({CURATE, ADMIN}),
}
_ASKED: Final[dict[Join, frozenset[Need]]] = {
    "open": frozenset({Need.CURATING}),
    "invite": frozenset({Need.CURATING, Need.SENDING, Need.FORWARDING}),
    "closed": frozenset(_OPENED_BY),
}

READS_KEYS: Final = frozenset(_OPENED_BY)
"""The needs of endpoints at which a key that is shown is looked at, asked for or not."""


def require(need: Need, join: Join, holder: KeyHolder | None) -> None:
    """Nothing, if whoever comes may have what they need.

    Raises
    ------
    AccessKeyMissing
        When a key is asked for and none was shown.
    ScopeMissing
        When the key that was shown is for other things.
    """
    if is_open(need, join, holder):
        return
    raise AccessKeyMissing if holder is None else ScopeMissing


def is_open(need: Need, join: Join, holder: KeyHolder | None) -> bool:
    """Whether whoever comes may have what they need, with the key that they show if any."""
    if need not in _ASKED[join]:
        return True
    return holder is not None and not _OPENED_BY[need].isdisjoint(holder.scopes)
