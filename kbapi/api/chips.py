"""Chips: the chip that a text names, the known chips, and the description of one."""

from flask import Response, request
from flask_smorest import Blueprint

from kbapi.access.limits import Need
from kbapi.advice.chips import ChipListSchema, list_chips, show_chip
from kbapi.advice.identify import IdentifySchema, identify
from kbapi.api.admission import needs
from kbapi.api.http_messages import conditional_page, dump, instance, require_no_parameters
from kbapi.api.openapi import json_answer, problem_answers, query_parameters

blueprint = Blueprint(
    "chips",
    __name__,
    url_prefix="/v1",
    description="Find a chip from a text, and browse the known chips.",
)


@blueprint.route("/identify", methods=["GET"])
@blueprint.doc(
    parameters=query_parameters(IdentifySchema),
    responses={
        "200": json_answer("One chip, candidates, or no chip with a reason.", "IdentifyAnswer"),
        **problem_answers(_422="The query is invalid: all problems are listed."),
    },
)
@needs(blueprint, Need.READING)
def identify_chip() -> Response:
    """Identify the chip that a text names, without guessing.

    Send the text as the system prints it. Numbers such as family, model and PCI id distinguish
    chips that share a name.
    """
    return dump(identify(request.args.to_dict(flat=False), instance().catalogue), 200)


@blueprint.route("/chips", methods=["GET"])
@blueprint.doc(
    parameters=query_parameters(ChipListSchema),
    responses={
        "200": json_answer("A page of chips.", "ChipPage", "Link"),
        "304": {"description": "The page with this ETag is unchanged."},
        **problem_answers(
            _422="The query is invalid: all problems are listed.",
            _503="The database cannot be read now.",
        ),
    },
)
@needs(blueprint, Need.READING)
def browse_chips() -> Response:
    """Browse or search the known chips, page by page.

    Send `next_cursor` as `cursor` for the next page; it is null on the last one. The Link field
    has the address of the next page.
    """
    return conditional_page(list_chips(instance(), request.args.to_dict(flat=False)))


@blueprint.route("/chips/<chip>", methods=["GET"])
@blueprint.doc(
    responses={
        "200": json_answer("The description of the chip.", "ChipDetail"),
        **problem_answers(
            _404="The text does not name exactly one chip; the answer lists candidates, if there "
            "are any.",
            _422="This endpoint takes no parameters.",
            _503="The database cannot be read now.",
        ),
    },
)
@needs(blueprint, Need.READING)
def describe_chip(chip: str) -> Response:
    """Describe a chip: its domains, controls, siblings and pools.

    A pool is a group of results of a chip that can be counted together. Its size is in units.
    """
    require_no_parameters()
    return dump(show_chip(instance(), chip), 200)
