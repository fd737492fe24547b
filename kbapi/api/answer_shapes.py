"""JSON Schemas of the frozen answers, made from their classes: types, names and docstrings."""

import ast
import inspect
import re
import sys
from functools import cache
from itertools import pairwise
from typing import Any, Literal

from pydantic import TypeAdapter
from pydantic.json_schema import GenerateJsonSchema, JsonSchemaValue
from pydantic_core import core_schema


def answer_shapes(answers: tuple[type, ...]) -> dict[str, Any]:
    """The shapes of these answers and of all their parts, by the name of their class."""
    adapters: list[tuple[str, Literal["serialization"], TypeAdapter[Any]]] = [
        (answer.__name__, "serialization", TypeAdapter(answer)) for answer in answers
    ]
    _, shapes = TypeAdapter.json_schemas(
        adapters, ref_template="#/components/schemas/{model}", schema_generator=_Shapes
    )
    parts: dict[str, Any] = shapes["$defs"]
    for part in parts.values():
        part.pop("title", None)
    return parts


class _Shapes(GenerateJsonSchema):
    """Shapes that say what a field holds, and nothing that its name says already."""

    def dataclass_schema(self, schema: core_schema.DataclassSchema) -> JsonSchemaValue:
        """The shape of a class; each field is described by the docstring below it."""
        shape = super().dataclass_schema(schema)
        cls = schema["cls"]
        shape["description"] = one_line(inspect.getdoc(cls) or "")
        for name, field in shape["properties"].items():
            if described := description_of(cls, name):
                field["description"] = described
        return shape

    def field_title_should_be_set(self, schema: Any) -> bool:
        """Never: a title would repeat the field's name."""
        return False

    def field_is_required(self, field: Any, total: bool) -> bool:
        """Always: an answer leaves no field out, whatever its class fills in."""
        return True

    def default_schema(self, schema: core_schema.WithDefaultSchema) -> JsonSchemaValue:
        """The shape without its default, which no answer needs."""
        return self.generate_inner(schema["schema"])

    def tuple_schema(self, schema: core_schema.TupleSchema) -> JsonSchemaValue:
        """A list of one kind, where all items are of one kind: pairs above all."""
        shape = super().tuple_schema(schema)
        kinds = shape.get("prefixItems", [])
        if kinds and all(one == other for one, other in pairwise(kinds)):
            del shape["prefixItems"]
            shape["items"] = kinds[0]
        return shape


def description_of(cls: type, name: str) -> str:
    """What the docstring below a field says, of the class or of the nearest it stands upon."""
    for owner in cls.__mro__:
        if said := _said_in(owner.__module__).get((owner.__qualname__, name)):
            return said
    return ""


def one_line(text: str) -> str:
    r"""A docstring without its line breaks; paragraphs stay apart.

    >>> one_line("What comes\nback.\n\nAnd why.")
    'What comes back.\n\nAnd why.'
    """
    return "\n\n".join(" ".join(part.split()) for part in re.split(r"\n\s*\n", text.strip()))


@cache
def _said_in(module: str) -> dict[tuple[str, str], str]:
    """The docstrings below the fields of a module's classes."""
    said = {}
    for cls in ast.walk(ast.parse(_source_of(module))):
        if not isinstance(cls, ast.ClassDef):
            continue
        for field, below in pairwise(cls.body):
            if (
                isinstance(field, ast.AnnAssign)
                and isinstance(field.target, ast.Name)
                and isinstance(below, ast.Expr)
                and isinstance(below.value, ast.Constant)
                and isinstance(below.value.value, str)
            ):
                said[cls.name, field.target.id] = one_line(below.value.value)
    return said


def _source_of(module: str) -> str:
    return "" if module == "builtins" else inspect.getsource(sys.modules[module])
