"""Forms of pages: fields with their problems, limits, tokens against other sites, sign-in."""

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final, Literal
from urllib.parse import urlencode

from flask import Blueprint, Response, g, render_template, request
from werkzeug.exceptions import HTTPException, RequestEntityTooLarge, TooManyRequests

from kbapi.access.keys import find_holder
from kbapi.access.limits import Need
from kbapi.access.sessions import (
    SESSION_S,
    FormToken,
    begin_session,
    check_form_token,
    make_form_token,
    session_cookie,
)
from kbapi.api.admission import key_holder, page_needs
from kbapi.api.http_messages import NOT_KEPT, instance
from kbapi.api.problems import STATUS_OF, problem_response
from kbapi.errors import (
    AccessKeyMissing,
    AccessKeyWrong,
    BodyTooLarge,
    FormOutdated,
    FormRefused,
    KbapiError,
    MediaTypeWrong,
    Problem,
    RateExceeded,
)
from kbapi.pages.views import page_policy, prefers

blueprint = Blueprint("forms", __name__, template_folder="templates")

MOST_FORM_BYTES: Final = 65_536
MOST_FORM_FIELDS: Final = 600
"""Each trial of a search is a field, and a search has at most 256."""
TOKEN_FIELD: Final = "form_token"  # noqa: S105 - the name of a field
_FORM_TYPES: Final = ("application/x-www-form-urlencoded", "multipart/form-data")

# Browsers offer to keep a `secret`, an access key. A `token` they neither keep nor restore.
Kind = Literal[
    "text", "long_text", "number", "choice", "choices", "yes_no", "file", "secret", "token"
]


@dataclass(frozen=True, slots=True)
class Field:
    """A field of a form: how it is asked for, and its places in the JSON document."""

    name: str
    label: str
    kind: Kind = "text"
    hint: str = ""
    options: tuple[tuple[str, str], ...] = ()
    pointers: tuple[str, ...] = ()
    """RFC 6901 pointers; a value that is asked for once may have several places."""
    example: str = ""


YES_NO: Final = (("yes", "yes"), ("no", "no"))


def options_of(values: Iterable[str], signs: Mapping[Any, str] | None = None) -> Any:
    """The options of a closed list, each with what it means.

    >>> options_of(("open",), {"open": "It can be set."})
    (('open', 'open: It can be set.'),)
    """
    return tuple((value, f"{value}: {signs[value]}" if signs else value) for value in values)


_NUMBER: Final = re.compile(r"-?[0-9]{1,15}(\.[0-9]{1,15})?", re.ASCII)
_WRITE_A_NUMBER: Final = "Write a number with a point, such as -82.5, without a unit."


@dataclass(slots=True)
class Form:
    """The fields of a form, what was typed into them, and the problems of each."""

    fields: dict[str, Field]
    typed: dict[str, list[str]]
    problems: dict[str, list[str]] = field(default_factory=dict)
    """By the name of the field; the empty name for problems of the whole."""
    candidates: tuple[str, ...] = ()
    """Keys of chips to choose from."""
    notice: str = ""

    @classmethod
    def of(cls, fields: Sequence[Field], typed: Mapping[str, Sequence[str]]) -> "Form":
        """The form with what was typed into these fields; other values are left out."""
        known = {one.name: one for one in fields}
        return cls(known, {name: list(typed[name]) for name in known if name in typed})

    def text(self, name: str) -> str:
        """What was typed into a field, without spaces around it; empty where nothing was."""
        return next(iter(self.typed.get(name, ())), "").strip()

    def texts(self, name: str) -> list[str]:
        """What was chosen in a field with several choices."""
        return [one for one in self.typed.get(name, ()) if one]

    def value(self, name: str) -> Any:
        """The value for the JSON document: None where nothing was typed.

        A text that is no number is a problem of the field, and is left out.
        """
        asked = self.fields[name]
        if asked.kind == "choices":
            return self.texts(name) or None
        text = self.text(name)
        if asked.kind == "yes_no":
            return {"yes": True, "no": False}.get(text)
        if not text or asked.kind != "number":
            return text or None
        # Pages print a minus sign, and people copy it.
        text = text.replace("\N{MINUS SIGN}", "-")
        if not _NUMBER.fullmatch(text):
            self.add(name, _WRITE_A_NUMBER)
            return None
        number = float(text)
        return int(number) if number.is_integer() else number

    def add(self, name: str, sentence: str) -> None:
        """Add a problem to a field, once; to the whole form where the page has no such field."""
        listed = self.problems.setdefault(name if name in self.fields else "", [])
        if sentence not in listed:
            listed.append(sentence)

    def add_all(self, problems: Iterable[Problem], places: Mapping[str, str]) -> None:
        """Add the problems of a document at the fields of their places.

        A field with a problem of its own keeps that one: of what it lacks, nothing more is said.
        """
        unread = set(self.problems)
        for problem in problems:
            name = _field_at(problem.pointer, places)
            if name not in unread:
                self.add(name, problem.detail)
            self.candidates += problem.candidates

    def is_used(self, *names: str) -> bool:
        """Whether anything was typed into one of these fields, or is wrong with it."""
        return any(self.texts(name) or name in self.problems for name in names)


def _field_at(pointer: str, places: Mapping[str, str]) -> str:
    """The field of a pointer, or of the nearest place that contains it; empty without any."""
    while pointer:
        if pointer in places:
            return places[pointer]
        pointer = pointer.rpartition("/")[0]
    return ""


@blueprint.context_processor
def _add_token() -> dict[str, object]:
    return {
        "token_field": TOKEN_FIELD,
        "form_token": lambda: make_form_token(instance(), key_holder()),
    }


@blueprint.before_request
def _guard_form() -> None:
    """Nothing for a form of this site within its limits.

    Raises
    ------
    MediaTypeWrong, BodyTooLarge
        When it is no form, or too large.
    FormRefused, FormOutdated
        When another site sent it, or the page was open for too long.
    """
    _limit_form()
    if request.method != "POST":
        return
    if request.mimetype not in _FORM_TYPES:
        raise MediaTypeWrong("This page takes a form. Programs send JSON to the addresses below.")
    # The framework drops what exceeds the limit of a body in chunks.
    too_many = sum(1 for _ in request.form.items(multi=True)) > MOST_FORM_FIELDS
    if too_many or (request.content_length is None and request.environ["wsgi.input"].read(1)):
        raise BodyTooLarge(f"A form has at most {MOST_FORM_FIELDS} fields and 64 kB.")
    token = _token_sent()
    if token is FormToken.WRONG:
        raise FormRefused
    if token is FormToken.OLD:
        raise FormOutdated


def _limit_form() -> None:
    request.max_content_length = MOST_FORM_BYTES
    request.max_form_parts = MOST_FORM_FIELDS


def _token_sent() -> FormToken:
    """What the token of this form is; wrong also for a form of another site."""
    if not _is_of_this_site():
        return FormToken.WRONG
    return check_form_token(instance(), key_holder(), request.form.get(TOKEN_FIELD, ""))


def _is_of_this_site() -> bool:
    """Whether the browser says that a page of this site sent the form, or says nothing."""
    sent_by = request.headers.get("Sec-Fetch-Site")
    if sent_by is not None:
        return sent_by in ("same-origin", "none")
    # Without the scheme: a proxy with TLS may be in front.
    origin = request.headers.get("Origin")
    return origin is None or origin.rpartition("/")[2] == request.host


@blueprint.after_request
def _add_headers(response: Response) -> Response:
    if response.mimetype == "text/html":
        response.headers["Content-Security-Policy"] = page_policy(("form-action",))
        # A page that was asked for can come back from the browser with what was typed.
        is_kept = request.method in ("GET", "HEAD") and response.status_code == 200
        response.headers["Cache-Control"] = "private, no-cache" if is_kept else "no-store"
        response.vary.add("Cookie")
    return response


@blueprint.errorhandler(KbapiError)
def answer_problem(error: KbapiError) -> Response:
    """A page with the problem, from which the form can be sent again with all that was typed.

    Who is not signed in is led to the page for it, and back.
    """
    response = problem_response(error)
    if prefers("text/html", "application/json") == "application/json":
        return response
    if isinstance(error, AccessKeyMissing) and request.method in ("GET", "HEAD"):
        then = request.full_path if request.query_string else request.path
        return _redirect("/sign-in?" + urlencode({"then": then}))
    response.set_data(
        render_template(
            "form_problem.html",
            error=error,
            status=STATUS_OF[type(error)],
            wants_key=isinstance(error, AccessKeyMissing),
            kept=_typed_so_far(error),
        )
    )
    response.mimetype = "text/html"
    return response


def _typed_so_far(error: KbapiError) -> list[tuple[str, str]]:
    """The fields of the form, unless it is too large or of another site."""
    if request.method != "POST" or isinstance(error, FormRefused | BodyTooLarge | MediaTypeWrong):
        return []
    try:
        # A problem may come before the form was guarded.
        _limit_form()
        if _token_sent() is FormToken.WRONG:
            return []
        fields = request.form.items(multi=True)
        return [(name, text) for name, text in fields if name not in (TOKEN_FIELD, "access_key")]
    except HTTPException:
        return []


@blueprint.errorhandler(RequestEntityTooLarge)
def _answer_too_large(_: HTTPException) -> Response:
    return answer_problem(BodyTooLarge(f"A form has at most {MOST_FORM_FIELDS} fields and 64 kB."))


@blueprint.errorhandler(TooManyRequests)
def _answer_too_many(_: HTTPException) -> Response:
    return answer_problem(RateExceeded())


_SIGN_IN: Final = (
    Field("access_key", "Access key", "secret", "The text that your host gave you: kbk_..."),
)
# One slash, and no backslash, which browsers take for a slash.
_OWN_PATH: Final = re.compile(r"/(?:[\w.~%?&=,:+@!*;-][\w.~%?&=,:+@!*;/-]{0,1999})?", re.ASCII)


def _own_path(sent: str) -> str:
    """The path to go on to, if it is one of this server; else that of the first page.

    >>> _own_path("/submit?chip=x"), _own_path("//evil.example"), _own_path("https://evil.example")
    ('/submit?chip=x', '/', '/')
    """
    return sent if _OWN_PATH.fullmatch(sent) else "/"


def _redirect(path: str) -> Response:
    return Response(status=303, headers={"Location": path, **NOT_KEPT})


def _sign_in_page(form: Form, status: int = 200) -> Response:
    page = render_template(
        "sign_in.html",
        form=form,
        holder=key_holder(),
        join=instance().settings.join,
        then=_own_path(request.values.get("then", "/")),
    )
    return Response(page, status)


@blueprint.get("/sign-in")
@page_needs(Need.EXPLAINING)
def show_sign_in() -> Response:
    """A page to sign in with an access key, or to sign out."""
    return _sign_in_page(Form.of(_SIGN_IN, {}))


@blueprint.post("/sign-in")
@page_needs(Need.EXPLAINING)
def sign_in() -> Response:
    """Begin a session for the holder of the key, and go on to the page that was wanted."""
    form = Form.of(_SIGN_IN, {})
    try:
        holder = find_holder(instance(), request.form.get("access_key", "").strip())
    except AccessKeyWrong as wrong:
        g.problem_code = wrong.code
        form.add("access_key", wrong.explanation)
        return _sign_in_page(form, 403)
    response = _redirect(_own_path(request.form.get("then", "/")))
    response.set_cookie(
        session_cookie(is_secure=request.is_secure),
        begin_session(instance(), holder),
        max_age=SESSION_S,
        secure=request.is_secure,
        httponly=True,
        samesite="Strict",
    )
    return response


@blueprint.post("/sign-out")
@page_needs(Need.EXPLAINING)
def sign_out() -> Response:
    """End the session in this browser."""
    response = _redirect("/sign-in")
    is_secure = request.is_secure
    response.delete_cookie(
        session_cookie(is_secure=is_secure), secure=is_secure, httponly=True, samesite="Strict"
    )
    return response
