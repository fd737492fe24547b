"""`python -m tests.bench._served HOME PORT`: an instance behind its server, and two idle routes.

`/noop` is a route of the same application, behind the same hooks, that gives the bytes in
HOME/noop.json; `/bare` is a Flask application of one constant route in the same process. With
`without-promises` after the port it writes with synchronous NORMAL and without a queue of writers.
"""

import sys
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from flask import Flask, Response
from flask_smorest import Blueprint

import kbapi.app
import kbapi.wsgi
from kbapi.access.limits import Need
from kbapi.api.admission import needs
from kbapi.server.serve import serve
from kbapi.settings import Settings
from kbapi.storage.sqlite import engine
from kbapi.storage.sqlite.database import SharedCommit

CONSTANT = "noop.json"


def with_idle_routes(make: Any) -> Any:
    """What a worker loads, with the two routes beside the instance's own."""

    def application(settings: Settings) -> Any:
        body = _Constant(settings.home / CONSTANT)
        idle = Blueprint("idle", __name__)
        # It works as much as a query before its view: a key is looked up, the request is counted.
        idle.add_url_rule("/noop", "noop", needs(idle, Need.READING)(lambda: body.answer()))
        kbapi.app._BLUEPRINTS = (*kbapi.app._BLUEPRINTS, idle)
        app = make(settings)
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


def without_promises() -> None:
    """Make this process write as peers of this kind do: NORMAL, and no queue before the lock."""
    normal = "PRAGMA synchronous=NORMAL"
    engine._PRAGMAS = tuple(
        normal if "synchronous" in pragma else pragma for pragma in engine._PRAGMAS
    )
    SharedCommit.taking_part = _alone


@contextmanager
def _alone(commits: SharedCommit, _timeout_s: float, **_: object) -> Iterator[Any]:
    """A transaction of one's own, with nothing before SQLite's lock but its busy handler."""
    with commits._connect() as connection, connection.begin():
        yield connection


if __name__ == "__main__":
    if sys.argv[3:] == ["without-promises"]:
        without_promises()
    kbapi.wsgi.application = with_idle_routes(kbapi.wsgi.application)
    serve(Settings(home=Path(sys.argv[1])), "127.0.0.1", int(sys.argv[2]), workers=2, threads=64)
