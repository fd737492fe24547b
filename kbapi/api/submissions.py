"""Results: send one, read it back, withdraw it."""

from typing import Final
from uuid import UUID

from flask import Response, request
from flask_smorest import Blueprint

from kbapi.api.answers import dump, instance, with_links
from kbapi.api.documents import json_answer, problem_answers
from kbapi.api.headers import bearer_receipt, idempotency_key, require_json
from kbapi.intake.accept import accept_submission
from kbapi.intake.follow_up import accept_follow_up
from kbapi.intake.own_results import read_own_result, withdraw_own_result

blueprint = Blueprint(
    "submissions", __name__, url_prefix="/v1/submissions", description="Results and their receipts."
)

_IDEMPOTENCY_PARAMETER: Final = {
    "in": "header",
    "name": "Idempotency-Key",
    "required": False,
    "schema": {"type": "string", "minLength": 1, "maxLength": 255},
    "description": "Made up by you; a repeat within 24 hours gets the first answer again.",
    "example": '"8e03978e-40d5-43e8"',
}
_RECEIPT: Final[list[dict[str, list[str]]]] = [{"receipt": []}]


@blueprint.route("", methods=["POST"])
@blueprint.doc(
    parameters=[_IDEMPOTENCY_PARAMETER],
    requestBody={
        "required": True,
        "content": {"application/json": {"schema": {"$ref": "#/components/schemas/Submission"}}},
    },
    responses={
        "201": json_answer("Stored and screened.", "AcceptedAnswer"),
        **problem_answers(
            _400="The body is not JSON text, or the Idempotency-Key is not usable.",
            _413="The body is too large.",
            _415="The Content-Type is not application/json.",
            _422="The document can't be right: every problem at once, nothing stored.",
            _503="The database can't take it now; nothing stored.",
        ),
    },
)
def submit_result() -> Response:
    """Store one result and tell how each of its settings was screened."""
    require_json()
    accepted = accept_submission(instance(), request.get_data(), idempotency_key())
    return dump(with_links(accepted), 201)


@blueprint.route("/<uuid:submission_id>", methods=["GET"])
@blueprint.doc(
    security=_RECEIPT,
    responses={
        "200": json_answer("The result as it stands now.", "OwnResult"),
        **problem_answers(
            _401="No receipt was sent.",
            _403="The receipt does not belong to this submission.",
            _410="The submission has been withdrawn.",
            _503="The database can't be read now.",
        ),
    },
)
def read_result(submission_id: UUID) -> Response:
    """Read a result of your own back, with its receipt."""
    own = read_own_result(instance(), str(submission_id), bearer_receipt())
    return dump(own, 200)


@blueprint.route("/<uuid:submission_id>", methods=["DELETE"])
@blueprint.doc(
    security=_RECEIPT,
    responses={
        "204": {"description": "Withdrawn; nothing of it is kept."},
        **problem_answers(
            _401="No receipt was sent.",
            _403="The receipt does not belong to this submission.",
            _410="The submission had been withdrawn before.",
            _503="The database can't be written now; nothing was removed.",
        ),
    },
)
def withdraw_result(submission_id: UUID) -> Response:
    """Withdraw a result of your own, with its receipt; backups keep what they had."""
    withdraw_own_result(instance(), str(submission_id), bearer_receipt())
    return Response(status=204)


@blueprint.route("/<uuid:submission_id>/follow-ups", methods=["POST"])
@blueprint.doc(
    security=_RECEIPT,
    parameters=[_IDEMPOTENCY_PARAMETER],
    requestBody={
        "required": True,
        "content": {"application/json": {"schema": {"$ref": "#/components/schemas/FollowUp"}}},
    },
    responses={
        "201": json_answer("Stored and screened.", "FollowUpTold"),
        **problem_answers(
            _400="The body is not JSON text, or the Idempotency-Key is not usable.",
            _401="No receipt was sent.",
            _403="The receipt does not belong to this submission.",
            _410="The submission has been withdrawn.",
            _413="The body is too large.",
            _415="The Content-Type is not application/json.",
            _422="The follow-up can't be right: every problem at once, nothing stored.",
            _503="The database can't take it now; nothing stored.",
        ),
    },
)
def follow_up_result(submission_id: UUID) -> Response:
    """Tell what became of a setting of a result of your own, with its receipt."""
    require_json()
    told = accept_follow_up(
        instance(), str(submission_id), bearer_receipt(), request.get_data(), idempotency_key()
    )
    return dump(told, 201)
