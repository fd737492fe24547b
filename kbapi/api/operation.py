"""Health, metrics, and the web pages that may read this instance (CORS)."""

from collections import Counter
from collections.abc import Iterator
from pathlib import Path

from flask import Response, current_app
from flask_smorest import Blueprint

import kbapi
from kbapi.access.limits import Need
from kbapi.api.admission import needs
from kbapi.api.http_messages import (
    METHODS,
    NOT_KEPT,
    Endpoint,
    Health,
    Readiness,
    ServiceDescription,
    dump,
    instance,
    require_no_parameters,
    route_of,
)
from kbapi.api.openapi import json_answer, problem_answers
from kbapi.errors import KbapiError
from kbapi.instance.health import programs_alive
from kbapi.instance.instance import Instance
from kbapi.instance.write_gate import CONDITIONS, WRITE_STATES
from kbapi.metrics.counters import CONTENT_TYPE
from kbapi.metrics.folder import InstanceState, exposition_of_counts, exposition_of_state
from kbapi.storage.files import free_bytes, log_of, size_of
from kbapi.storage.review import count_waiting
from kbapi.storage.schema import head_revision
from kbapi.versions import ANSWERS_VERSION, RULES_VERSION

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

    At most every five seconds the check writes and reads a row of its own, as a result is written.
    The answer also reports conditions that the host must look at, and whether results wait for new
    screening (`kbapi db upgrade`). The check needs no access key and counts against no limit.
    """
    served = instance()
    served.require_current_schema()
    health = served.present_health()
    readiness = Readiness(
        status="ready",
        writes=health.writes,
        conditions=health.conditions,
        rescreening="due" if served.is_rescreening_due() else "done",
    )
    return dump(readiness, 200)


index_blueprint = Blueprint("index", __name__, url_prefix="/v1", description="What is served here.")


@index_blueprint.route("", methods=["GET"])
@index_blueprint.doc(
    responses={
        "200": json_answer("The operations of this instance.", "ServiceDescription"),
        **problem_answers(_422="This endpoint takes no parameters."),
    }
)
@needs(index_blueprint, Need.EXPLAINING)
def describe_service() -> Response:
    """Describe this service: version, who needs a key, and every operation.

    A script that knows only the address finds everything else from here.
    """
    require_no_parameters()
    return dump(
        ServiceDescription(
            service="kbapi",
            version=kbapi.__version__,
            join=current_app.extensions["kbapi_join"],
            openapi="/openapi.json",
            guides="/guides/",
            problems="/problems",
            endpoints=tuple(sorted(_endpoints(), key=lambda one: (one.path, one.method))),
        ),
        200,
    )


def _endpoints() -> Iterator[Endpoint]:
    for rule in current_app.url_map.iter_rules():
        if rule.rule.startswith("/v1"):
            summary = (current_app.view_functions[rule.endpoint].__doc__ or "").partition("\n")[0]
            for method in METHODS:
                if method in (rule.methods or ()):
                    yield Endpoint(method, route_of(rule.rule), summary)


def instance_state(instance: Instance) -> InstanceState:
    """The state of the instance now; None for what an unreadable database hides."""
    settings = instance.settings
    health = instance.present_health()
    database = settings.database_path
    return InstanceState(
        versions={
            "version": kbapi.__version__,
            "schema": head_revision(),
            "rules": str(RULES_VERSION),
            "answers": str(ANSWERS_VERSION),
        },
        writes={state: state == health.writes for state in WRITE_STATES},
        conditions={one: one in health.conditions for one in CONDITIONS},
        file_bytes={"database": size_of(database), "log": size_of(log_of(database))},
        free_bytes=_free_bytes(settings.home),
        waiting=_waiting(instance),
        is_rescreening_due=_is_rescreening_due(instance),
        hosts=_hosts(instance),
    )


def _hosts(instance: Instance) -> dict[tuple[str, ...], int] | None:
    try:
        alive = programs_alive(instance.settings, instance.catalogue)
    except KbapiError:
        return None
    found = Counter[tuple[str, ...]]()
    for one, number in alive.items():
        catalogue = "own" if one.catalogue == instance.catalogue.stamp else "other"
        found[one.version, one.schema, str(one.rules), catalogue] += number
    return found


def _free_bytes(home: Path) -> int | None:
    try:
        return free_bytes(home)
    except OSError:
        return None


def _waiting(instance: Instance) -> dict[str, int] | None:
    try:
        with instance.reading() as connection:
            return count_waiting(connection)
    except KbapiError:
        return None


def _is_rescreening_due(instance: Instance) -> bool | None:
    try:
        return instance.is_rescreening_due()
    except KbapiError:
        return None


metrics_blueprint = Blueprint("metrics", __name__, description="Counters for monitoring.")


@metrics_blueprint.route("/metrics", methods=["GET"])
@metrics_blueprint.doc(
    responses={
        "200": {
            "description": "Counters of all worker processes and the state of the instance, in "
            "the Prometheus text format.",
            "content": {"text/plain": {"schema": {"type": "string"}}},
        },
        **problem_answers(_422="This endpoint takes no parameters."),
    }
)
@needs(metrics_blueprint, Need.READING)
def read_metrics() -> Response:
    """Read the counters of requests, answers and writes, and the state of the instance.

    The text has the Prometheus format and sums over all worker processes. It has no name, no
    address and no token.
    """
    require_no_parameters()
    text = exposition_of_counts() + exposition_of_state(instance_state(instance()))
    return Response(text, 200, NOT_KEPT, content_type=CONTENT_TYPE)
