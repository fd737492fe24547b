"""The suggested start."""

from flask import Response, request
from flask_smorest import Blueprint

from kbapi.advice.question import parse_question
from kbapi.advice.start import advise_start
from kbapi.api.answers import instance
from kbapi.api.documents import json_answer, problem_answers, question_parameters

blueprint = Blueprint("start", __name__, url_prefix="/v1/start", description="Where to begin.")


@blueprint.route("", methods=["GET"])
@blueprint.doc(
    parameters=question_parameters(),
    responses={
        "200": json_answer("A start with its uncertainty, or why there is none.", "StartAnswer"),
        "304": {"description": "The answer with this ETag is still right."},
        **problem_answers(
            _422="The question can't be answered: every problem at once.",
            _503="The database can't be read now.",
        ),
    },
)
def suggest_start() -> Response:
    """Suggest the first setting to try, with what it stands for and on."""
    question = parse_question(request.args.to_dict(flat=False), instance().catalogue)
    answer = advise_start(instance(), question)
    response = Response(answer.body, 200, mimetype="application/json")
    response.set_etag(answer.etag)
    response.headers["Cache-Control"] = "no-cache"
    response.make_conditional(request)
    return response
