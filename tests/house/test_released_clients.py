"""No request may need more, and no answer contain less, than in the last release."""

import json
from collections.abc import Callable
from copy import deepcopy
from typing import Any

import pytest

from tests.house.breaking_changes import RELEASED, breaking_changes, each_break
from tests.house.write_openapi import COMMITTED

_BODY = {
    "type": "object",
    "additionalProperties": False,
    "required": ["chip"],
    "properties": {
        "chip": {"type": "string", "minLength": 1, "maxLength": 400},
        "control": {"type": ["string", "null"], "enum": ["offset", "count", None]},
        "minutes": {"type": "number", "minimum": 0, "maximum": 100},
        "settings": {"type": "array", "maxItems": 9, "items": {"$ref": "#/components/schemas/Set"}},
        "effect": {"anyOf": [{"$ref": "#/components/schemas/Set"}, {"type": "null"}]},
    },
}
_ANSWER = {
    "type": "object",
    "required": ["id", "start"],
    "properties": {
        "id": {"type": "string"},
        "start": {"anyOf": [{"$ref": "#/components/schemas/Set"}, {"type": "null"}]},
        "decision": {"type": "string", "enum": ["a", "b"]},
        "units": {"type": "integer"},
    },
}
_SET = {
    "type": "object",
    "required": ["value"],
    "properties": {
        "value": {"type": "number"},
        "within": {"$ref": "#/components/schemas/Set"},
        "word": {"anyOf": [{"$ref": "#/components/schemas/Word"}, {"type": "null"}]},
    },
}
DOCUMENT: dict[str, Any] = {
    "paths": {
        "/results/{id}": {
            "parameters": [{"in": "path", "name": "id", "required": True, "schema": {}}],
            "get": {
                "parameters": [
                    {"in": "query", "name": "limit", "schema": {"type": "integer", "maximum": 50}},
                    {"in": "query", "name": "word", "schema": {"type": "string"}},
                ],
                "responses": {
                    "200": {"content": {"application/json": {"schema": _ANSWER}}},
                    "404": {"content": {"application/problem+json": {"schema": _SET}}},
                },
            },
            "delete": {"responses": {"204": {}}, "security": [{"receipt": []}]},
        },
        "/results": {
            "post": {
                "security": [{}, {"key": []}],
                "requestBody": {
                    "content": {
                        "application/json": {"schema": _BODY},
                        "application/x-ndjson": {"schema": {"type": "string"}},
                    }
                },
                "responses": {"201": {"content": {"application/json": {"schema": _ANSWER}}}},
            }
        },
    },
    "components": {"schemas": {"Set": _SET, "Word": {"type": "string", "enum": ["a", "b"]}}},
}


def the_get(document: Any) -> Any:
    return document["paths"]["/results/{id}"]["get"]


def the_post(document: Any) -> Any:
    return document["paths"]["/results"]["post"]


def body(document: Any) -> Any:
    return the_post(document)["requestBody"]["content"]["application/json"]["schema"]


def answer_of(document: Any) -> Any:
    return the_get(document)["responses"]["200"]["content"]["application/json"]["schema"]


def a_set(document: Any) -> Any:
    return document["components"]["schemas"]["Set"]


def field_of(shape: Any, name: str) -> Any:
    return shape["properties"][name]


BREAKING: dict[str, tuple[Callable[[Any], Any], str]] = {
    "a path": (lambda d: d["paths"].pop("/results"), "/results is gone"),
    "an operation": (
        lambda d: d["paths"]["/results/{id}"].pop("delete"),
        "DELETE /results/{id} is gone",
    ),
    "a parameter": (
        lambda d: the_get(d)["parameters"].pop(0),
        "GET /results/{id} query parameter limit is gone",
    ),
    "a parameter that is required": (
        lambda d: the_get(d)["parameters"][1].update(required=True),
        "GET /results/{id} query parameter word is required now",
    ),
    "a new parameter that is required": (
        lambda d: the_get(d)["parameters"].append(
            {"in": "header", "name": "X", "required": True, "schema": {}}
        ),
        "GET /results/{id} header parameter X is new and required",
    ),
    "a bound of a parameter": (
        lambda d: the_get(d)["parameters"][0]["schema"].update(maximum=20),
        "GET /results/{id} query parameter limit maximum is 20 now",
    ),
    "a list for a parameter": (
        lambda d: the_get(d)["parameters"][1]["schema"].update(enum=["a"]),
        "GET /results/{id} query parameter word must be one of a list now",
    ),
    "a way in": (
        lambda d: the_post(d)["security"].pop(0),
        "POST /results no longer lets in with nothing",
    ),
    "a body that is required": (
        lambda d: the_post(d)["requestBody"].update(required=True),
        "POST /results body is required now",
    ),
    "a media type of requests": (
        lambda d: the_post(d)["requestBody"]["content"].pop("application/x-ndjson"),
        "POST /results body is no longer taken as application/x-ndjson",
    ),
    "a field that is required": (
        lambda d: body(d)["required"].append("minutes"),
        "POST /results body /minutes is required now",
    ),
    "a field of requests": (
        lambda d: body(d)["properties"].pop("minutes"),
        "POST /results body /minutes is no longer taken",
    ),
    "a word of requests": (
        lambda d: field_of(body(d), "control")["enum"].remove("count"),
        "POST /results body /control 'count' is no longer taken",
    ),
    "null in requests": (
        lambda d: field_of(body(d), "control").update(type="string"),
        "POST /results body /control null is no longer taken",
    ),
    "null among choices": (
        lambda d: field_of(body(d), "effect")["anyOf"].pop(1),
        "POST /results body /effect null is no longer taken",
    ),
    "whole numbers only": (
        lambda d: field_of(body(d), "minutes").update(type="integer"),
        "POST /results body /minutes number is no longer taken",
    ),
    "a least bound": (
        lambda d: field_of(body(d), "minutes").update(minimum=1),
        "POST /results body /minutes minimum is 1 now",
    ),
    "a new bound": (
        lambda d: a_set(d)["properties"]["value"].update(exclusiveMaximum=1),
        "POST /results body /settings /* /value exclusiveMaximum is 1 now",
    ),
    "fewer items": (
        lambda d: field_of(body(d), "settings").update(maxItems=8),
        "POST /results body /settings maxItems is 8 now",
    ),
    "a shorter text": (
        lambda d: field_of(body(d), "chip").update(maxLength=80),
        "POST /results body /chip maxLength is 80 now",
    ),
    "a pattern": (
        lambda d: field_of(body(d), "chip").update(pattern="^a"),
        "POST /results body /chip pattern is '^a' now",
    ),
    "an answer": (
        lambda d: the_get(d)["responses"].update({"202": the_get(d)["responses"].pop("200")}),
        "GET /results/{id} answer 200 is gone",
    ),
    "a media type of answers": (
        lambda d: the_get(d)["responses"]["200"].update(content={"text/csv": {"schema": {}}}),
        "GET /results/{id} answer 200 is no longer answered as application/json",
    ),
    "a field of answers": (
        lambda d: answer_of(d)["properties"].pop("units"),
        "GET /results/{id} answer 200 /units is gone",
    ),
    "a promise of answers": (
        lambda d: answer_of(d)["required"].remove("id"),
        "GET /results/{id} answer 200 /id is no longer promised",
    ),
    "another type of answers": (
        lambda d: field_of(answer_of(d), "units").update(type="number"),
        "GET /results/{id} answer 200 /units may be number now",
    ),
    "null in answers": (
        lambda d: field_of(answer_of(d), "id").update(type=["string", "null"]),
        "GET /results/{id} answer 200 /id may be null now",
    ),
    "a word of answers": (
        lambda d: field_of(answer_of(d), "decision")["enum"].append("c"),
        "GET /results/{id} answer 200 /decision may be 'c' now",
    ),
    "two words of a list with a name": (
        lambda d: d["components"]["schemas"]["Word"]["enum"].extend(["c", "d"]),
        "GET /results/{id} answer 200 /start /word may be 'c', 'd' now",
    ),
    "any word in answers": (
        lambda d: field_of(answer_of(d), "decision").pop("enum"),
        "GET /results/{id} answer 200 /decision may be a word outside of its list now",
    ),
    "a field deep inside": (
        lambda d: a_set(d)["properties"].pop("value"),
        "GET /results/{id} answer 200 /start /value is gone",
    ),
}

ADDING: dict[str, Callable[[Any], Any]] = {
    "nothing": lambda d: None,
    "a path": lambda d: d["paths"].update({"/new": {"get": {"responses": {}}}}),
    "an operation": lambda d: d["paths"]["/results"].update(get={"responses": {}}),
    "a parameter": lambda d: the_get(d)["parameters"].append(
        {"in": "query", "name": "x", "schema": {"type": "string", "maxLength": 3}}
    ),
    "a wider bound": lambda d: field_of(body(d), "minutes").update(maximum=200, minimum=-1),
    "no bound": lambda d: field_of(body(d), "chip").pop("maxLength"),
    "a word of requests": lambda d: field_of(body(d), "control")["enum"].append("step"),
    "null in requests": lambda d: field_of(body(d), "chip").update(type=["string", "null"]),
    "a choice of requests": lambda d: field_of(body(d), "effect")["anyOf"].append(
        {"type": "string"}
    ),
    "a field of requests": lambda d: body(d)["properties"].update(more={"type": "string"}),
    "a field that need not be": lambda d: body(d)["required"].remove("chip"),
    "a media type": lambda d: the_post(d)["requestBody"]["content"].update(
        {"text/csv": {"schema": {"type": "string"}}}
    ),
    "a field of answers": lambda d: answer_of(d)["properties"].update(more={"type": "string"}),
    "a promise of answers": lambda d: answer_of(d)["required"].append("units"),
    "fewer words in answers": lambda d: field_of(answer_of(d), "decision")["enum"].remove("b"),
    "a list of words in answers": lambda d: field_of(answer_of(d), "id").update(enum=["x"]),
    "a problem": lambda d: the_get(d)["responses"].update({"410": {}}),
    "no problem": lambda d: the_get(d)["responses"].pop("404"),
    "a way in": lambda d: d["paths"]["/results/{id}"]["delete"]["security"].append({"key": []}),
    "never null in answers": lambda d: field_of(answer_of(d), "start")["anyOf"].pop(1),
}


@pytest.mark.parametrize("kind", BREAKING)
def test_each_kind_of_break_is_found_and_described(kind: str) -> None:
    change, said = BREAKING[kind]
    changed = deepcopy(DOCUMENT)
    change(changed)
    assert said in breaking_changes(DOCUMENT, changed)


@pytest.mark.parametrize("kind", ADDING)
def test_additions_are_no_break(kind: str) -> None:
    changed = deepcopy(DOCUMENT)
    ADDING[kind](changed)
    assert breaking_changes(DOCUMENT, changed) == []


def test_the_released_document_is_compared_as_a_whole() -> None:
    released = json.loads(RELEASED.read_text())
    assert breaking_changes(released, released) == []
    for name, shape in released["components"]["schemas"].items():
        if not shape.get("properties"):
            continue
        changed = {**shape, "properties": {}, "additionalProperties": False}
        schemas = {**released["components"]["schemas"], name: changed}
        without = {**released, "components": {"schemas": schemas}}
        assert next(each_break(released, without), None), name


def test_nothing_that_a_released_client_needs_is_missing() -> None:
    breaks = breaking_changes(json.loads(RELEASED.read_text()), json.loads(COMMITTED.read_text()))
    assert breaks == [], "a client of the last release would break: see the recipe A release"
