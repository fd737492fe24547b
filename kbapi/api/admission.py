"""Who gets in, before any endpoint is reached: counted against a limit, then asked for a key."""

from collections.abc import Callable, Mapping
from typing import Any, Final, TypeVar

from flask import Flask, current_app, g, request
from flask_smorest import Blueprint

from kbapi.access.gate import READS_KEYS, Need, is_open, require
from kbapi.access.keys import KeyHolder, find_holder
from kbapi.api.documents import problem_answers
from kbapi.api.headers import shown_key
from kbapi.api.rates import limit_requests
from kbapi.errors import AccessKeyMissing, AccessKeyWrong
from kbapi.settings import Join
from kbapi.storage.instance import Instance

_View = TypeVar("_View", bound=Callable[..., Any])

# What an endpoint documents itself goes before: these marks stand nearest to the function.
_RATE: Final = {"_429": "Too many requests: wait the number of seconds in Retry-After."}
_KEY: Final = {
    "_503": "The database cannot be read now.",
    "_401": "This instance needs an access key here, and the request has none.",
    "_403": "The access key is not valid or lacks the scope.",
}
_SECURITY: Final[Mapping[Need, list[dict[str, list[str]]]]] = {
    Need.WATCHING: [],
    Need.READING: [{}, {"key": []}],
    Need.SENDING: [{}, {"key": []}],
    Need.OWN_RESULT: [{"receipt": []}],
    Need.OWN_RESULTS: [{"contributor": []}],
    Need.CURATING: [{"key": []}],
}


def needs(blueprint: Blueprint, need: Need) -> Callable[[_View], _View]:
    """A mark on an endpoint that says what it needs, here and in the OpenAPI document."""
    problems = {} if need is Need.WATCHING else _RATE
    if need in READS_KEYS:
        problems = problems | _KEY

    def mark(view: _View) -> _View:
        document = blueprint.doc(
            operationId=view.__name__,
            security=_SECURITY[need],
            responses=problem_answers(**problems),
        )
        # Its notes without its wrapper, which would cost every request a call.
        view._apidoc = document(view)._apidoc  # type: ignore[attr-defined]
        return _marked(view, need)

    return mark


def needs_nothing(view: _View) -> _View:
    """A mark on a page that explains: open to everybody, and counted."""
    return _marked(view, Need.EXPLAINING)


def _marked(view: _View, need: Need) -> _View:
    view.kbapi_need = need  # type: ignore[attr-defined]
    return view


def need_of(app: Flask, endpoint: str | None) -> Need:
    """What an endpoint needs; no endpoint at all explains that there is nothing.

    Raises
    ------
    LookupError
        When nobody said what the endpoint needs.
    """
    if endpoint is None or endpoint == "pages.static":
        return Need.EXPLAINING
    need: Need | None = getattr(app.view_functions[endpoint], "kbapi_need", None)
    if need is None:
        raise LookupError(f"{endpoint} does not say what it needs: mark it with needs(...)")
    return need


def admit_requests(app: Flask, *, is_guarded: bool) -> None:
    """Guard every endpoint that the app has by now, with limits and keys if `is_guarded`.

    Without, whoever asks holds the folder of the instance: only what is done in a curator's name
    still needs a curator's key.
    """
    instance: Instance = app.extensions["kbapi"]
    needed = {rule.endpoint: need_of(app, rule.endpoint) for rule in app.url_map.iter_rules()}
    join: Join = instance.settings.join if is_guarded else "open"

    @app.before_request
    def look_at_key() -> None:
        g.need = needed.get(request.endpoint or "", Need.EXPLAINING)
        g.holder, g.wrong_key = _holder_of(shown_key() if g.need in READS_KEYS else None)

    if is_guarded:
        limit_requests(app, instance)

    @app.before_request
    def admit() -> None:
        # Told only now, so that guessing keys is counted like everything else.
        if g.wrong_key is not None:
            raise g.wrong_key
        # A browser asks whether it may ask without showing anything.
        if request.method != "OPTIONS":
            require(g.need, join, g.holder)

    app.extensions["kbapi_join"] = join


def _holder_of(shown: str | None) -> tuple[KeyHolder | None, AccessKeyWrong | None]:
    if shown is None:
        return None, None
    try:
        return find_holder(current_app.extensions["kbapi"], shown), None
    except AccessKeyWrong as wrong:
        return None, wrong


def curator() -> KeyHolder:
    """Whoever showed the key that this endpoint needed."""
    holder: KeyHolder | None = g.holder
    if holder is None:
        raise AccessKeyMissing
    return holder


def may_forward() -> bool:
    """Whether whoever asks may send results of several contributors at once."""
    join: Join = current_app.extensions["kbapi_join"]
    return is_open(Need.FORWARDING, join, g.holder)
