"""Whether the process lives and whether it can serve, for whoever starts and watches it."""

from flask import Response
from flask_smorest import Blueprint

from kbapi.access.gate import Need
from kbapi.api.admission import needs
from kbapi.api.answers import Health, Readiness, dump, instance
from kbapi.api.documents import json_answer, problem_answers
from kbapi.storage.migrations import require_current_schema

blueprint = Blueprint(
    "health", __name__, url_prefix="/health", description="Whether the service runs and is ready."
)


@blueprint.route("/live", methods=["GET"])
@blueprint.doc(responses={"200": json_answer("The process runs.", "Health")})
@needs(blueprint, Need.WATCHING)
def check_live() -> Response:
    """Check that the process runs.

    The check does not use the database. It needs no access key and counts against no limit.
    """
    return dump(Health("live"), 200)


@blueprint.route("/ready", methods=["GET"])
@blueprint.doc(
    responses={
        "200": json_answer("The database can be read and its schema is right.", "Readiness"),
        **problem_answers(_503="The database cannot be read, or its schema is wrong."),
    }
)
@needs(blueprint, Need.WATCHING)
def check_ready() -> Response:
    """Check whether questions can be answered, and whether results can be stored now.

    The answer also reports whether results wait for new screening (`kbapi db upgrade`). The check
    needs no access key and counts against no limit.
    """
    served = instance()
    require_current_schema(served.settings.database_path)
    closed = served.gate.why_closed()
    told = Readiness(
        status="ready",
        writes=closed.code if closed else "accepted",
        rescreening="due" if served.rules.has_older() else "done",
    )
    return dump(told, 200)
