"""Requests of every kind, drawn by the grammar of the OpenAPI document and grown by mutation.

An input is a tree of JSON values in which objects are lists of pairs, so that a key can come
twice; `raw` bytes stand for a body that is no JSON.
"""

import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import cache, cached_property
from random import Random
from typing import Any
from urllib.parse import quote_plus

from tests.house.write_openapi import generated
from tests.intake.whole_document import a_whole_document
from tests.makers import CHIP
from tests.outside._patterns import patterns_of, pumped
from tests.outside.demo_instance import Known

KB = 1_000
LONGEST = {"query": 8 * KB, "host query": 8 * KB, "head": 4 * KB, "chip text": 10 * KB}
"""The largest input of a kind, where it is less than that of a document."""
ODD: tuple[Any, ...] = (None, True, 0, -1, -80, -90.5, 127, 1e9, 2**53 + 2, "", "core", "2026-13")
CLASSES = ("a", "A", "7", ":", "f:", "1.", "a.", "-", "_", " ", "(", "/", "\\", "@", "a@", "+1 ")
CLASSES += ("~", "é", "\u0660", "\u200b", "\U0001f469", "\n", '"', "%", "é1", "A1", "a1-", "x.y-")
HEADS = ("Authorization", "Kbapi-Contributor", "Idempotency-Key", "If-None-Match", "Origin")
HEADS += ("Content-Type", "Accept", "X-Forwarded-For", "Range", "Cookie", "Accept-Encoding")
WAYS = 5
"""Of joining members to an object."""
QUERIES = ("query", "host query")
"""Those of everybody, and those for which a curator's key is needed."""
QUESTIONS = ("/v1/next-step", "/v1/diagnose")


class Pairs(list[tuple[str, Any]]):
    """An object of JSON, in which a key may come twice."""


@dataclass(frozen=True)
class Input:
    """Something to send, of a kind: a tree for its body, its query or its head."""

    kind: str
    method: str
    path: str
    tree: Any
    is_ndjson: bool = False
    bearer: str = ""

    @cached_property
    def body(self) -> bytes:
        if self.kind in ("query", "host query", "head", "chip text"):
            return b""
        if self.is_ndjson and isinstance(self.tree, list):
            return b"\n".join(written(one) for one in self.tree)
        return written(self.tree)

    @property
    def address(self) -> str:
        """The path with its query; a value that is no text goes as JSON writes it."""
        if self.kind not in QUERIES:
            return self.path
        texts = [(name, _text_of(value)) for name, value in self.tree]
        sent = "&".join(f"{quote_plus(n, errors='replace')}={quote_plus(v)}" for n, v in texts)
        return f"{self.path}?{sent}"

    @property
    def headers(self) -> dict[str, str]:
        sent = {"Content-Type": "application/x-ndjson" if self.is_ndjson else "application/json"}
        sent |= {"Authorization": f"Bearer {self.bearer}"} if self.bearer else {}
        if self.kind == "head":
            sent |= {name: _of_a_head(_text_of(value)) for name, value in self.tree}
        return sent

    @cached_property
    def size(self) -> int:
        """Bytes that a sender chose."""
        if self.kind == "chip text":
            return len(self.tree.encode("utf-8", "surrogatepass"))
        of_head = sum(len(name) + len(text) for name, text in self.headers.items())
        return len(self.body) + len(self.address) + (of_head if self.kind == "head" else 0)


def written(tree: Any) -> bytes:
    """The tree as JSON text."""
    if isinstance(tree, bytes):
        return tree
    return json.dumps(_value_of(tree)).encode("utf-8", "surrogatepass")


def _value_of(tree: Any) -> Any:
    if isinstance(tree, Pairs):
        return _Repeating([(name, _value_of(member)) for name, member in tree])
    return [_value_of(member) for member in tree] if isinstance(tree, list) else tree


class _Repeating(dict[str, Any]):
    """An object that is written with all of its pairs, equal keys as well."""

    def __init__(self, pairs: list[tuple[str, Any]]) -> None:
        super().__init__(pairs)
        self._pairs = pairs

    def items(self) -> Any:
        return self._pairs


def tree_of(value: Any) -> Any:
    """A value of Python as a tree."""
    if isinstance(value, dict):
        return Pairs((name, tree_of(member)) for name, member in value.items())
    return [tree_of(member) for member in value] if isinstance(value, list) else value


def _text_of(value: Any) -> str:
    return value if isinstance(value, str) else json.dumps(value, default=repr)


def _of_a_head(text: str) -> str:
    clean = text.replace("\r", " ").replace("\n", " ").strip() or "x"
    return clean.encode("utf-8", "replace").decode("latin-1")[:4_000]


@cache
def _document() -> dict[str, Any]:
    return generated()


@cache
def _patterns() -> list[Any]:
    return patterns_of("kbapi")


def inputs_of(kind: str, known: Known, rng: Random) -> list[Input]:
    """The inputs from which those of a kind grow: whole ones, and some that the grammar draws."""
    result, receipt = next(iter(known.receipts.items()))
    whole = tree_of(a_whole_document())
    batch = Input(kind, "post", "/v1/submissions/batch", [whole] * 2)
    followed = f"/v1/submissions/{result}/follow-ups"
    asked = [Input(kind, "post", path, tree_of(body)) for path, body in _asked().items()]
    starts: dict[str, Callable[[], list[Input]]] = {
        "document": lambda: [Input(kind, "post", "/v1/submissions", whole)],
        "batch": lambda: [batch, replace(batch, is_ndjson=True)],
        "follow-up": lambda: [Input(kind, "post", followed, Pairs(), bearer=receipt)],
        "question": lambda: asked,
        "query": lambda: list(_queries(known)),
        "host query": lambda: list(_host_queries(known)),
        "head": lambda: [Input(kind, "get", "/v1/chips", Pairs([(n, "x")])) for n in HEADS],
        "chip text": lambda: [Input(kind, "", "", text) for text in _chip_texts()],
    }
    found = starts[kind]()
    grown = [
        replace(one, tree=type(one.tree)([*one.tree, *_more(one.tree, rng, way, many)]))
        for one in found[:1]
        if isinstance(one.tree, list) and kind != "head"
        for way in range(WAYS if isinstance(one.tree, Pairs) else 1)
        for many in (250, 1_500)
    ]
    return [*found, *grown, *(drawn(rng.choice(found), known, rng) for _ in range(6))]


def _asked() -> dict[str, Any]:
    trial = {"settings": [{"domain": "core", "control": "voltage_offset", "value": -70}]}
    trial |= {"load": "vector_heavy", "outcome": "stable"}
    failed = {"chip": CHIP, "domain": "core", "control": "voltage_offset", "setting": -70}
    failed |= {"changed": ["firmware"], "failure": "system_hang", "load": "vector_heavy"}
    return {QUESTIONS[0]: {"chip": CHIP, "trials": [trial]}, QUESTIONS[1]: failed}


def _chip_texts() -> list[str]:
    return ["Norvane(R) Sable(TM) 7 4820MX @ 2.60GHz", CHIP, "Osmer Kestrel 660 Laptop"]


def _queries(known: Known) -> Iterator[Input]:
    for path, item in _document()["paths"].items():
        if "get" in item and "/submissions/" not in path and not _is_of_host(path):
            names = [one["name"] for one in item["get"].get("parameters", ())]
            needed = Pairs([("chip", CHIP)] if "chip" in names else [("text", CHIP)])
            yield Input("query", "get", path.replace("{chip}", CHIP), needed)


def _host_queries(known: Known) -> Iterator[Input]:
    result = next(iter(known.receipts))
    for path, item in _document()["paths"].items():
        if "get" in item and _is_of_host(path):
            address = path.replace("{submission_id}", result).replace("{ordinal}", "0")
            address = address.replace("{number}", "1")
            yield Input("host query", "get", address, Pairs(), bearer=known.keys["admin"])


def _is_of_host(path: str) -> bool:
    return path.startswith(("/v1/review", "/v1/contributors")) or path == "/v1/submissions"


def drawn(one: Input, known: Known, rng: Random) -> Input:
    """Another input to the same address, as the grammar allows it."""
    if one.kind == "chip text":
        return replace(one, tree=_pumped_text(rng))
    path, key = one.path, next(iter(known.receipts))
    path = path.replace(key, "{submission_id}").replace(CHIP, "{chip}")
    path = "/v1/review/{submission_id}/{ordinal}" if path.endswith("/0") else path
    path = "/v1/contributors/{number}" if path == "/v1/contributors/1" else path
    operation = _document()["paths"][path][one.method]
    if one.kind in (*QUERIES, "head"):
        parameters = [p for p in operation.get("parameters", ()) if rng.random() < 0.4]
        of_grammar = [(p["name"], _of_schema(p["schema"], rng)) for p in parameters]
        return replace(one, tree=Pairs([*one.tree, *of_grammar]))
    schema = operation["requestBody"]["content"]["application/json"]["schema"]
    return replace(one, tree=_of_schema(schema, rng))


def _of_schema(schema: dict[str, Any], rng: Random) -> Any:
    """A value of this schema; at times one a little beyond its bounds."""
    if "$ref" in schema:
        name = schema["$ref"].rpartition("/")[2]
        return _of_schema(_document()["components"]["schemas"][name], rng)
    for choice in ("anyOf", "oneOf", "allOf"):
        if choice in schema:
            return _of_schema(rng.choice(schema[choice]), rng)
    if "enum" in schema:
        return rng.choice(schema["enum"])
    kinds = schema.get("type", "object")
    kind = kinds[0] if isinstance(kinds, list) else kinds
    if kind == "object":
        needed, fields = schema.get("required", ()), schema.get("properties", {})
        chosen = [name for name in fields if name in needed or rng.random() < 0.4]
        return Pairs((name, _of_schema(fields[name], rng)) for name in chosen)
    if kind == "array":
        most = min(schema.get("maxItems", 4), 300)
        many = rng.choice((0, 1, min(2, most), most, most + 1))
        return [_of_schema(schema["items"], rng) for _ in range(many)]
    if kind in ("integer", "number"):
        least, most = schema.get("minimum", -150), schema.get("maximum", 150)
        return rng.choice((least, most, most + 1, schema.get("example", rng.randint(-150, 150))))
    if kind == "boolean":
        return rng.choice((True, False))
    return schema["example"] if rng.random() < 0.6 and "example" in schema else _pumped_text(rng)


def _pumped_text(rng: Random) -> str:
    length = rng.choice((10, 39, 60, 128, 255, 400, 400, 2_000, 9_900))
    if rng.random() < 0.3:
        return rng.choice(CLASSES) * (length // 2)
    return pumped(rng.choice(_patterns()), rng).of_length(length)


def mutated(
    one: Input, rng: Random, known: Known, largest: int, *, with_grammar: bool = True
) -> Input:
    """The input with one to three of its parts changed or grown, no larger than its kind may be."""
    changed = one
    for _ in range(rng.choice((1, 1, 2, 3))):
        is_drawn = with_grammar and rng.random() < 0.1
        larger = drawn(one, known, rng) if is_drawn else _changed(changed, rng)
        if larger.size <= min(largest, LONGEST.get(one.kind, largest)):
            changed = larger
    return changed


def _changed(one: Input, rng: Random) -> Input:
    if isinstance(one.tree, str):
        return replace(one, tree=_changed_text(one.tree, rng)[: LONGEST["chip text"]])
    if isinstance(one.tree, bytes):
        return replace(one, tree=_changed_bytes(one.tree, rng))
    if one.kind == "head" and rng.random() < 0.5:
        return replace(one, tree=Pairs([(rng.choice(HEADS), _pumped_text(rng))]))
    if one.body and not one.is_ndjson and rng.random() < 0.05:
        return replace(one, tree=_changed_bytes(one.body, rng))
    grown = _grown(one.tree, rng)
    # A query and a head stay lists of names with values.
    is_kept = one.kind in (*QUERIES, "head") and not isinstance(grown, Pairs)
    return one if is_kept else replace(one, tree=grown)


def _changed_bytes(body: bytes, rng: Random) -> bytes:
    begin, end = sorted(rng.choices(range(len(body) + 1), k=2))
    piece = body[begin : min(end, begin + 4_000)]
    return rng.choice((body[:begin] + piece * 40 + body[end:], body[:begin] + b'"' + body[begin:]))


def _changed_text(text: str, rng: Random) -> str:
    if not text or rng.random() < 0.2:
        return _pumped_text(rng)
    begin, end = sorted(rng.choices(range(len(text) + 1), k=2))
    odd = rng.choice(CLASSES)
    return rng.choice(
        (
            text * 2,
            text[:begin] + text[begin:end] * rng.choice((2, 10)) + text[end:],
            text[:begin] + odd + text[begin + len(odd) :],
            text[:begin] + odd * rng.choice((2, 30, 300)) + text[end:],
        )
    )


def _grown(tree: Any, rng: Random) -> Any:
    """The tree with one of its members changed, multiplied, nested or joined by unknown ones."""
    if not isinstance(tree, list):
        return _another(tree, rng)
    changed = Pairs(tree) if isinstance(tree, Pairs) else list(tree)
    act = rng.random()
    if act < 0.5 and changed:
        place = rng.randrange(len(changed))
        member = changed[place]
        if isinstance(changed, Pairs):
            changed[place] = (member[0], _grown(member[1], rng))
        else:
            changed[place] = _grown(member, rng)
    elif act < 0.75:
        changed += _more(changed, rng, rng.randrange(WAYS), rng.choice((1, 4, 33, 250, 1_900)))
    elif act < 0.8 and changed:
        changed[:] = changed * rng.choice((2, 4, 16))
    elif act < 0.85 and changed:
        del changed[rng.randrange(len(changed))]
    elif act < 0.9:
        return [changed]
    else:
        return rng.choice(([], Pairs(), [[]] * 100, [Pairs()] * 100, *ODD))
    return changed


def _more(tree: Any, rng: Random, way: int, many: int) -> Any:
    """Members to join: unknown or repeated fields, near misses of names, or more of a list."""
    if not isinstance(tree, Pairs):
        return [rng.choice(tree) if tree else []] * many
    value = rng.choice((*ODD, [], Pairs(), _pumped_text(rng)))
    names = [name for name, _ in tree] or ["chip"]
    if way == 0:
        return [(rng.choice(names), value)] * many
    if way == 1:
        near = rng.choice(names)
        return [(f"{near[:-1]}{number}", value) for number in range(many)]
    if way == 2:
        long = rng.choice(CLASSES) * rng.choice((1, 15, 30, 200))
        return [(f"{long}{number}", value) for number in range(many)]
    if way == 3:
        return [(_pumped_text(rng)[:400], value) for _ in range(min(many, 250))]
    return [(chr(97 + number % 26) * (1 + number // 26), value) for number in range(many)]


def _another(value: Any, rng: Random) -> Any:
    if isinstance(value, str) and rng.random() < 0.7:
        return _changed_text(value, rng)
    if isinstance(value, int | float) and rng.random() < 0.5:
        return rng.choice((-value, value * 10, value + 1, value / 1_000))
    return rng.choice((*ODD, _pumped_text(rng), [[]], [Pairs()]))
