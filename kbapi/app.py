"""The WSGI application: an instance with its endpoints and pages."""

from typing import Final

from flask import Flask
from werkzeug.middleware.proxy_fix import ProxyFix

import kbapi

# These add their pages to the blueprint of forms.
import kbapi.pages.my_submissions
import kbapi.pages.search
from kbapi.access.limits import body_memory_mib, memory_limit
from kbapi.api import chips, operation, questions, review, submissions
from kbapi.api.admission import admit_requests
from kbapi.api.http_messages import allow_origins, follow_requests, limit_bodies
from kbapi.api.openapi import DESCRIPTION, OPENAPI_VERSION
from kbapi.api.problems import ProblemApi
from kbapi.instance.instance import Instance
from kbapi.pages import chips as chip_pages
from kbapi.pages import forms, views
from kbapi.pages.pictures import views as picture_views

_BLUEPRINTS: Final = (
    submissions.blueprint,
    submissions.my_submissions_blueprint,
    questions.blueprint,
    questions.next_step_blueprint,
    questions.diagnosis_blueprint,
    chips.blueprint,
    review.blueprint,
    review.submissions_blueprint,
    review.contributors_blueprint,
    operation.index_blueprint,
    operation.blueprint,
    operation.metrics_blueprint,
)

_USUAL_WORKERS: Final = 2
"""The workers that share the memory for bodies, where `kbapi serve` does not say how many."""


def _api_spec_options() -> dict[str, object]:
    return {
        "info": {
            "description": DESCRIPTION,
            "contact": {"name": "The host of this instance"},
            "license": {"name": "MIT", "identifier": "MIT"},
        },
        "servers": [{"url": "/", "description": "This instance."}],
        "components": {
            "securitySchemes": {
                "receipt": {
                    "type": "http",
                    "scheme": "bearer",
                    "description": "The receipt of a submission, kbr_...",
                },
                "key": {
                    "type": "http",
                    "scheme": "bearer",
                    "description": "An access key that the host gave you, kbk_...",
                },
                "contributor": {
                    "type": "apiKey",
                    "in": "header",
                    "name": "Kbapi-Contributor",
                    "description": "The contributor token of the results.",
                },
            }
        },
    }


def _add_pages(app: Flask) -> None:
    for blueprint in (
        views.blueprint,
        chip_pages.blueprint,
        forms.blueprint,
        picture_views.blueprint,
    ):
        app.register_blueprint(blueprint)


def create_app(instance: Instance, *, is_guarded: bool = True) -> Flask:
    """The WSGI application that serves this instance; opens no connection yet.

    With `is_guarded` false it requires no key to read or send, and counts no requests: for commands
    on the folder.

    Raises
    ------
    LookupError
        When an endpoint does not declare what it needs.
    UnsafeSetup
        When the library for the rate storage is not installed.
    """
    app = Flask("kbapi", static_folder=None)
    app.config.update(
        API_TITLE="kbapi",
        API_VERSION=kbapi.__version__,
        OPENAPI_VERSION=OPENAPI_VERSION,
        API_SPEC_OPTIONS=_api_spec_options(),
        MAX_CONTENT_LENGTH=instance.settings.max_body_bytes,
    )
    app.url_map.strict_slashes = True
    # A path with doubled slashes is not found: a redirect would repeat the Host that was sent.
    # Doubled slashes at the beginning match no rule and are refused when a request begins.
    app.url_map.merge_slashes = False
    app.extensions["kbapi"] = instance
    follow_requests(app)
    api = ProblemApi(app)
    for blueprint in _BLUEPRINTS:
        api.register_blueprint(blueprint)
    app.extensions["kbapi_document"] = api
    _add_pages(app)
    admit_requests(app, is_guarded=is_guarded)
    limit_bodies(app, body_memory_mib(instance.settings, _USUAL_WORKERS, memory_limit()) << 20)
    if origins := instance.settings.allowed_origins:
        allow_origins(app, origins)
    if proxies := instance.settings.trusted_proxies:
        app.wsgi_app = ProxyFix(app.wsgi_app, x_for=proxies, x_proto=proxies)  # type: ignore[method-assign]
    return app
