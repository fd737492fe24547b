"""What a WSGI server loads in each worker: the application of the instance in KBAPI_HOME."""

import atexit

from flask import Flask

from kbapi.app import create_app
from kbapi.instance.instance import open_instance
from kbapi.logs import log_as_json
from kbapi.metrics.folder import begin_counting
from kbapi.settings import Settings


def application() -> Flask:
    """The application, checked for schema and secret before the first request."""
    settings = Settings()
    log_as_json(settings.log_level)
    instance = open_instance(settings)
    # The last worker to end leaves one file: what it does not close stays in the log beside it.
    atexit.register(instance.close)
    begin_counting()  # only now: a process that cannot open it serves nobody
    return create_app(instance)
