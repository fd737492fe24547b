"""The next step of somebody's own search: asked with the runs so far, and forgotten again."""

from flask import Response
from flask_smorest import Blueprint

from kbapi.access.gate import Need
from kbapi.advice.next_step import advise_next_step
from kbapi.api.admission import needs
from kbapi.api.answers import dump, instance
from kbapi.api.documents import json_answer, problem_answers
from kbapi.api.headers import require_json, require_no_parameters
from kbapi.api.requests import sent_body
from kbapi.intake.search import read_search

blueprint = Blueprint(
    "next_steps",
    __name__,
    url_prefix="/v1/next-step",
    description="The next setting to try, from your own runs so far.",
)


@blueprint.route("", methods=["POST"])
@blueprint.doc(
    requestBody={
        "required": True,
        "content": {
            "application/json": {"schema": {"$ref": "#/components/schemas/NextStepRequest"}}
        },
    },
    responses={
        "200": json_answer("The next setting, or a null setting with a reason.", "NextStepAnswer"),
        **problem_answers(
            _400="The body is not valid JSON.",
            _413="The body is too large.",
            _415="The Content-Type is not application/json.",
            _422="At least one value is not possible: all problems are listed.",
            _503="The database cannot be read now.",
        ),
    },
)
@needs(blueprint, Need.READING)
def propose_next_step() -> Response:
    """Propose the next setting to try from the runs so far, or the setting to use.

    The answer includes the chance that the setting is stable, when to stop, and the cost of the
    rest of the search. Nothing is stored.
    """
    require_no_parameters()
    require_json()
    search = read_search(sent_body(), instance().catalogue)
    return dump(advise_next_step(instance(), search), 200)
