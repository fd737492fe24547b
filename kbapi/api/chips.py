"""Chips: what a text names, which chips are known, and what is known of one."""

from flask import Response, request
from flask_smorest import Blueprint

from kbapi.access.gate import Need
from kbapi.advice.identify import IdentifySchema, identify
from kbapi.advice.known_chips import ChipListSchema, list_chips, show_chip
from kbapi.api.admission import needs
from kbapi.api.answers import dump, instance
from kbapi.api.documents import json_answer, problem_answers, query_parameters
from kbapi.api.headers import require_no_parameters

blueprint = Blueprint(
    "chips",
    __name__,
    url_prefix="/v1",
    description="Which chips are known, and which one a text names.",
)


@blueprint.route("/identify", methods=["GET"])
@blueprint.doc(
    parameters=query_parameters(IdentifySchema),
    responses={
        "200": json_answer("One chip, candidates, or none with a reason.", "IdentifyAnswer"),
        **problem_answers(_422="The question can't be answered: every problem at once."),
    },
)
@needs(blueprint, Need.READING)
def identify_chip() -> Response:
    """Identify the chip that a text names; an unsure name is never guessed.

    Send the text as the system prints it. Numbers such as family, model and PCI id decide between
    chips that share a name.
    """
    return dump(identify(request.args.to_dict(flat=False), instance().catalogue), 200)


@blueprint.route("/chips", methods=["GET"])
@blueprint.doc(
    parameters=query_parameters(ChipListSchema),
    responses={
        "200": json_answer("A page of chips.", "ChipPage"),
        **problem_answers(
            _422="The question can't be answered: every problem at once.",
            _503="The database can't be read now.",
        ),
    },
)
@needs(blueprint, Need.READING)
def browse_chips() -> Response:
    """Browse or search the known chips, page by page.

    Send `next_cursor` as `cursor` for the next page; it is null on the last one.
    """
    return dump(list_chips(instance(), request.args.to_dict(flat=False)), 200)


@blueprint.route("/chips/<chip>", methods=["GET"])
@blueprint.doc(
    responses={
        "200": json_answer("What is known of the chip.", "ChipDetail"),
        **problem_answers(
            _404="The text is not the name of exactly one chip; candidates, if any.",
            _422="This endpoint takes no parameters.",
            _503="The database can't be read now.",
        ),
    },
)
@needs(blueprint, Need.READING)
def describe_chip(chip: str) -> Response:
    """Describe a chip: its domains, controls, siblings and pools.

    A pool holds the results of a chip that may be counted together; its size is in units.
    """
    require_no_parameters()
    return dump(show_chip(instance(), chip), 200)
