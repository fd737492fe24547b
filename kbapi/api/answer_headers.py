"""The header fields of answers, as the OpenAPI document describes them."""

from collections.abc import Iterable
from typing import Any, Final

HEADERS: Final[dict[str, dict[str, Any]]] = {
    "Kbapi-Request-Id": {
        "description": "The id of this request. The host can find its log line with it.",
        "required": True,
        "schema": {"type": "string", "pattern": "^[0-9a-f]{32}$"},
        "example": "8f14e45fceea467f9d7f5a3b2c1d0e9f",
    },
    "Cache-Control": {
        "description": "`no-cache` for an answer with an ETag: send If-None-Match before each "
        "use. `no-store` for all others.",
        "required": True,
        "schema": {"type": "string", "enum": ["no-cache", "no-store"]},
        "example": "no-store",
    },
    "ETag": {
        "description": "The version of this answer, for If-None-Match.",
        "required": True,
        "schema": {"type": "string"},
        "example": '"d29127d1ec0966f1430466fc432ab0dd"',
    },
    "Age": {
        "description": "Seconds since the evidence of this answer changed. Present only while a "
        "newer answer is computed.",
        "schema": {"type": "integer", "minimum": 0},
        "example": 1,
    },
    "RateLimit-Policy": {
        "description": "The limit: requests (q) in a window of seconds (w).",
        "schema": {"type": "string"},
        "example": '"burst";q=300;w=60',
    },
    "RateLimit": {
        "description": "Requests that remain (r), and seconds until the window ends (t).",
        "schema": {"type": "string"},
        "example": '"burst";r=299;t=41',
    },
    "Retry-After": {
        "description": "Seconds to wait before the next attempt. Absent where waiting does not "
        "help.",
        "schema": {"type": "integer", "minimum": 1},
        "example": 17,
    },
    "WWW-Authenticate": {
        "description": "How to authenticate.",
        "schema": {"type": "string"},
        "example": 'Bearer realm="kbapi"',
    },
}
_BEFORE_THE_APP: Final = frozenset({"414", "431"})
"""Statuses that a worker answers before any endpoint is reached, and counts against no limit."""


def headers_of(status: str, statuses: Iterable[str]) -> dict[str, Any]:
    """References to the header fields of the answer with this status.

    What else the operation answers says what it is: 429 that it is counted, 304 that it has ETags.
    """
    names = ["Kbapi-Request-Id", "Cache-Control"]
    if "304" in statuses and status in ("200", "304"):
        names += ["ETag", "Age"]
    if "429" in statuses and status not in _BEFORE_THE_APP:
        names += ["RateLimit-Policy", "RateLimit"]
    if status in ("429", "503"):
        names.append("Retry-After")
    if status == "401":
        names.append("WWW-Authenticate")
    return {name: {"$ref": f"#/components/headers/{name}"} for name in names}
