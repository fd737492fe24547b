"""Results: send, read back, correct, follow up, withdraw; all results of one contributor."""

from typing import Final
from uuid import UUID

from flask import Response, request
from flask_smorest import Blueprint
from marshmallow import fields

from kbapi.access.limits import Need
from kbapi.api.admission import may_forward, needs, voucher
from kbapi.api.http_messages import (
    IDEMPOTENCY_KEY,
    NOT_KEPT,
    DryRunSchema,
    bearer_receipt,
    contributor_token,
    corrected_with_links,
    created,
    dump,
    dump_page,
    idempotency_key,
    instance,
    is_dry_run,
    is_ndjson,
    require_json,
    require_no_parameters,
    sent_body,
    with_links,
)
from kbapi.api.openapi import json_answer, problem_answers, query_parameters
from kbapi.bounds import MOST_ITEMS
from kbapi.documents.reader import read_parameters
from kbapi.documents.shapes import StrictSchema, Whole
from kbapi.errors import QueryInvalid
from kbapi.intake.batch import accept_batch
from kbapi.intake.correct import correct_submission
from kbapi.intake.follow_up import accept_follow_up
from kbapi.intake.my_submissions import (
    list_own_results,
    read_own_result,
    withdraw_own_result,
    withdraw_own_results,
)
from kbapi.intake.submit import accept_submission, dry_run_submission
from kbapi.time_budget import BATCH_TIME, begin_time

blueprint = Blueprint(
    "submissions",
    __name__,
    url_prefix="/v1/submissions",
    description="Send, read, correct, follow up and withdraw results.",
)

_IDEMPOTENCY_PARAMETER: Final = {
    "in": "header",
    "name": "Idempotency-Key",
    "required": False,
    "schema": {"type": "string", "pattern": IDEMPOTENCY_KEY},
    "description": "A key of your choice. A repeat within 24 hours gets the first answer again.",
    "example": '"8e03978e-40d5-43e8"',
}


@blueprint.route("", methods=["POST"])
@blueprint.doc(
    parameters=[_IDEMPOTENCY_PARAMETER, *query_parameters(DryRunSchema)],
    requestBody={
        "required": True,
        "content": {"application/json": {"schema": {"$ref": "#/components/schemas/Submission"}}},
    },
    responses={
        "200": json_answer("A dry run: screened, nothing was stored.", "DryRunResponse"),
        "201": json_answer("Stored and screened.", "SubmissionResponse", "Location"),
        **problem_answers(
            _400="The body is not valid JSON, or the Idempotency-Key is invalid.",
            _413="The body is too large.",
            _415="The Content-Type is not application/json.",
            _422="At least one value is not possible: all problems are listed, nothing was stored.",
            _503="The database cannot be written now; nothing was stored.",
        ),
    },
)
@needs(blueprint, Need.SENDING)
def submit_result() -> Response:
    """Store one result and show how each of its settings was screened.

    Keep the receipt: it is shown only once. You need it to read, follow up and withdraw the result.
    """
    require_json()
    dry_run, key = is_dry_run(), idempotency_key()
    if dry_run:
        return dump(dry_run_submission(instance(), sent_body()), 200)
    accepted = accept_submission(instance(), sent_body(), key, voucher())
    response = with_links(accepted)
    return created(response, response.links.self)


_SUBMISSIONS: Final = {"type": "array", "items": {"$ref": "#/components/schemas/Submission"}}


@blueprint.route("/batch", methods=["POST"])
@blueprint.doc(
    parameters=[_IDEMPOTENCY_PARAMETER, *query_parameters(DryRunSchema)],
    requestBody={
        "required": True,
        "content": {
            "application/json": {"schema": {**_SUBMISSIONS, "minItems": 1, "maxItems": MOST_ITEMS}},
            "application/x-ndjson": {"schema": {"type": "string"}},
        },
    },
    responses={
        "200": json_answer("A dry run: screened, nothing was stored.", "BatchResponse"),
        "201": json_answer("All results are stored.", "BatchResponse"),
        "207": json_answer(
            "Some results are stored; others are refused, withdrawn or were not tried. Each item "
            "gives its status.",
            "BatchResponse",
        ),
        **problem_answers(
            _400="The body is not valid JSON, or the Idempotency-Key is invalid.",
            _413="The body is too large.",
            _415="The Content-Type is neither application/json nor application/x-ndjson.",
            _422="All items are refused, or reading them took too long: nothing was stored.",
            _503="The database cannot be written now, or the server is overloaded; nothing was "
            "stored.",
        ),
    },
)
@needs(blueprint, Need.SENDING)
def submit_batch() -> Response:
    """Store up to 1,000 results at once and show the status of each.

    Send a JSON array, or one JSON document on each line. After 20 s the rest comes back as
    `not_tried`: send the batch again with the same Idempotency-Key.
    """
    ndjson, dry_run = is_ndjson(), is_dry_run()
    request.max_content_length = instance().settings.max_batch_bytes
    body = sent_body()
    begin_time(BATCH_TIME)
    response = accept_batch(
        instance(),
        body,
        is_ndjson=ndjson,
        idempotency_key=idempotency_key(),
        dry_run=dry_run,
        may_forward=may_forward(),
        voucher=voucher(),
    )
    is_whole = response.counts.stored == response.counts.items
    return dump(response, 200 if dry_run else 201 if is_whole else 207)


@blueprint.route("/<uuid:submission_id>", methods=["GET"])
@blueprint.doc(
    responses={
        "200": json_answer("The result with its present screening.", "SubmissionDetail"),
        **problem_answers(
            _401="The request has no receipt.",
            _403="The receipt does not belong to this submission.",
            _410="The submission was withdrawn.",
            _422="This endpoint takes no parameters.",
            _503="The database cannot be read now.",
        ),
    },
)
@needs(blueprint, Need.OWN_RESULT)
def read_result(submission_id: UUID) -> Response:
    """Read your own result back, with its receipt.

    The answer has the present screening. A result can start to count later, or stop.
    """
    require_no_parameters()
    own = read_own_result(instance(), str(submission_id), bearer_receipt())
    return dump(own, 200)


@blueprint.route("/<uuid:submission_id>", methods=["PUT"])
@blueprint.doc(
    parameters=[_IDEMPOTENCY_PARAMETER],
    requestBody={
        "required": True,
        "content": {"application/json": {"schema": {"$ref": "#/components/schemas/Submission"}}},
    },
    responses={
        "200": json_answer("Replaced and screened.", "CorrectionResponse"),
        **problem_answers(
            _400="The body is not valid JSON, or the Idempotency-Key is invalid.",
            _401="The request has no receipt.",
            _403="The receipt does not belong to this submission.",
            _410="The submission was withdrawn.",
            _413="The body is too large.",
            _415="The Content-Type is not application/json.",
            _422="At least one value is not possible: all problems are listed, and nothing was "
            "changed.",
            _503="The database cannot be written now; nothing was changed.",
        ),
    },
)
@needs(blueprint, Need.OWN_RESULT)
def correct_result(submission_id: UUID) -> Response:
    """Replace your own result by a corrected document, with its receipt.

    Id and receipt stay. The new document is screened like a new result, and the earlier one is
    deleted. Without a contributor token the result stays with its contributor and unit. Follow-ups
    stay where they fit the new document.
    """
    require_no_parameters()
    require_json()
    correction = correct_submission(
        instance(), str(submission_id), bearer_receipt(), sent_body(), idempotency_key()
    )
    return dump(corrected_with_links(correction), 200)


@blueprint.route("/<uuid:submission_id>", methods=["DELETE"])
@blueprint.doc(
    responses={
        "204": {"description": "Withdrawn and deleted."},
        **problem_answers(
            _401="The request has no receipt.",
            _403="The receipt does not belong to this submission.",
            _410="The submission was withdrawn before.",
            _422="This endpoint takes no parameters.",
            _503="The database cannot be written now; nothing was removed.",
        ),
    },
)
@needs(blueprint, Need.OWN_RESULT)
def withdraw_result(submission_id: UUID) -> Response:
    """Withdraw your own result, with its receipt; older backups still contain it.

    From then on it counts in no answer.
    """
    require_no_parameters()
    withdraw_own_result(instance(), str(submission_id), bearer_receipt())
    return Response(status=204, headers=NOT_KEPT)


@blueprint.route("/<uuid:submission_id>/follow-ups", methods=["POST"])
@blueprint.doc(
    parameters=[_IDEMPOTENCY_PARAMETER],
    requestBody={
        "required": True,
        "content": {"application/json": {"schema": {"$ref": "#/components/schemas/FollowUp"}}},
    },
    responses={
        "201": json_answer("Stored and screened.", "FollowUpResponse", "Location"),
        **problem_answers(
            _400="The body is not valid JSON, or the Idempotency-Key is invalid.",
            _401="The request has no receipt.",
            _403="The receipt does not belong to this submission.",
            _410="The submission was withdrawn.",
            _413="The body is too large.",
            _415="The Content-Type is not application/json.",
            _422="At least one value is not possible: all problems are listed, nothing was stored.",
            _503="The database cannot be written now; nothing was stored.",
        ),
    },
)
@needs(blueprint, Need.OWN_RESULT)
def submit_follow_up(submission_id: UUID) -> Response:
    """Follow up a setting of your own result, with its receipt.

    Report that the setting is still stable, or how it failed. A second `still_stable` for a setting
    in one month replaces the first.
    """
    require_no_parameters()
    require_json()
    response = accept_follow_up(
        instance(), str(submission_id), bearer_receipt(), sent_body(), idempotency_key()
    )
    return created(response, f"/v1/submissions/{submission_id}")


my_submissions_blueprint = Blueprint(
    "my_submissions",
    __name__,
    url_prefix="/v1/my-submissions",
    description="All results of one contributor, found by the contributor token.",
)


class PageSchema(StrictSchema):
    """Which page of the results."""

    cursor = fields.String(
        validate=Whole("[0-9a-f-]{36}", error="Send next_cursor of the previous page, unchanged."),
        metadata={
            "description": "`next_cursor` of the previous page. Leave it out for the first page.",
            "example": "01a21000-8800-736b-8fa7-7e16bf7f60fd",
        },
    )


_PAGE: Final = PageSchema()


@my_submissions_blueprint.route("", methods=["GET"])
@my_submissions_blueprint.doc(
    parameters=query_parameters(PageSchema),
    responses={
        "200": json_answer(
            "Your results, settings in use and re-tests that are due.", "MySubmissions", "Link"
        ),
        **problem_answers(
            _401="The request has no valid contributor token.",
            _422="The query is invalid: all problems are listed.",
            _503="The database cannot be read now.",
        ),
    },
)
@needs(my_submissions_blueprint, Need.OWN_RESULTS)
def list_my_submissions() -> Response:
    """List your own results, your settings in use and the re-tests that are due.

    Each result has its present screening. Send `next_cursor` as `cursor` for the next page; it is
    null on the last one.
    """
    token = contributor_token()
    page = read_parameters(_PAGE, request.args.to_dict(flat=False))
    if page.problems:
        raise QueryInvalid(problems=page.problems)
    return dump_page(list_own_results(instance(), token, page.values.get("cursor")))


@my_submissions_blueprint.route("", methods=["DELETE"])
@my_submissions_blueprint.doc(
    responses={
        "200": json_answer("The number of withdrawn results.", "WithdrawnSubmissions"),
        **problem_answers(
            _401="The request has no valid contributor token.",
            _422="This endpoint takes no parameters.",
            _503="The database cannot be written now; nothing was removed.",
        ),
    },
)
@needs(my_submissions_blueprint, Need.OWN_RESULTS)
def withdraw_my_submissions() -> Response:
    """Withdraw all your own results at once; older backups still contain them.

    From then on they count in no answer. A second call withdraws nothing.
    """
    require_no_parameters()
    return dump(withdraw_own_results(instance(), contributor_token()), 200)
