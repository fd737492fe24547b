"""Review: settings that wait for a curator, one setting in detail, and decisions."""

from uuid import UUID

from flask import Response, request
from flask_smorest import Blueprint

from kbapi.access.limits import Need
from kbapi.api.admission import curator, needs
from kbapi.api.http_messages import (
    dump,
    dump_page,
    instance,
    require_json,
    require_no_parameters,
    sent_body,
)
from kbapi.api.openapi import json_answer, problem_answers, query_parameters
from kbapi.curation.decisions import accept_decisions
from kbapi.curation.item import show_item
from kbapi.curation.queue import ReviewSchema, list_waiting

blueprint = Blueprint(
    "review",
    __name__,
    url_prefix="/v1/review",
    description="Settings that wait for a curator, and the decisions about them.",
)


@blueprint.route("", methods=["GET"])
@blueprint.doc(
    parameters=query_parameters(ReviewSchema),
    responses={
        "200": json_answer("A page of waiting settings.", "ReviewPage", "Link"),
        **problem_answers(
            _422="The query is invalid: all problems are listed.",
            _503="The database cannot be read now.",
        ),
    },
)
@needs(blueprint, Need.CURATING)
def list_review() -> Response:
    """List the settings that are excluded and have no decision, page by page.

    Send `next_cursor` as `cursor` for the next page; it is null on the last one.
    """
    return dump_page(list_waiting(instance(), request.args.to_dict(flat=False)))


@blueprint.route("/<uuid:submission_id>/<int(max=1000):ordinal>", methods=["GET"])
@blueprint.doc(
    responses={
        "200": json_answer("The setting, its document, its history and its pool.", "ReviewItem"),
        **problem_answers(
            _404="No stored result has this setting.",
            _422="This endpoint takes no parameters.",
            _503="The database cannot be read now.",
        ),
    },
)
@needs(blueprint, Need.CURATING)
def show_review_item(submission_id: UUID, ordinal: int) -> Response:
    """Show one setting, with the start of its pool if it counts and if it does not.

    The answer includes the document as it was sent, without its tokens.
    """
    require_no_parameters()
    return dump(show_item(instance(), str(submission_id), ordinal), 200)


@blueprint.route("/decisions", methods=["POST"])
@blueprint.doc(
    requestBody={
        "required": True,
        "content": {"application/json": {"schema": {"$ref": "#/components/schemas/Decisions"}}},
    },
    responses={
        "200": json_answer("Stored; the next answer uses them.", "DecisionsResponse"),
        **problem_answers(
            _400="The body is not valid JSON.",
            _413="The body is too large.",
            _415="The Content-Type is not application/json.",
            _422="At least one decision is not possible: all problems are listed, nothing was "
            "changed.",
            _503="The database cannot be written now; nothing was changed.",
        ),
    },
)
@needs(blueprint, Need.CURATING)
def submit_decisions() -> Response:
    """Decide about one setting, or about all settings of a contributor or an origin.

    All decisions of a request are stored, or none. The next answer uses them.
    """
    require_no_parameters()
    require_json()
    return dump(accept_decisions(instance(), curator(), sent_body()), 200)
