"""The OpenAPI document: schemas, parameters, problem answers and closed lists."""

import ast
import inspect
from inspect import getdoc
from itertools import pairwise
from typing import Any, Final, Literal, get_args, get_origin

import orjson
from apispec import APISpec
from apispec.ext.marshmallow import MarshmallowPlugin
from marshmallow import Schema, fields, validate

from kbapi import vocabulary
from kbapi.advice.chips import ChipDetail, ChipPage
from kbapi.advice.diagnosis.answer import DiagnosisAnswer
from kbapi.advice.diagnosis.query import DiagnosisRequestSchema
from kbapi.advice.gains.answer import GainsAnswer
from kbapi.advice.identify import IdentifyAnswer
from kbapi.advice.locks.answer import LocksAnswer
from kbapi.advice.longevity.answer import LongevityAnswer
from kbapi.advice.next_step.answer import NextStepAnswer
from kbapi.advice.next_step.query import NextStepRequestSchema
from kbapi.advice.power.answer import PowerAnswer
from kbapi.advice.stability.answer import StabilityAnswer
from kbapi.advice.start.answer import StartAnswer
from kbapi.api.answer_schemas import (
    HEADERS,
    PROBLEM_CODES,
    answer_shapes,
    example_of,
    headers_of,
    one_line,
    references_of,
)
from kbapi.api.http_messages import (
    CorrectionResponse,
    Health,
    Readiness,
    ServiceDescription,
    SubmissionResponse,
)
from kbapi.api.problems import ProblemApi
from kbapi.curation.contributors import ContributorDetail
from kbapi.curation.decisions import DecisionsResponse, DecisionsSchema
from kbapi.curation.erasure import ErasureResponse
from kbapi.curation.item import ReviewItem
from kbapi.curation.queue import ReviewPage
from kbapi.curation.results import WholeSubmission
from kbapi.curation.submissions import SubmissionPage
from kbapi.documents.follow_ups import FollowUpSchema
from kbapi.documents.results import SubmissionSchema
from kbapi.intake.batch import BatchResponse
from kbapi.intake.follow_up import FollowUpResponse
from kbapi.intake.my_submissions import MySubmissions, SubmissionDetail, WithdrawnSubmissions
from kbapi.intake.responses import DryRunResponse

_LISTS: Final = {
    name: get_args(values)
    for name, values in vars(vocabulary).items()
    if get_origin(values) is Literal
}
_LISTS["ProblemCode"] = PROBLEM_CODES
_NAMES: Final = {frozenset(values): name for name, values in _LISTS.items()}


def _name_closed_lists(document: dict[str, Any]) -> None:
    """Put each list of the vocabulary that a document uses among its components, once, by name."""
    used: set[str] = set()
    for part in (document["paths"], document["components"]["schemas"]):
        _refer(part, used)
    described = _descriptions()
    for name in used:
        document["components"]["schemas"][name] = {
            "type": "string",
            "enum": list(_LISTS[name]),
            "description": described[name],
        }


def _refer(part: Any, used: set[str]) -> None:
    """Replace the lists in a part of a document by references, in place."""
    if isinstance(part, list):
        for one in part:
            _refer(one, used)
    elif isinstance(part, dict):
        values = part.get("enum", ())
        name = _NAMES.get(frozenset(values) - {None})
        if name is not None:
            used.add(name)
            del part["enum"], part["type"]
            reference = {"$ref": f"#/components/schemas/{name}"}
            part |= {"anyOf": [reference, {"type": "null"}]} if None in values else reference
        for one in part.values():
            _refer(one, used)


def _descriptions() -> dict[str, str]:
    """The docstrings below the lists of the vocabulary, and below that of problems."""
    body = ast.parse(inspect.getsource(vocabulary)).body
    described = {
        target.id: one_line(below.value.value)
        for values, below in pairwise(body)
        if isinstance(values, ast.Assign) and isinstance(below, ast.Expr)
        for target in values.targets
        if isinstance(target, ast.Name)
        if isinstance(below.value, ast.Constant) and isinstance(below.value.value, str)
    }
    described["ProblemCode"] = (
        "A fault of a document, a query or an item of a batch. The page `/problems/CODE` explains "
        "each."
    )
    return described


OPENAPI_VERSION: Final = "3.1.0"
REQUESTS: Final[dict[str, type[Schema]]] = {
    "Submission": SubmissionSchema,
    "FollowUp": FollowUpSchema,
    "Decisions": DecisionsSchema,
    "NextStepRequest": NextStepRequestSchema,
    "DiagnosisRequest": DiagnosisRequestSchema,
}
"""The shapes of request bodies, by their name in the document."""
_PATH_PARAMETERS: Final = {
    "chip": {
        "description": "The chip as the system prints it, or a catalogue key.",
        "example": "norvane-sable-7-4820mx",
    },
    "submission_id": {
        "description": "The id of a result.",
        "example": "01a21000-8800-736b-8fa7-7e16bf7f60fd",
    },
    "ordinal": {"description": "Position of the setting in the result, from 0.", "example": 0},
    "number": {"description": "The number of a contributor on this instance.", "example": 17},
}
# Registered by the framework for features that this API does not use.
_SHAPES_OF_THE_FRAMEWORK: Final = ("Error", "PaginationMetadata")
ANSWERS: Final = (
    SubmissionResponse,
    CorrectionResponse,
    SubmissionDetail,
    DryRunResponse,
    BatchResponse,
    FollowUpResponse,
    MySubmissions,
    WithdrawnSubmissions,
    StartAnswer,
    StabilityAnswer,
    LocksAnswer,
    NextStepAnswer,
    LongevityAnswer,
    DiagnosisAnswer,
    GainsAnswer,
    PowerAnswer,
    IdentifyAnswer,
    ChipPage,
    ChipDetail,
    ReviewPage,
    ReviewItem,
    DecisionsResponse,
    SubmissionPage,
    WholeSubmission,
    ContributorDetail,
    ErasureResponse,
    Health,
    Readiness,
    ServiceDescription,
)

DESCRIPTION: Final = (
    "A knowledge base of community voltage tuning (undervolting) results. Send which settings "
    "passed and failed on a chip, and ask where to start. Every answer gives its confidence and "
    "the number of units behind it. A number is no promise for one machine. Save your work, back "
    "up, and know how to boot without the setting before you try it. Maker's instructions, local "
    "rules and qualified people come first."
)


class ProblemItemSchema(Schema):
    """One fault of a document or of a query."""

    pointer = fields.String(
        required=True,
        metadata={
            "description": "JSON pointer into the document, or name of the query parameter.",
            "example": "/settings/0/stable_at",
        },
    )
    code = fields.String(
        required=True,
        validate=validate.OneOf(PROBLEM_CODES),
        metadata={
            "description": "Code of the fault. The page `/problems/CODE` explains it.",
            "example": "above_stock",
        },
    )
    detail = fields.String(
        required=True,
        metadata={
            "description": "What is wrong and how to correct it.",
            "example": "This setting is above stock. Did you mean -80?",
        },
    )
    candidates = fields.List(
        fields.String(),
        metadata={
            "description": "Catalogue keys to choose from; only where a name fits several chips.",
            "example": [],
        },
    )


class ProblemSchema(Schema):
    """A problem document (RFC 9457)."""

    type = fields.String(
        required=True,
        metadata={
            "description": "Path of the page that explains the problem; ends with its code.",
            "example": "/problems/document_refused",
        },
    )
    title = fields.String(
        required=True,
        metadata={
            "description": "Short name of the problem.",
            "example": "The document was refused",
        },
    )
    status = fields.Integer(
        required=True, metadata={"description": "HTTP status of the response.", "example": 422}
    )
    detail = fields.String(
        required=True,
        metadata={
            "description": "What went wrong and what to do.",
            "example": "At least one value is not possible.",
        },
    )
    request_id = fields.String(
        required=True,
        metadata={
            "description": "Id of the request, also in the log of the server.",
            "example": "8f14e45fceea467f9d7f5a3b2c1d0e9f",
        },
    )
    errors = fields.List(
        fields.Nested(ProblemItemSchema),
        metadata={"description": "Every fault of the document or the query, where there are any."},
    )


def problem_answers(**by_status: str) -> dict[str, Any]:
    """The documented problem answers of an operation: `problem_answers(_422="why")`."""
    return {
        status.removeprefix("_"): _answer(description, "application/problem+json", "Problem")
        for status, description in by_status.items()
    }


def json_answer(description: str, component: str, *headers: str) -> dict[str, Any]:
    """A documented JSON answer with the shape of a component, and further header fields."""
    answer = _answer(description, "application/json", component)
    return {**answer, "headers": references_of(headers)} if headers else answer


def _answer(description: str, media_type: str, component: str) -> dict[str, Any]:
    schema = {"$ref": f"#/components/schemas/{component}"}
    return {"description": description, "content": {media_type: {"schema": schema}}}


def query_parameters(schema: type[Schema]) -> list[dict[str, Any]]:
    """The query parameters of an operation, from the schema that reads them."""
    plugin = MarshmallowPlugin()
    APISpec("", "", OPENAPI_VERSION, plugins=[plugin])
    if plugin.converter is None:
        raise TypeError("the plugin has no converter before it is given to a document")
    parameters: list[dict[str, Any]] = plugin.converter.schema2parameters(
        schema(), location="query"
    )
    return parameters


def openapi_document(api: ProblemApi) -> dict[str, Any]:
    """The whole OpenAPI document of this code: operations, request and answer shapes."""
    if "Problem" not in api.spec.components.schemas:
        api.describe()
        for name, schema in REQUESTS.items():
            api.spec.components.schema(name, schema=schema)
        api.spec.components.schema("Problem", schema=ProblemSchema)
        for name, shape in answer_shapes(ANSWERS).items():
            api.spec.components.schema(name, component=shape)
        for name, header in HEADERS.items():
            api.spec.components.header(name, header)
    document: dict[str, Any] = api.spec.to_dict()
    for path, item in document["paths"].items():
        for parameter in item.get("parameters", ()):
            parameter |= _PATH_PARAMETERS[parameter["name"]]
        for operation in (item[method] for method in item if method != "parameters"):
            _complete(operation, path)
    _describe_requests(api, document["components"]["schemas"])
    _name_closed_lists(document)
    for unused in _SHAPES_OF_THE_FRAMEWORK:
        document["components"]["schemas"].pop(unused, None)
    document["components"].pop("responses", None)
    return document


def _complete(operation: dict[str, Any], path: str) -> None:
    """Add what follows from the rest of an operation: problems, headers, examples."""
    operation["description"] = one_line(operation["description"])
    operation["responses"] = _of_every_request(path, operation) | operation["responses"]
    for status, response in operation["responses"].items():
        further = response.get("headers", {})
        response["headers"] = headers_of(status, operation["responses"]) | further
    for media_type, content in operation.get("requestBody", {}).get("content", {}).items():
        content["example"] = _example_of(media_type, content["schema"])


def _example_of(media_type: str, schema: dict[str, Any]) -> Any:
    if media_type == "application/x-ndjson":
        return "".join(orjson.dumps(one).decode() + "\n" for one in _two_results())
    if "items" in schema:
        return _two_results()
    return example_of(REQUESTS[schema["$ref"].rpartition("/")[2]])


def _two_results() -> list[dict[str, Any]]:
    """Results of two units of one contributor."""
    first = example_of(SubmissionSchema)
    return [first, {**first, "unit_token": f"{first['unit_token']}-b"}]


def _describe_requests(api: ProblemApi, shapes: dict[str, Any]) -> None:
    """Add the docstrings of the schemas of requests."""
    for key, name in api.ma_plugin.converter.refs.items():
        if name in shapes:
            shapes[name]["description"] = one_line(getdoc(key[0]) or "")


def _of_every_request(path: str, operation: dict[str, Any]) -> dict[str, Any]:
    """Problems that are found before an operation: of heads, addresses and slow bodies."""
    problems = {"_431": "The header fields are too large."}
    if "{" in path:
        problems["_404"] = "No page or endpoint has this path."
    if "{" in path or any(one.get("in") == "query" for one in operation.get("parameters", ())):
        problems["_414"] = "Path and query are too long."
    if "requestBody" in operation:
        problems["_408"] = "The body did not arrive completely in time; nothing was stored."
    return problem_answers(**problems)
