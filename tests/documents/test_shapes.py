"""Every record of a document can be made of what its schema lets through."""

from collections.abc import Iterator
from dataclasses import MISSING, fields

import pytest

from kbapi.documents import follow_ups, measurements, results
from kbapi.documents.shapes import RecordSchema

MODULES = (follow_ups, measurements, results)


def schemas_below(parent: type[RecordSchema]) -> Iterator[type[RecordSchema]]:
    for schema in parent.__subclasses__():
        yield schema
        yield from schemas_below(schema)


SCHEMAS = sorted(schemas_below(RecordSchema), key=lambda schema: schema.__name__)


def test_every_module_of_schemas_has_some() -> None:
    assert {module.__name__ for module in MODULES} <= {schema.__module__ for schema in SCHEMAS}


@pytest.mark.parametrize("schema", SCHEMAS, ids=lambda schema: schema.__name__)
def test_what_a_document_may_leave_out_has_a_default(schema: type[RecordSchema]) -> None:
    required = {name for name, field in schema().fields.items() if field.required}
    without_default = {
        field.name
        for field in fields(schema.makes)
        if field.default is MISSING and field.default_factory is MISSING
    }
    assert without_default <= required
