"""Counters of the running service, for whoever watches it."""

from flask import Response
from flask_smorest import Blueprint

from kbapi.access.gate import Need
from kbapi.api.admission import needs
from kbapi.api.documents import problem_answers
from kbapi.api.headers import require_no_parameters
from kbapi.metrics import CONTENT_TYPE, tell_counts

blueprint = Blueprint("counts", __name__, description="Operation.")


@blueprint.route("/metrics", methods=["GET"])
@blueprint.doc(
    responses={
        "200": {
            "description": "Counters of all worker processes in the Prometheus text format.",
            "content": {"text/plain": {"schema": {"type": "string"}}},
        },
        **problem_answers(_422="This endpoint takes no parameters."),
    }
)
@needs(blueprint, Need.READING)
def tell_metrics() -> Response:
    """Tell how many documents came in and how often each rule applied; names nobody."""
    require_no_parameters()
    return Response(tell_counts(), 200, content_type=CONTENT_TYPE)
