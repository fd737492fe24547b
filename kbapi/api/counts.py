"""Counters of the running service, for whoever watches it."""

from flask import Response
from flask_smorest import Blueprint

from kbapi.access.gate import Need
from kbapi.api.admission import needs
from kbapi.metrics import CONTENT_TYPE, tell_counts

blueprint = Blueprint("counts", __name__, description="Operation.")


@blueprint.route("/metrics", methods=["GET"])
@blueprint.doc(
    responses={
        "200": {
            "description": "Counters of all worker processes in the Prometheus text format.",
            "content": {"text/plain": {"schema": {"type": "string"}}},
        }
    }
)
@needs(blueprint, Need.READING)
def tell_metrics() -> Response:
    """Tell how many documents came in and how often each rule applied; names nobody."""
    return Response(tell_counts(), 200, content_type=CONTENT_TYPE)
