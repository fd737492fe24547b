"""Pages for people: the API document, drawn offline, and what each problem means."""

from functools import cache

import orjson
from flask import Blueprint, Response, current_app, render_template
from flask_smorest import Api

from kbapi import errors
from kbapi.api.documents import openapi_document
from kbapi.errors import FAULTS, KbapiError, PageMissing
from kbapi.intake.decided import DECISION_SENTENCES
from kbapi.intake.follow_up_rules import SENTENCES
from kbapi.intake.readings import READING_RULES
from kbapi.intake.refusals import DOCUMENT_REFUSALS, REFUSALS
from kbapi.intake.screening import LATER_REMARKS, SCREENING_RULES

blueprint = Blueprint(
    "pages",
    __name__,
    template_folder="templates",
    static_folder="static",
    static_url_path="/static",
)


@cache
def _explanations() -> dict[str, tuple[str, str]]:
    """Title and explanation of every problem, and of every rule that a problem can name."""
    told = {}
    for rule in (*REFUSALS, *DOCUMENT_REFUSALS, *SCREENING_RULES, *READING_RULES):
        told[rule.code] = (rule.code.replace("_", " ").capitalize(), rule.sentence)
    sentences = FAULTS | LATER_REMARKS | SENTENCES | DECISION_SENTENCES
    for code, sentence in sentences.items():
        told[code] = (code.replace("_", " ").capitalize(), sentence)
    for kind in vars(errors).values():
        if isinstance(kind, type) and issubclass(kind, KbapiError) and kind is not KbapiError:
            told[kind.code] = (kind.title, kind.explanation)
    return told


@blueprint.get("/problems/<code>")
def explain_problem(code: str) -> str:
    """A page that says what a problem means and what would be right."""
    if code not in _explanations():
        raise PageMissing
    title, explanation = _explanations()[code]
    return render_template("problem.html", code=code, title=title, explanation=explanation)


@blueprint.get("/problems")
def list_problems() -> str:
    """A page with every problem and rule."""
    return render_template("problems.html", told=sorted(_explanations().items()))


@blueprint.get("/openapi.json")
def show_openapi() -> Response:
    """The OpenAPI document of this very code."""
    api: Api = current_app.extensions["kbapi_document"]
    return Response(orjson.dumps(openapi_document(api)), mimetype="application/json")


@blueprint.get("/docs")
def show_docs() -> str:
    """The OpenAPI document for reading and trying, without anything from outside."""
    return render_template("docs.html")
