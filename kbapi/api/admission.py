"""Who gets in, before any endpoint is reached: counted against a limit, then asked for a key."""

from collections.abc import Callable, Mapping
from typing import Any, Final, TypeVar

from flask import Flask, Response, current_app, g, request
from flask_smorest import Blueprint

from kbapi.access.gate import READS_KEYS, Need, is_open, require
from kbapi.access.keys import KeyHolder, find_holder
from kbapi.access.rates import WINDOW_S, Rates, Standing, open_rates
from kbapi.api.documents import problem_answers
from kbapi.api.headers import shown_key
from kbapi.errors import AccessKeyMissing, AccessKeyWrong, RateExceeded
from kbapi.settings import Join
from kbapi.storage.instance import Instance

_View = TypeVar("_View", bound=Callable[..., Any])

# What an endpoint documents itself goes before: these marks stand nearest to the function.
_RATE: Final = {"_429": "Too many requests for now: wait as Retry-After says."}
_KEY: Final = {
    "_503": "The database can't be read now.",
    "_401": "This instance asks for an access key here, and none was sent.",
    "_403": "The access key opens nothing, or not this.",
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
    document = blueprint.doc(security=_SECURITY[need], responses=problem_answers(**problems))

    def mark(view: _View) -> _View:
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
    settings = instance.settings
    rates = open_rates(settings, instance.secret, instance.now) if is_guarded else None
    join: Join = settings.join if is_guarded else "open"

    @app.before_request
    def admit() -> None:
        need = needed.get(request.endpoint or "", Need.EXPLAINING)
        if need is not Need.WATCHING:
            _admit(need, join, rates)

    if rates is not None:
        app.after_request(_tell_standing)
    app.extensions["kbapi_join"] = join


def _admit(need: Need, join: Join, rates: Rates | None) -> None:
    shown = shown_key() if need in READS_KEYS else None
    holder, wrong = _holder_of(shown)
    if rates is not None:
        g.standing = standing = (
            rates.count_network(request.remote_addr or "")
            if holder is None
            else rates.count_key(holder.id)
        )
        if standing is not None and standing.is_exceeded:
            raise RateExceeded
    # Told only now, so that guessing keys is counted like everything else.
    if wrong is not None:
        raise wrong
    g.holder = holder
    # A browser asks whether it may ask without showing anything.
    if request.method != "OPTIONS":
        require(need, join, holder)


def _holder_of(shown: str | None) -> tuple[KeyHolder | None, AccessKeyWrong | None]:
    if shown is None:
        return None, None
    try:
        return find_holder(current_app.extensions["kbapi"], shown), None
    except AccessKeyWrong as wrong:
        return None, wrong


def _tell_standing(response: Response) -> Response:
    standing: Standing | None = g.get("standing")
    if standing is not None:
        # Added, not set: nobody else tells them, and looking for them costs as much as counting.
        add = response.headers.add
        add("RateLimit-Policy", f'"burst";q={standing.limit};w={WINDOW_S}')
        add("RateLimit", f'"burst";r={standing.remaining};t={standing.seconds}')
        if standing.is_exceeded:
            add("Retry-After", str(standing.seconds))
    return response


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
