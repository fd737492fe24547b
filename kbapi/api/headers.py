"""What the headers of a request say, each read in one place."""

import re
from typing import Final

from flask import request

from kbapi.access.keys import KEY_PREFIX
from kbapi.errors import (
    ContributorMissing,
    IdempotencyKeyUnreadable,
    MediaTypeWrong,
    Problem,
    QueryInvalid,
    ReceiptMissing,
)
from kbapi.intake.receipts import RECEIPT_PREFIX

_QUOTED: Final = r'"((?:[ !#-\[\]-~]|\\["\\]){1,255})"'
_BARE: Final = r"[!#-\[\]-~]{1,255}"
IDEMPOTENCY_KEY: Final = f"^(?:{_QUOTED}|{_BARE})$"
"""RFC 8941 string, quotes optional: visible ASCII, with \" and \\ escaped."""
_KEY: Final = re.compile(IDEMPOTENCY_KEY)
_TOKEN: Final = re.compile(r"[A-Za-z0-9._~-]{16,128}\Z")


def require_no_parameters() -> None:
    """Nothing, for a request without query parameters; this endpoint knows none.

    Raises
    ------
    QueryInvalid
        Naming each of them: a misspelt wish is never silently ignored.
    """
    if request.args:
        raise QueryInvalid(
            problems=[
                Problem(name[:80], "unknown_field", "This endpoint takes no query parameters.")
                for name in request.args
            ]
        )


def require_json() -> None:
    """Nothing, when the body says that it is JSON in UTF-8.

    Raises
    ------
    MediaTypeWrong
        For every other Content-Type, and for none.
    """
    if request.headers.get("Content-Encoding", "identity").lower() != "identity":
        raise MediaTypeWrong("Send the body without Content-Encoding.")
    charset = request.mimetype_params.get("charset", "utf-8").lower()
    if request.mimetype != "application/json" or charset not in ("utf-8", "utf8"):
        raise MediaTypeWrong


def is_ndjson() -> bool:
    """Whether the body says that it is one JSON document a line; else it must be JSON.

    Raises
    ------
    MediaTypeWrong
        For every other Content-Type, and for none.
    """
    if request.mimetype == "application/x-ndjson" and "Content-Encoding" not in request.headers:
        return True
    require_json()
    return False


def idempotency_key() -> str | None:
    """The Idempotency-Key without its quotes, None if none was sent.

    Raises
    ------
    IdempotencyKeyUnreadable
        When it was sent twice, is empty, too long or no structured string.
    """
    sent = request.headers.getlist("Idempotency-Key")
    if not sent:
        return None
    if len(sent) > 1:
        raise IdempotencyKeyUnreadable
    text = sent[0].strip()
    if not (read := _KEY.match(text)):
        raise IdempotencyKeyUnreadable
    return text if read.group(1) is None else re.sub(r'\\(["\\])', r"\1", read.group(1))


def bearer_receipt() -> str:
    """The receipt that came as Bearer token.

    Raises
    ------
    ReceiptMissing
        When there is none, or it is no receipt.
    """
    token = _bearer(RECEIPT_PREFIX)
    if token is None:
        raise ReceiptMissing
    return token


def shown_key() -> str | None:
    """The access key that came as Bearer token, None when none did."""
    return _bearer(KEY_PREFIX)


def _bearer(prefix: str) -> str | None:
    """The Bearer token, when its prefix says that it is of the wanted kind."""
    scheme, _, token = request.headers.get("Authorization", "").partition(" ")
    token = token.strip()
    is_wanted = scheme.lower() == "bearer" and token.startswith(prefix) and token.isascii()
    return token if is_wanted else None


def contributor_token() -> str:
    """The token that came as Kbapi-Contributor.

    Raises
    ------
    ContributorMissing
        When there is none, several, or it has not the shape of a token.
    """
    sent = request.headers.getlist("Kbapi-Contributor")
    if len(sent) != 1 or not _TOKEN.match(sent[0].strip()):
        raise ContributorMissing
    return sent[0].strip()
