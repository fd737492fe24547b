"""All results of one contributor: look at them, withdraw them."""

from typing import Final

from flask import Response, request
from flask_smorest import Blueprint
from marshmallow import fields

from kbapi.access.gate import Need
from kbapi.api.admission import needs
from kbapi.api.answers import dump, instance
from kbapi.api.documents import json_answer, problem_answers, query_parameters
from kbapi.api.headers import contributor_token, require_no_parameters
from kbapi.errors import QueryInvalid
from kbapi.intake.contributions import read_contributions, withdraw_contributions
from kbapi.wire import StrictSchema, Whole, read_parameters

blueprint = Blueprint(
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


@blueprint.route("", methods=["GET"])
@blueprint.doc(
    parameters=query_parameters(PageSchema),
    responses={
        "200": json_answer(
            "Your results, settings in use and re-tests that are due.", "MySubmissions"
        ),
        **problem_answers(
            _401="The request has no valid contributor token.",
            _422="The query is invalid: all problems are listed.",
            _503="The database cannot be read now.",
        ),
    },
)
@needs(blueprint, Need.OWN_RESULTS)
def list_my_submissions() -> Response:
    """List your own results, your settings in use and the re-tests that are due.

    Each result has its present screening. Send `next_cursor` as `cursor` for the next page; it is
    null on the last one.
    """
    token = contributor_token()
    page = read_parameters(_PAGE, request.args.to_dict(flat=False))
    if page.problems:
        raise QueryInvalid(problems=page.problems)
    return dump(read_contributions(instance(), token, page.values.get("cursor")), 200)


@blueprint.route("", methods=["DELETE"])
@blueprint.doc(
    responses={
        "200": json_answer("The number of withdrawn results.", "WithdrawnSubmissions"),
        **problem_answers(
            _401="The request has no valid contributor token.",
            _422="This endpoint takes no parameters.",
            _503="The database cannot be written now; nothing was removed.",
        ),
    },
)
@needs(blueprint, Need.OWN_RESULTS)
def withdraw_my_submissions() -> Response:
    """Withdraw all your own results at once; older backups still contain them.

    From then on they count in no answer. A second call withdraws nothing.
    """
    require_no_parameters()
    return dump(withdraw_contributions(instance(), contributor_token()), 200)
