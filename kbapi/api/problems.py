"""Errors as problem+json (RFC 9457), each class with its status; no other file does this."""

import logging
from typing import Any, Final

import orjson
from flask import Flask, Response, g
from flask_smorest import Api, Blueprint
from werkzeug.exceptions import ClientDisconnected, HTTPException
from werkzeug.wrappers import Response as BaseResponse

from kbapi import errors
from kbapi.errors import KbapiError, Problem

log = logging.getLogger(__name__)

PROBLEM_TYPE: Final = "application/problem+json"

STATUS_OF: Final[dict[type[KbapiError], int]] = {
    errors.JsonUnreadable: 400,
    errors.IdempotencyKeyUnreadable: 400,
    errors.ReceiptMissing: 401,
    errors.ContributorMissing: 401,
    errors.AccessKeyMissing: 401,
    errors.ReceiptWrong: 403,
    errors.AccessKeyWrong: 403,
    errors.ScopeMissing: 403,
    errors.FormRefused: 403,
    errors.FormOutdated: 403,
    errors.PageMissing: 404,
    errors.PictureEmpty: 404,
    errors.ChipUnknown: 404,
    errors.SettingUnknown: 404,
    errors.ResultUnknown: 404,
    errors.MethodWrong: 405,
    errors.BodyTooSlow: 408,
    errors.SubmissionGone: 410,
    errors.BodyTooLarge: 413,
    errors.AddressTooLong: 414,
    errors.MediaTypeWrong: 415,
    errors.DocumentRefused: 422,
    errors.QueryInvalid: 422,
    errors.NoteRefused: 422,
    errors.KeyRefused: 422,
    errors.IdempotencyKeyReused: 422,
    errors.TooCostly: 422,
    errors.RequestUnreadable: 400,
    errors.RateExceeded: 429,
    errors.CpuTimeExceeded: 429,
    errors.HeadTooLarge: 431,
    errors.Unexpected: 500,
    errors.Overloaded: 503,
    errors.StorageBroken: 503,
    errors.StorageUnreachable: 503,
    errors.StorageBusy: 503,
    errors.StorageUnwritable: 503,
    errors.StorageDamaged: 503,
    errors.StorageFull: 503,
    errors.DiskError: 503,
    errors.InstanceReadOnly: 503,
    errors.InstanceInUse: 503,
    errors.SchemaMismatch: 503,
    errors.UnsafeSetup: 503,
    errors.CatalogueError: 503,
    errors.ServerUnreachable: 502,
}

RETRY_AFTER_S: Final[dict[type[KbapiError], int]] = {
    errors.Overloaded: 2,
    errors.StorageUnreachable: 5,
    errors.StorageBusy: 2,
    errors.StorageUnwritable: 60,
    errors.StorageFull: 60,
    errors.DiskError: 60,
    errors.InstanceReadOnly: 300,
    errors.InstanceInUse: 10,
}
_BEARER_WANTED: Final[dict[type[KbapiError], str]] = {
    errors.ReceiptMissing: 'Bearer realm="kbapi"',
    errors.AccessKeyMissing: 'Bearer realm="kbapi"',
    errors.ContributorMissing: 'Kbapi-Contributor realm="kbapi"',
}

# Our errors for those of the web framework and the rate limiter.
_OF_FRAMEWORK: Final[dict[int, type[KbapiError]]] = {
    404: errors.PageMissing,
    405: errors.MethodWrong,
    413: errors.BodyTooLarge,
    415: errors.MediaTypeWrong,
    429: errors.RateExceeded,
}


class ProblemApi(Api):
    """The API, with a problem document for each error of ours and of the framework."""

    # Each operation documents its own problems; a catch-all would hide a missing one.
    DEFAULT_ERROR_RESPONSE_NAME = None

    def register_blueprint(self, blp: Blueprint, **options: Any) -> None:
        """Serve a blueprint; only `describe` makes its part of the API document, a slow step."""
        self._app.extensions["flask-smorest"]["blp_name_to_api"][blp.name] = self
        self._app.register_blueprint(blp, **options)

    def describe(self) -> None:
        """Describe all served operations: no request reads the description."""
        for blueprint in self._app.blueprints.values():
            if isinstance(blueprint, Blueprint):
                blueprint.register_views_in_doc(
                    self, self._app, self.spec, name=blueprint.name, parameters=None
                )
                self.spec.tag({"name": blueprint.name, "description": blueprint.description})

    def _register_error_handlers(self) -> None:
        app: Flask = self._app
        app.register_error_handler(KbapiError, problem_response)
        app.register_error_handler(HTTPException, self.handle_http_exception)
        app.register_error_handler(Exception, _unexpected_response)

    def handle_http_exception(self, error: HTTPException) -> BaseResponse:
        """The answer to a request that the framework refuses."""
        if error.code is None or error.code < 400:
            return error.get_response()  # a redirect is not an error
        kind = _OF_FRAMEWORK.get(error.code)
        if isinstance(error, ClientDisconnected):
            kind = errors.BodyTooSlow
        if kind is None:
            kind = errors.RequestUnreadable if error.code < 500 else errors.Unexpected
        response = problem_response(kind())
        for name in ("Allow", "Retry-After"):
            value = dict(error.get_headers()).get(name)
            if value is not None:
                response.headers[name] = value
        return response


def problem_document(error: KbapiError, request_id: str) -> bytes:
    """The problem document of an error, as JSON."""
    body: dict[str, Any] = {
        "type": f"/problems/{error.code}",
        "title": error.title,
        "status": STATUS_OF[type(error)],
        "detail": error.detail,
        "request_id": request_id,
    }
    if error.problems:
        body["errors"] = [_item(problem) for problem in error.problems]
    return orjson.dumps(body)


def problem_response(error: KbapiError) -> Response:
    """The response with the problem document of an error and the request's id."""
    status = STATUS_OF[type(error)]
    body = problem_document(error, g.get("request_id", ""))
    response = Response(body, status, mimetype=PROBLEM_TYPE)
    response.headers["Cache-Control"] = "no-store"
    if (seconds := RETRY_AFTER_S.get(type(error))) is not None:
        response.headers["Retry-After"] = str(seconds)
    if (challenge := _BEARER_WANTED.get(type(error))) is not None:
        response.headers["WWW-Authenticate"] = challenge
    g.problem_code = error.code
    return response


def _item(problem: Problem) -> dict[str, Any]:
    item: dict[str, Any] = {
        "pointer": problem.pointer,
        "code": problem.code,
        "detail": problem.detail,
    }
    if problem.candidates:
        item["candidates"] = list(problem.candidates)
    return item


def _unexpected_response(error: Exception) -> Response:
    # The message of an unknown error can contain a token: only its class and place are logged.
    frame = error.__traceback__
    while frame is not None and frame.tb_next is not None:
        frame = frame.tb_next
    place = "" if frame is None else f"{frame.tb_frame.f_code.co_filename}:{frame.tb_lineno}"
    log.error("unexpected", extra={"error": type(error).__name__, "place": place})
    return problem_response(errors.Unexpected())
