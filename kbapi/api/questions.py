"""Questions about one chip: where to start, and how stable each setting is."""

from collections.abc import Callable
from typing import Any

from flask import Response, request
from flask_smorest import Blueprint
from marshmallow import Schema

from kbapi.access.gate import Need
from kbapi.advice.gains import advise_gains
from kbapi.advice.gains_question import GainsQuestionSchema, parse_gains_question
from kbapi.advice.lasting import (
    LastingQuestionSchema,
    advise_lasting,
    parse_lasting_question,
)
from kbapi.advice.locks import advise_locks
from kbapi.advice.locks_question import LockQuestionSchema, parse_lock_question
from kbapi.advice.power import advise_power
from kbapi.advice.power_question import PowerQuestionSchema, parse_power_question
from kbapi.advice.question import Question, QuestionSchema, parse_question
from kbapi.advice.stability import advise_stability
from kbapi.advice.start import advise_start
from kbapi.api.admission import needs
from kbapi.api.answers import instance
from kbapi.api.documents import json_answer, problem_answers, query_parameters
from kbapi.storage.answers import AnswerBytes
from kbapi.storage.instance import Instance

blueprint = Blueprint(
    "questions", __name__, url_prefix="/v1", description="What the pooled results say of a chip."
)


def _documented(
    description: str, component: str, schema: type[Schema] = QuestionSchema
) -> dict[str, Any]:
    return {
        "parameters": query_parameters(schema),
        "responses": {
            "200": json_answer(description, component),
            "304": {"description": "The answer with this ETag is still right."},
            **problem_answers(
                _422="The question can't be answered: every problem at once.",
                _503="The database can't be read now.",
            ),
        },
    }


@blueprint.route("/start", methods=["GET"])
@blueprint.doc(**_documented("A start with its uncertainty, or why there is none.", "StartAnswer"))
@needs(blueprint, Need.READING)
def suggest_start() -> Response:
    """Suggest the first setting to try, with what it stands for and on."""
    return _answer(advise_start)


@blueprint.route("/stability", methods=["GET"])
@blueprint.doc(**_documented("Shares with bands, own and borrowed apart.", "StabilityAnswer"))
@needs(blueprint, Need.READING)
def show_stability() -> Response:
    """Show the share of units that hold each setting, with bands and percentiles."""
    return _answer(advise_stability)


@blueprint.route("/locks", methods=["GET"])
@blueprint.doc(
    **_documented("What the platform allows, with notes.", "LocksAnswer", LockQuestionSchema)
)
@needs(blueprint, Need.READING)
def show_locks() -> Response:
    """Show whether each control can be used, where that was found, and what is left if not."""
    question = parse_lock_question(request.args.to_dict(flat=False), instance().catalogue)
    return _conditional(advise_locks(instance(), question))


@blueprint.route("/lasting", methods=["GET"])
@blueprint.doc(**_documented("How long settings last.", "LastingAnswer", LastingQuestionSchema))
@needs(blueprint, Need.READING)
def show_lasting() -> Response:
    """Show the share of settings still stable after 30, 90 and 365 days, by their margin."""
    question = parse_lasting_question(request.args.to_dict(flat=False), instance().catalogue)
    return _conditional(advise_lasting(instance(), question))


@blueprint.route("/gains", methods=["GET"])
@blueprint.doc(
    **_documented("What tuning changed, by load and cap.", "GainsAnswer", GainsQuestionSchema)
)
@needs(blueprint, Need.READING)
def show_gains() -> Response:
    """Show what tuning changed on pairs of readings, and where one's own pair lies among them."""
    question = parse_gains_question(request.args.to_dict(flat=False), instance().catalogue)
    return _conditional(advise_gains(instance(), question))


@blueprint.route("/power", methods=["GET"])
@blueprint.doc(
    **_documented("Performance over power, with limits.", "PowerAnswer", PowerQuestionSchema)
)
@needs(blueprint, Need.READING)
def suggest_power_limit() -> Response:
    """Suggest the smallest power limit that keeps a share of performance, at stock and tuned."""
    question = parse_power_question(request.args.to_dict(flat=False), instance().catalogue)
    return _conditional(advise_power(instance(), question))


def _answer(advise: Callable[[Instance, Question], AnswerBytes]) -> Response:
    question = parse_question(request.args.to_dict(flat=False), instance().catalogue)
    return _conditional(advise(instance(), question))


def _conditional(answer: AnswerBytes) -> Response:
    response = Response(answer.body, 200, mimetype="application/json")
    response.set_etag(answer.etag)
    response.headers["Cache-Control"] = "no-cache"
    response.make_conditional(request)
    return response
