"""What the host sees and decides: waiting settings, all results, contributors, decisions."""

from typing import Final
from uuid import UUID

from flask import Response, request
from flask_smorest import Blueprint

from kbapi.access.limits import Need
from kbapi.api.admission import key_holder, needs
from kbapi.api.http_messages import (
    DryRunSchema,
    dump,
    dump_page,
    instance,
    is_dry_run,
    require_json,
    require_no_parameters,
    sent_body,
)
from kbapi.api.openapi import json_answer, problem_answers, query_parameters
from kbapi.curation.contributors import show_contributor
from kbapi.curation.decisions import accept_decisions
from kbapi.curation.erasure import ErasureSchema, erase_contributor, erase_submission
from kbapi.curation.item import show_item
from kbapi.curation.queue import ReviewSchema, list_waiting
from kbapi.curation.results import show_submission
from kbapi.curation.submissions import SubmissionListSchema, list_submissions

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


@blueprint.route("/<uuid:submission_id>", methods=["GET"])
@blueprint.doc(
    responses={
        "200": json_answer("The result with its document and history.", "WholeSubmission"),
        **problem_answers(
            _404="No stored result has this id.",
            _422="This endpoint takes no parameters.",
            _503="The database cannot be read now.",
        ),
    },
)
@needs(blueprint, Need.CURATING)
def show_result(submission_id: UUID) -> Response:
    """Show one result to the host: its document, follow-ups, screening and decisions.

    The document has no tokens. The sender is known by a number only.
    """
    require_no_parameters()
    return dump(show_submission(instance(), str(submission_id)), 200)


_ERASED: Final = {
    "200": json_answer("Erased, unless it was a dry run.", "ErasureResponse"),
    **problem_answers(
        _404="No stored result has this id, or no contributor has this number.",
        _422="The query is invalid or not confirmed: nothing was erased.",
        _503="The database cannot be written now; nothing was erased.",
    ),
}


@blueprint.route("/<uuid:submission_id>", methods=["DELETE"])
@blueprint.doc(parameters=query_parameters(ErasureSchema), responses=_ERASED)
@needs(blueprint, Need.CURATING)
def erase_result(submission_id: UUID) -> Response:
    """Erase one result without its receipt; older backups still contain it.

    It is overwritten like a withdrawn result. The instance keeps the day, the reason and the number
    of the key.
    """
    query = request.args.to_dict(flat=False)
    return dump(erase_submission(instance(), key_holder(), str(submission_id), query), 200)


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
    parameters=query_parameters(DryRunSchema),
    requestBody={
        "required": True,
        "content": {"application/json": {"schema": {"$ref": "#/components/schemas/Decisions"}}},
    },
    responses={
        "200": json_answer(
            "Stored, unless it was a dry run; the next answer uses them.", "DecisionsResponse"
        ),
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

    All decisions of a request are stored, or none. With `contributor` or `origin`, send a dry run
    first and repeat its `confirm`. The next answer uses the decisions.
    """
    dry_run = is_dry_run()
    require_json()
    return dump(accept_decisions(instance(), key_holder(), sent_body(), dry_run=dry_run), 200)


submissions_blueprint = Blueprint(
    "all_submissions",
    __name__,
    url_prefix="/v1/submissions",
    description="All results, for the host.",
)


@submissions_blueprint.route("", methods=["GET"])
@submissions_blueprint.doc(
    parameters=query_parameters(SubmissionListSchema),
    responses={
        "200": json_answer("A page of results.", "SubmissionPage", "Link"),
        **problem_answers(
            _422="The query is invalid: all problems are listed.",
            _503="The database cannot be read now.",
        ),
    },
)
@needs(submissions_blueprint, Need.CURATING)
def list_results() -> Response:
    """List all results for the host, page by page.

    Send `next_cursor` as `cursor` for the next page; it is null on the last one. The order
    `influence` fits pools again, which can take seconds.
    """
    return dump_page(list_submissions(instance(), request.args.to_dict(flat=False)))


contributors_blueprint = Blueprint(
    "contributors",
    __name__,
    url_prefix="/v1/contributors",
    description="Contributors, known by a number only, for the host.",
)
# Without a maximum: two methods at one path would answer 405 beyond it instead of 404.
_NUMBER: Final = "/<int:number>"


@contributors_blueprint.route(_NUMBER, methods=["GET"])
@contributors_blueprint.doc(
    responses={
        "200": json_answer("The contributor, and where the results lie.", "ContributorDetail"),
        **problem_answers(
            _404="No contributor has this number.",
            _422="This endpoint takes no parameters.",
            _503="The database cannot be read now.",
        ),
    },
)
@needs(contributors_blueprint, Need.CURATING)
def describe_contributor(number: int) -> Response:
    """Show what a contributor sent, where it lies in the pools, and how far it moves starts.

    Its pools are fitted again without it, which can take seconds.
    """
    require_no_parameters()
    return dump(show_contributor(instance(), number), 200)


@contributors_blueprint.route(_NUMBER, methods=["DELETE"])
@contributors_blueprint.doc(parameters=query_parameters(ErasureSchema), responses=_ERASED)
@needs(contributors_blueprint, Need.CURATING)
def erase_results_of_contributor(number: int) -> Response:
    """Erase all results of a contributor without a token; older backups still contain them.

    Send a dry run first and repeat its `confirm`. The results are overwritten like withdrawn ones.
    """
    query = request.args.to_dict(flat=False)
    return dump(erase_contributor(instance(), key_holder(), number, query), 200)
