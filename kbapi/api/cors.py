"""Which web pages may ask from a browser: those that the host lists, and none unless listed."""

from typing import Final

from flask import Flask, Response, request

_ASKED: Final = "Authorization, Content-Type, Idempotency-Key, If-None-Match, Kbapi-Contributor"
_TOLD: Final = "Age, ETag, Kbapi-Request-Id, Location, RateLimit, RateLimit-Policy, Retry-After"
_REMEMBERED_S: Final = "600"


def allow_origins(app: Flask, origins: tuple[str, ...]) -> None:
    """Let pages of these origins read answers; cookies and other ambient identity never count."""

    @app.after_request
    def tell(response: Response) -> Response:
        response.vary.add("Origin")
        origin = request.headers.get("Origin", "")
        if origin in origins:
            response.headers["Access-Control-Allow-Origin"] = origin
            if "Access-Control-Request-Method" in request.headers and request.method == "OPTIONS":
                response.headers["Access-Control-Allow-Methods"] = response.headers.get("Allow", "")
                response.headers["Access-Control-Allow-Headers"] = _ASKED
                response.headers["Access-Control-Max-Age"] = _REMEMBERED_S
            else:
                response.headers["Access-Control-Expose-Headers"] = _TOLD
        return response
