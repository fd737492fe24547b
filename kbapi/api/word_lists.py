"""The closed lists of words in the API document: one component for each, wherever it is used."""

import ast
import inspect
from itertools import pairwise
from typing import Any, Final, Literal, get_args, get_origin

from kbapi import vocabulary
from kbapi.api.answer_shapes import one_line

_LISTS: Final = {
    name: get_args(words)
    for name, words in vars(vocabulary).items()
    if get_origin(words) is Literal
}
_NAMES: Final = {frozenset(words): name for name, words in _LISTS.items()}


def name_word_lists(document: dict[str, Any]) -> None:
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
        words = part.get("enum", ())
        name = _NAMES.get(frozenset(words) - {None})
        if name is not None:
            used.add(name)
            del part["enum"], part["type"]
            reference = {"$ref": f"#/components/schemas/{name}"}
            part |= {"anyOf": [reference, {"type": "null"}]} if None in words else reference
        for one in part.values():
            _refer(one, used)


def _descriptions() -> dict[str, str]:
    """The docstrings below the lists of the vocabulary."""
    body = ast.parse(inspect.getsource(vocabulary)).body
    return {
        target.id: one_line(below.value.value)
        for words, below in pairwise(body)
        if isinstance(words, ast.Assign) and isinstance(below, ast.Expr)
        for target in words.targets
        if isinstance(target, ast.Name)
        if isinstance(below.value, ast.Constant) and isinstance(below.value.value, str)
    }
