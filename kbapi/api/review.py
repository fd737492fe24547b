"""Review: what waits for a curator, one setting with all around it, and what is decided."""

from typing import Any, Final
from uuid import UUID

from flask import Response, request
from flask_smorest import Blueprint

from kbapi.access.keys import CURATE, KeyHolder, require_scope
from kbapi.api.answers import dump, instance
from kbapi.api.documents import json_answer, problem_answers, query_parameters
from kbapi.api.headers import bearer_key, require_json, require_no_parameters
from kbapi.curation.decisions import accept_decisions
from kbapi.curation.item import show_item
from kbapi.curation.queue import ReviewSchema, list_waiting

blueprint = Blueprint(
    "review", __name__, url_prefix="/v1/review", description="For people who look after results."
)

_KEY: Final[list[dict[str, list[str]]]] = [{"key": []}]
_NO_KEY: Final[dict[str, Any]] = {
    "_401": "No access key was sent.",
    "_403": "The key opens nothing, or not this.",
}


def _curator() -> KeyHolder:
    return require_scope(instance(), bearer_key(), CURATE)


@blueprint.route("", methods=["GET"])
@blueprint.doc(
    security=_KEY,
    parameters=query_parameters(ReviewSchema),
    responses={
        "200": json_answer("A page of settings that wait.", "ReviewPage"),
        **problem_answers(
            **_NO_KEY,
            _422="The question can't be answered: every problem at once.",
            _503="The database can't be read now.",
        ),
    },
)
def list_review() -> Response:
    """List what was set aside and nobody has decided about, page by page."""
    _curator()
    return dump(list_waiting(instance(), request.args.to_dict(flat=False)), 200)


@blueprint.route("/<uuid:submission_id>/<int(max=1000):ordinal>", methods=["GET"])
@blueprint.doc(
    security=_KEY,
    responses={
        "200": json_answer("The setting, its document, its history and its pool.", "ReviewItem"),
        **problem_answers(
            **_NO_KEY,
            _404="No result that is here has this setting.",
            _422="This endpoint takes no parameters.",
            _503="The database can't be read now.",
        ),
    },
)
def show_review_item(submission_id: UUID, ordinal: int) -> Response:
    """Show one setting with the start of its pool if it counted and if it did not."""
    curator = _curator()
    require_no_parameters()
    return dump(show_item(instance(), curator, str(submission_id), ordinal), 200)


@blueprint.route("/decisions", methods=["POST"])
@blueprint.doc(
    security=_KEY,
    requestBody={
        "required": True,
        "content": {"application/json": {"schema": {"$ref": "#/components/schemas/Decisions"}}},
    },
    responses={
        "200": json_answer("Kept, and holding in the next answer.", "DecisionsTold"),
        **problem_answers(
            _400="The body is not JSON text.",
            **_NO_KEY,
            _413="The body is too large.",
            _415="The Content-Type is not application/json.",
            _422="Something can't be decided so: every problem at once, nothing changed.",
            _503="The database can't take it now; nothing changed.",
        ),
    },
)
def decide_about_results() -> Response:
    """Count, keep aside, reject or undo, one setting or all of a sender; all hold or none."""
    curator = _curator()
    require_no_parameters()
    require_json()
    return dump(accept_decisions(instance(), curator, request.get_data()), 200)
