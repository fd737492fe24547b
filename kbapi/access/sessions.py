"""Sessions of members in a browser, and tokens of forms: signed with the secret, stored nowhere."""

import base64
import hmac
import re
from enum import Enum, auto
from typing import Final

from kbapi.access.keys import KeyHolder, find_holder_by_number
from kbapi.instance.instance import Instance

SESSION_S: Final = 8 * 3_600
"""A session ends after as many seconds; it is not prolonged."""
FORM_S: Final = 7 * 86_400
"""A form may be open for as many seconds: a search takes hours, and a machine may crash in it."""
_SESSION: Final = "session"
_FORM: Final = "form"
_NO_KEY: Final = 0
"""Less than the number of any key."""
_SIGNED: Final = re.compile(r"([0-9]{1,18})\.([0-9]{1,12})\.([A-Za-z0-9_-]{43})", re.ASCII)


def session_cookie(*, is_secure: bool) -> str:
    """The name of the cookie; behind TLS the prefix binds it to this host and to TLS.

    >>> session_cookie(is_secure=True), session_cookie(is_secure=False)
    ('__Host-kbapi_session', 'kbapi_session')
    """
    return "__Host-kbapi_session" if is_secure else "kbapi_session"


def begin_session(instance: Instance, holder: KeyHolder) -> str:
    """The value of the cookie: the number of the key and an end, signed."""
    return _sign(instance, _SESSION, holder.id, _now_s(instance) + SESSION_S)


def find_session_holder(instance: Instance, sent: str) -> KeyHolder | None:
    """The member whose session this is; None once it ended or the key was revoked."""
    signed = _read(instance, _SESSION, sent)
    if signed is None or not 0 < signed[1] - _now_s(instance) <= SESSION_S:
        return None
    return find_holder_by_number(instance, signed[0])


class FormToken(Enum):
    """What the token of a form that was sent is."""

    VALID = auto()
    OLD = auto()
    """Of this server, but for another member, or of a page that was open for too long."""
    WRONG = auto()


def make_form_token(instance: Instance, holder: KeyHolder | None) -> str:
    """A token for the forms of this member, or of anyone without a session."""
    return _sign(instance, _FORM, holder.id if holder else _NO_KEY, _now_s(instance))


def check_form_token(instance: Instance, holder: KeyHolder | None, sent: str) -> FormToken:
    """Whether this server made the token for this member's forms, within the last seven days.

    A form of a session that ended since then is accepted: without a session there is nothing that
    another page could make use of.
    """
    signed = _read(instance, _FORM, sent)
    if signed is None:
        return FormToken.WRONG
    number, made_s = signed
    is_own = holder is None or number == holder.id
    is_fresh = 0 <= _now_s(instance) - made_s <= FORM_S
    return FormToken.VALID if is_own and is_fresh else FormToken.OLD


def _now_s(instance: Instance) -> int:
    return int(instance.now().timestamp())


def _sign(instance: Instance, purpose: str, number: int, second: int) -> str:
    content = f"{number}.{second}"
    signature = instance.secret.keyed_hash(purpose, content.encode())
    return f"{content}.{base64.urlsafe_b64encode(signature).decode().rstrip('=')}"


def _read(instance: Instance, purpose: str, sent: str) -> tuple[int, int] | None:
    """The two numbers of a signed text; None unless this server signed it for this purpose."""
    parts = _SIGNED.fullmatch(sent)
    if parts is None:
        return None
    number, second = int(parts[1]), int(parts[2])
    is_own = hmac.compare_digest(_sign(instance, purpose, number, second), sent)
    return (number, second) if is_own else None
