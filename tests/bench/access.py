"""What it costs a request, in CPU time, to be counted and asked for a key."""

import logging
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
from flask import Flask, Response
from flask_smorest import Blueprint
from werkzeug.test import create_environ

from kbapi.access.keys import give_key
from kbapi.access.limits import Need
from kbapi.api.admission import admit_requests, needs
from kbapi.api.http_messages import follow_requests
from kbapi.instance.instance import Instance
from kbapi.storage.sqlite.rate_counts import RateFile, rate_file_uri
from tests.makers import an_instance
from tests.report import Row, measured

ADDRESS = {"REMOTE_ADDR": "192.0.2.7"}
BODY = b"x" * 2_500


def measure(*, short: bool) -> list[Row]:
    """Microseconds of CPU, the median over interleaved rounds of a thousand requests."""
    logging.getLogger("kbapi").setLevel(logging.ERROR)
    with tempfile.TemporaryDirectory() as folder:
        instance = an_instance(Path(folder))
        counts = RateFile(rate_file_uri(instance.settings.rates_path), instance.now)
        key = {
            "HTTP_AUTHORIZATION": f"Bearer {give_key(instance, '', ('submit_for_members',)).key}"
        }
        free, guarded = (_noop(instance, is_guarded=is_guarded) for is_guarded in (False, True))
        cost = _medians(
            {
                "no-op, neither counted nor asked": _asking(free, {}),
                "no-op, counted by network": _asking(guarded, {}),
                "no-op, counted by key": _asking(guarded, key),
                "the file alone: counting, and reading back twice": lambda: _count(counts),
            },
            rounds=2 if short else 25,
        )
        instance.close()
    return [measured(what, spent, "us CPU", "") for what, spent in cost.items()]


def _noop(instance: Instance, *, is_guarded: bool) -> Flask:
    """An application with the hooks of ours and one page that does nothing."""
    app = Flask("noop", static_folder=None)
    app.extensions["kbapi"] = instance
    follow_requests(app)
    app.add_url_rule("/", view_func=_marked(lambda: Response(BODY, mimetype="application/json")))
    admit_requests(app, is_guarded=is_guarded)
    return app


def _count(counts: RateFile) -> None:
    """The calls of Flask-Limiter to its storage for each request."""
    counts.incr("key", 60)
    counts.get("key")
    counts.get_expiry("key")


def _marked(view: Callable[[], Response]) -> Callable[[], Response]:
    return needs(Blueprint("noop", __name__), Need.READING)(view)


def _asking(app: Flask, headers: dict[str, str]) -> Callable[[], None]:
    sent = create_environ("/", environ_overrides={**ADDRESS, **headers})

    def ask() -> None:
        answer = app.wsgi_app(dict(sent), lambda *_: None)
        for _ in answer:
            pass
        answer.close()

    return ask


def _medians(asked: dict[str, Callable[[], object]], rounds: int) -> dict[str, float]:
    spent: dict[str, list[float]] = {what: [] for what in asked}
    for _ in range(rounds):
        for what, ask in asked.items():
            began = time.thread_time()
            for _ in range(1_000):
                ask()
            spent[what].append(1e3 * (time.thread_time() - began))
    return {what: float(np.median(times)) for what, times in spent.items()}
