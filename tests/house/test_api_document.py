"""What a generator of clients needs of the OpenAPI document: names, descriptions, plain types."""

import json
import re
from collections import Counter
from collections.abc import Iterator
from typing import Any

import pytest
from flask import Flask
from marshmallow import Schema

from kbapi.api.answer_schemas import LEFT_OUT
from tests.house.write_openapi import generated

METHODS = ("get", "put", "post", "delete", "patch")


@pytest.fixture(scope="module")
def document() -> dict[str, Any]:
    return json.loads(json.dumps(generated()))


def operations(document: Any) -> Iterator[tuple[str, str, dict[str, Any]]]:
    for path, item in document["paths"].items():
        for method in METHODS:
            if method in item:
                yield method, path, item[method]


def schemas_in(value: Any, place: str) -> Iterator[tuple[str, dict[str, Any]]]:
    """Every schema within a part of the document, with its place; examples are none."""
    if isinstance(value, list):
        for number, one in enumerate(value):
            yield from schemas_in(one, f"{place}/{number}")
    elif isinstance(value, dict):
        # What holds properties maps names to schemas: a name can be that of a keyword.
        if {"type", "$ref", "anyOf"} & value.keys() and not place.endswith("/properties"):
            yield place, value
        for name, one in value.items():
            if name not in ("example", "examples") or place.endswith("/properties"):
                yield from schemas_in(one, f"{place}/{name}")


def every_schema(document: Any) -> list[tuple[str, dict[str, Any]]]:
    parts = {"paths": document["paths"], "schemas": document["components"]["schemas"]}
    found = list(schemas_in(parts, ""))
    assert len(found) > 500
    return found


def test_an_operation_is_named_as_the_function_that_answers_it(
    document: dict[str, Any], app: Flask
) -> None:
    functions = {}
    for rule in app.url_map.iter_rules():
        path = re.sub(r"<(?:[^>]*:)?(\w+)>", r"{\1}", rule.rule)
        for method in rule.methods or ():
            functions[method.lower(), path] = app.view_functions[rule.endpoint].__name__
    named = {(method, path): one["operationId"] for method, path, one in operations(document)}
    assert named == {key: functions[key] for key in named}
    assert "submit_result" in named.values()
    assert all(re.fullmatch(r"[a-z]+(_[a-z]+)+", name) for name in named.values())
    assert Counter(named.values()).most_common(1)[0][1] == 1


def test_an_operation_has_a_summary_a_description_and_a_tag_that_is_described(
    document: dict[str, Any],
) -> None:
    tags = {tag["name"]: tag["description"] for tag in document["tags"]}
    assert len(set(tags.values())) == len(tags)
    for method, path, operation in operations(document):
        assert operation["summary"].endswith("."), (method, path)
        assert operation["description"].endswith("."), (method, path)
        assert [tag in tags for tag in operation["tags"]] == [True], (method, path)


def test_a_schema_has_a_unique_name_without_spaces(document: dict[str, Any]) -> None:
    names = list(document["components"]["schemas"])
    assert [name for name in names if not re.fullmatch(r"([A-Z][a-z]+)+", name)] == []
    assert len({name.lower() for name in names}) == len(names)


def test_every_component_is_used(document: dict[str, Any]) -> None:
    text = json.dumps(document)
    for kind in ("schemas", "headers"):
        for name in document["components"][kind]:
            assert f'"#/components/{kind}/{name}"' in text, name
    asked = {way for _, _, one in operations(document) for way in map(str, one["security"])}
    for name in document["components"]["securitySchemes"]:
        assert f"{{'{name}': []}}" in asked


def test_no_schema_repeats_its_name_as_a_title(document: dict[str, Any]) -> None:
    assert [place for place, schema in every_schema(document) if "title" in schema] == []


def test_descriptions_are_text_without_line_breaks_within_a_paragraph(
    document: dict[str, Any],
) -> None:
    for place, schema in every_schema(document):
        description = schema.get("description", "-")
        assert description.strip() == description != "", place
        assert not re.search(r"[^\n]\n[^\n]|  ", description), place


def test_every_schema_that_has_a_name_is_described(document: dict[str, Any]) -> None:
    for name, schema in document["components"]["schemas"].items():
        assert schema.get("description"), name


def test_lists_of_allowed_values_contain_only_strings(document: dict[str, Any]) -> None:
    """Generators turn them into names; of numbers none can be made."""
    for place, schema in every_schema(document):
        values = schema.get("enum", ())
        assert all(value is None or isinstance(value, str) for value in values), place
        assert len(set(values)) == len(values), place


def test_a_repeated_list_of_values_has_one_name(document: dict[str, Any]) -> None:
    lists = Counter(
        frozenset(values)
        for _, schema in every_schema(document)
        if (values := schema.get("enum")) is not None
    )
    assert [sorted(values) for values, times in lists.items() if times > 1] == []
    assert document["components"]["schemas"]["Domain"]["enum"][0] == "core"


def test_no_query_accepts_null_or_an_empty_value(document: dict[str, Any]) -> None:
    for _, path, operation in operations(document):
        for one in operation.get("parameters", ()):
            if one["in"] == "query":
                schema = one["schema"]
                place = (path, one["name"])
                assert "null" not in json.dumps(schema), place
                assert not {"", None} & {*schema.get("enum", ())}, place


def test_the_items_of_a_list_are_described(document: dict[str, Any]) -> None:
    for place, schema in every_schema(document):
        if "array" in schema.get("type", ()):
            assert schema.get("items"), place


def test_every_parameter_is_described_and_has_an_example(document: dict[str, Any]) -> None:
    for path, item in document["paths"].items():
        for method, _, operation in operations({"paths": {path: item}}):
            for one in [*item.get("parameters", ()), *operation.get("parameters", ())]:
                place = (method, path, one["name"])
                assert one["description"].endswith("."), place
                shown = "example" in one or "example" in one["schema"]
                assert shown or "such as" in one["description"], place


def test_every_operation_documents_its_credentials(document: dict[str, Any]) -> None:
    asked = {one["operationId"]: one["security"] for _, _, one in operations(document)}
    assert asked["check_live"] == asked["check_ready"] == []
    assert asked["suggest_start"] == asked["submit_result"] == [{}, {"key": []}]
    assert asked["submit_decisions"] == [{"key": []}]
    for name in ("read_result", "withdraw_result", "submit_follow_up"):
        assert asked[name] == [{"receipt": []}]
    assert asked["withdraw_my_submissions"] == [{"contributor": []}]


def test_the_document_names_its_server_and_its_contact(
    document: dict[str, Any],
) -> None:
    assert [server["url"] for server in document["servers"]] == ["/"]
    assert document["info"]["contact"]["name"]
    assert document["info"]["license"]["identifier"] == "MIT"


@pytest.mark.parametrize("schema", LEFT_OUT)
def test_every_field_left_out_of_an_example_exists(schema: type[Schema]) -> None:
    assert LEFT_OUT[schema]
    for name in LEFT_OUT[schema]:
        within = schema()
        *outer, last = name.split(".")
        for part in outer:
            field = within.fields[part]
            within = getattr(field, "inner", field).schema
        assert last in within.fields, name
