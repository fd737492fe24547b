"""`python -m tests.bench._served HOME PORT`: an instance behind its server, and two idle routes.

`/noop` is a route of the same application, behind the same hooks, that gives the bytes in
HOME/noop.json; `/bare` is a Flask application of one constant route in the same process.
"""

import os
import sys
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from flask import Flask, Response

import kbapi.wsgi
from kbapi.cli.serving import serve

CONSTANT = "noop.json"


def with_idle_routes(make: Any) -> Any:
    """What a worker loads, with the two routes beside the instance's own."""

    def application() -> Any:
        app = make()
        body = _Constant(Path(os.environ["KBAPI_HOME"]) / CONSTANT)
        app.add_url_rule("/noop", "noop", body.answer)
        bare = Flask("bare")
        bare.add_url_rule("/bare", "bare", body.answer)

        def either(environ: dict[str, Any], start_response: Any) -> Iterable[bytes]:
            served = bare if environ["PATH_INFO"] == "/bare" else app
            return served(environ, start_response)

        return either

    return application


class _Constant:
    """The same bytes each time, read at their first use."""

    def __init__(self, file: Path) -> None:
        self._file = file
        self._body: bytes | None = None

    def answer(self) -> Response:
        if self._body is None:
            self._body = self._file.read_bytes()
        return Response(self._body, 200, content_type="application/json")


if __name__ == "__main__":
    kbapi.wsgi.application = with_idle_routes(kbapi.wsgi.application)
    serve(Path(sys.argv[1]), "127.0.0.1", int(sys.argv[2]), workers=2, threads=32)
