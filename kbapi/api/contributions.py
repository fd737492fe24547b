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
    "contributions",
    __name__,
    url_prefix="/v1/my-submissions",
    description="All results of one contributor, by the token that they were sent with.",
)


class PageSchema(StrictSchema):
    """Which page of the results."""

    cursor = fields.String(
        validate=Whole("[0-9a-f-]{36}", error="Send next_cursor of the page before, unchanged."),
        metadata={
            "description": "`next_cursor` of the page before; the first page unless given.",
            "example": "01a21000-8800-736b-8fa7-7e16bf7f60fd",
        },
    )


_PAGE: Final = PageSchema()


@blueprint.route("", methods=["GET"])
@blueprint.doc(
    parameters=query_parameters(PageSchema),
    responses={
        "200": json_answer("Own results, settings in use, re-tests due.", "MySubmissions"),
        **problem_answers(
            _401="No usable contributor token was sent.",
            _422="The question can't be answered: every problem at once.",
            _503="The database can't be read now.",
        ),
    },
)
@needs(blueprint, Need.OWN_RESULTS)
def list_my_submissions() -> Response:
    """List the results of your own, settings in use and what is due to be tested again.

    Each result stands as it is screened now. Send `next` as `after` for the next page.
    """
    token = contributor_token()
    page = read_parameters(_PAGE, request.args.to_dict(flat=False))
    if page.problems:
        raise QueryInvalid(problems=page.problems)
    return dump(read_contributions(instance(), token, page.values.get("cursor")), 200)


@blueprint.route("", methods=["DELETE"])
@blueprint.doc(
    responses={
        "200": json_answer("How many were withdrawn.", "WithdrawnSubmissions"),
        **problem_answers(
            _401="No usable contributor token was sent.",
            _422="This endpoint takes no parameters.",
            _503="The database can't be written now; nothing was removed.",
        ),
    },
)
@needs(blueprint, Need.OWN_RESULTS)
def withdraw_my_submissions() -> Response:
    """Withdraw every result of your own at once; backups keep what they had.

    Nothing of them counts in the next answer. A second call finds nothing to withdraw.
    """
    require_no_parameters()
    return dump(withdraw_contributions(instance(), contributor_token()), 200)
