"""Counters and state of the running service, for whoever watches it."""

from flask import Response
from flask_smorest import Blueprint

from kbapi.access.gate import Need
from kbapi.api.admission import needs
from kbapi.api.answers import NOT_KEPT, instance
from kbapi.api.documents import problem_answers
from kbapi.api.headers import require_no_parameters
from kbapi.metrics.counters import CONTENT_TYPE
from kbapi.metrics.folder import tell_counts
from kbapi.metrics.state import tell_state
from kbapi.storage.watching import look_at

blueprint = Blueprint("metrics", __name__, description="Counters for monitoring.")


@blueprint.route("/metrics", methods=["GET"])
@blueprint.doc(
    responses={
        "200": {
            "description": "Counters of all worker processes and the state of the instance, in "
            "the Prometheus text format.",
            "content": {"text/plain": {"schema": {"type": "string"}}},
        },
        **problem_answers(_422="This endpoint takes no parameters."),
    }
)
@needs(blueprint, Need.READING)
def read_metrics() -> Response:
    """Read the counters of requests, answers and writes, and the state of the instance.

    The text has the Prometheus format and sums over all worker processes. It has no name, no
    address and no token.
    """
    require_no_parameters()
    told = tell_counts() + tell_state(look_at(instance()))
    return Response(told, 200, NOT_KEPT, content_type=CONTENT_TYPE)
