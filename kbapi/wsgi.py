"""The entry point of WSGI servers: the application of the instance in KBAPI_HOME."""

import atexit

from flask import Flask

from kbapi.app import create_app
from kbapi.instance.instance import open_instance
from kbapi.logs import log_as_json
from kbapi.metrics.folder import begin_counting
from kbapi.settings import Settings


def application(settings: Settings | None = None) -> Flask:
    """The application, with schema and secret checked before the first request.

    Without settings it reads them from the environment, as other WSGI servers need.
    """
    settings = settings or Settings()
    log_as_json(settings.log_level)
    instance = open_instance(settings)
    # The last worker that closes its connections folds the log into the database file.
    atexit.register(instance.close)
    instance.begin_serving()
    begin_counting()  # after the instance is open: a process without it serves no requests
    return create_app(instance)
