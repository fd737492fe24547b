"""Every POST of the OpenAPI document, over real sockets: a body that stops, and one too large."""

import json
import socket
from collections.abc import Iterator
from typing import Any

import pytest

from tests.outside.demo_instance import Known, fill
from tests.outside.framing import Answer, ask
from tests.outside.heads import CHUNKED, length, post
from tests.system.server import Server

LIMITS = {"KBAPI_MAX_BODY_BYTES": "20000", "KBAPI_MAX_BATCH_BYTES": "40000"}
BATCH = "/v1/submissions/batch"


@pytest.fixture(scope="module")
def scene(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Server, Known, Any]]:
    folder = tmp_path_factory.mktemp("posts")
    known = fill(folder, 20)
    with Server(folder / "home", workers=1, threads=16, **LIMITS) as server:
        yield server, known, server.ask("GET", "/openapi.json").json


def posts_of(known: Known, document: Any) -> dict[str, tuple[bytes, bytes]]:
    """Each operation that takes a body: where it is, and what lets in."""
    result, receipt = next(iter(known.receipts.items()))
    return {
        path: (
            path.replace("{submission_id}", result).encode(),
            f"Authorization: Bearer {receipt if '{' in path else known.keys['admin']}".encode(),
        )
        for path, item in document["paths"].items()
        if "post" in item
    }


def assert_documented(document: Any, path: str, answer: Answer, status: int, code: str) -> None:
    assert answer.status == status, path
    assert answer.is_readable, path
    assert json.loads(answer.body)["type"] == f"/problems/{code}", path
    assert str(status) in document["paths"][path]["post"]["responses"], path


def test_the_document_has_the_expected_post_routes(scene: tuple[Server, Known, Any]) -> None:
    _, known, document = scene
    assert len(posts_of(known, document)) >= 6
    for path, item in document["paths"].items():
        assert set(item) <= {"get", "post", "put", "delete", "parameters"}, path


def test_every_route_answers_a_body_that_stops_with_a_problem(
    scene: tuple[Server, Known, Any],
) -> None:
    server, known, document = scene
    routes = posts_of(known, document)
    begun: dict[str, socket.socket] = {}
    for path, (address, bearer) in routes.items():
        begun[path] = socket.create_connection(("127.0.0.1", server.port), timeout=30)
        begun[path].sendall(post(length(1_000), bearer, path=address, body=b'{"chip": '))
    assert server.ask("GET", "/v1/chips").status == 200
    for path, connection in begun.items():
        received = b""
        while piece := connection.recv(65_536):
            received += piece
        connection.close()
        head, _, body = received.partition(b"\r\n\r\n")
        fields = {"content-type": "application/problem+json"}
        assert b"application/problem+json" in head, path
        answer = Answer(int(head.split(b" ", 2)[1]), fields, body)
        assert_documented(document, path, answer, 408, "body_too_slow")


@pytest.mark.parametrize("way", ["by its length", "in chunks"])
def test_every_route_answers_a_body_that_is_too_large_with_a_problem(
    scene: tuple[Server, Known, Any], way: str
) -> None:
    server, known, document = scene
    for path, (address, bearer) in posts_of(known, document).items():
        many = int(LIMITS["KBAPI_MAX_BATCH_BYTES" if path == BATCH else "KBAPI_MAX_BODY_BYTES"])
        for size, code in ((many + 1, "body_too_large"), (many, "json_unreadable")):
            body = b" " * size
            if way == "by its length":
                sent = post(length(size), bearer, path=address, body=body)
            else:
                pieces = b"%x\r\n%s\r\n0\r\n\r\n" % (size, body)
                sent = post(CHUNKED, bearer, path=address, body=pieces)
            (answer,) = ask(server, sent, hangs_up=True)
            status = 413 if code == "body_too_large" else 400
            assert_documented(document, path, answer, status, code)
