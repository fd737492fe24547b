"""Pages for people: the API document, drawn offline, the guides, and what each problem means."""

from functools import cache, lru_cache
from threading import Lock
from typing import Final

import orjson
from flask import Blueprint, Response, current_app, render_template, request
from flask_smorest import Api

from kbapi import errors
from kbapi.api.admission import needs_nothing
from kbapi.api.openapi import openapi_document
from kbapi.documents.readings import READING_RULES
from kbapi.documents.refusals import DOCUMENT_REFUSALS, REFUSALS
from kbapi.errors import FAULTS, KbapiError, PageMissing
from kbapi.intake.decision_reasons import DECISION_SENTENCES
from kbapi.intake.follow_up_rules import SENTENCES
from kbapi.intake.responses import OUTLIER_SENTENCES
from kbapi.intake.screening import LATER_REMARKS, SCREENING_RULES
from kbapi.pages.guide_files import INDEX, guide_names, rendered_guide

blueprint = Blueprint(
    "pages",
    __name__,
    template_folder="templates",
    static_folder="static",
    static_url_path="/static",
)

_NOTHING_ELSE: Final = (
    "default-src 'none'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'; "
)
_PAGE_POLICY: Final = _NOTHING_ELSE + "style-src 'self'"
# The viewer draws with styles of its own making, shows small pictures that it holds inside, and
# asks this very server.
_VIEWER_POLICY: Final = _NOTHING_ELSE + (
    "script-src 'self'; style-src 'self' 'unsafe-inline'; img-src 'self' data:; connect-src 'self'"
)
_ONE_AT_A_TIME: Final = Lock()


@blueprint.before_request
def _ignore_ranges() -> None:
    """Give every file whole, as RFC 9110, section 14.2, allows: none is large."""
    request.environ.pop("HTTP_RANGE", None)


@blueprint.after_request
def _tell_policy(response: Response) -> Response:
    if response.mimetype == "text/html":
        is_viewer = request.endpoint == "pages.show_docs"
        response.headers["Content-Security-Policy"] = _VIEWER_POLICY if is_viewer else _PAGE_POLICY
    return response


@cache
def _explanations() -> dict[str, tuple[str, str]]:
    """Title and explanation of every problem, and of every rule that a problem can name."""
    told = {}
    for rule in (*REFUSALS, *DOCUMENT_REFUSALS, *SCREENING_RULES, *READING_RULES):
        told[rule.code] = (rule.code.replace("_", " ").capitalize(), rule.sentence)
    sentences = FAULTS | LATER_REMARKS | OUTLIER_SENTENCES | SENTENCES | DECISION_SENTENCES
    for code, sentence in sentences.items():
        told[code] = (code.replace("_", " ").capitalize(), sentence)
    for kind in vars(errors).values():
        if isinstance(kind, type) and issubclass(kind, KbapiError) and kind is not KbapiError:
            told[kind.code] = (kind.title, kind.explanation)
    return told


@blueprint.get("/problems/<code>")
@needs_nothing
def explain_problem(code: str) -> str:
    """A page that says what a problem means and what would be right."""
    if code not in _explanations():
        raise PageMissing
    title, explanation = _explanations()[code]
    return render_template("problem.html", code=code, title=title, explanation=explanation)


@blueprint.get("/problems")
@needs_nothing
def list_problems() -> str:
    """A page with every problem and rule."""
    return render_template("problems.html", told=sorted(_explanations().items()))


@blueprint.get("/guides/", strict_slashes=False)
@needs_nothing
def list_guides() -> str:
    """A page that leads to every guide."""
    return render_template("guide.html", guide=rendered_guide(INDEX), is_index=True)


@blueprint.get("/guides/<name>")
@needs_nothing
def show_guide(name: str) -> str:
    """One guide."""
    if name not in guide_names():
        raise PageMissing
    return render_template("guide.html", guide=rendered_guide(name), is_index=False)


@blueprint.get("/openapi.json")
@needs_nothing
def show_openapi() -> Response:
    """The OpenAPI document of this very code."""
    with _ONE_AT_A_TIME:
        body = _written_out(current_app.extensions["kbapi_document"])
    return Response(body, mimetype="application/json")


@lru_cache(maxsize=1)
def _written_out(api: Api) -> bytes:
    """The document as bytes; the first request has it made, later ones get the same."""
    return orjson.dumps(openapi_document(api))


@blueprint.get("/docs")
@needs_nothing
def show_docs() -> str:
    """The OpenAPI document for reading and trying, without anything from outside."""
    return render_template("docs.html")
