"""Large bodies: as many at once as memory allows, refused before they are read."""

from collections.abc import Iterator
from io import BytesIO
from pathlib import Path
from typing import Any

import pytest
from flask.testing import FlaskClient

from kbapi.access.limits import LARGE_BYTES, BodyMemory, body_memory_mib, memory_limit
from kbapi.app import create_app
from kbapi.errors import Overloaded
from kbapi.settings import Settings
from tests.makers import a_body, a_submission, an_instance

MIB = 1 << 20
RESULTS = "/v1/submissions"
NO_LIMIT = 9_223_372_036_854_771_712
"""What the older kind of groups shows without a limit."""


class CountedBody(BytesIO):
    """A body that knows how much of it was read."""

    @property
    def was_read(self) -> int:
        return self.tell()


@pytest.fixture
def client(tmp_path: Path) -> Iterator[FlaskClient]:
    instance = an_instance(tmp_path, body_memory_mib=1)
    yield create_app(instance).test_client()
    instance.close()


def memory_of(client: FlaskClient) -> BodyMemory:
    memory: BodyMemory = client.application.extensions["kbapi_body_memory"]
    return memory


def a_large_body(size: int) -> bytes:
    return a_body(a_submission()) + b" " * size


def post(client: FlaskClient, body: CountedBody, length: int | None) -> Any:
    environment = {"wsgi.input": body, "CONTENT_TYPE": "application/json"}
    if length is None:
        environment |= {"wsgi.input_terminated": True, "HTTP_TRANSFER_ENCODING": "chunked"}
    else:
        environment |= {"CONTENT_LENGTH": str(length)}
    return client.post(RESULTS, environ_overrides=environment)


def test_a_large_body_beside_others_is_refused_before_it_is_read(client: FlaskClient) -> None:
    taken = memory_of(client).take(MIB)
    body = CountedBody(a_large_body(100_000))
    refused = post(client, body, len(body.getvalue()))
    assert (refused.status_code, refused.headers["Retry-After"]) == (503, "2")
    assert refused.get_json()["type"] == "/problems/overloaded"
    assert "large bodies" in refused.get_json()["detail"]
    assert body.was_read == 0
    memory_of(client).give_back(taken)
    assert post(client, body, len(body.getvalue())).status_code == 201


def test_a_body_in_chunks_is_refused_when_it_turns_out_to_be_large(client: FlaskClient) -> None:
    taken = memory_of(client).take(MIB)
    body = CountedBody(a_large_body(900_000))
    refused = post(client, body, None)
    assert refused.get_json()["type"] == "/problems/overloaded"
    assert body.was_read < 300_000
    memory_of(client).give_back(taken)
    body.seek(0)
    assert post(client, body, None).status_code == 201


def test_a_small_body_is_always_read(client: FlaskClient) -> None:
    memory_of(client).take(MIB)
    body = CountedBody(a_body(a_submission()))
    assert len(body.getvalue()) < LARGE_BYTES
    assert post(client, body, len(body.getvalue())).status_code == 201
    body = CountedBody(a_body(a_submission(number=2)))
    assert post(client, body, None).status_code == 201


def test_memory_is_given_back_after_each_answer(client: FlaskClient) -> None:
    for path, body in (
        (RESULTS, a_large_body(100_000)),
        (RESULTS, b"{" + b" " * 100_000),
        (f"{RESULTS}/batch", b"[" + a_large_body(100_000) + b"]"),
        (f"{RESULTS}/batch", b" " * 17_000_000),
        ("/v1/diagnose", a_large_body(100_000)),
    ):
        client.post(path, data=body, content_type="application/json")
        assert memory_of(client)._in_use == 0


def test_one_body_is_read_however_little_memory_there_is() -> None:
    memory = BodyMemory(1)
    taken = memory.take(16 * MIB)
    with pytest.raises(Overloaded):
        memory.take(LARGE_BYTES)
    memory.give_back(taken)
    assert memory.take(LARGE_BYTES) == 40 * LARGE_BYTES


def test_as_many_bodies_are_read_as_their_sizes_allow() -> None:
    memory = BodyMemory(128 * MIB)
    assert memory.take(16 * MIB) == memory.take(16 * MIB) == 64 * MIB
    with pytest.raises(Overloaded):
        memory.take(LARGE_BYTES)
    memory = BodyMemory(128 * MIB)
    for _ in range(12):
        memory.take(MIB // 4)
    with pytest.raises(Overloaded):
        memory.take(MIB // 4 * 4)


def groups(folder: Path, own: str, **limits: object) -> tuple[Path, Path]:
    """A folder of groups with these limits, and the list of a process's own groups."""
    for place, limit in limits.items():
        file = folder / "cgroup" / place.replace("__", "/").replace("_max", ".max")
        if not place.endswith("_max"):
            file = file / "memory.limit_in_bytes"
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_text(f"{limit}\n")
    (folder / "own").write_text(own)
    return folder / "cgroup", folder / "own"


@pytest.mark.parametrize(
    ("own", "limits", "found"),
    [
        ("0::/\n", {"memory_max": 512 * MIB}, 512 * MIB),
        ("0::/\n", {"memory_max": "max"}, None),
        ("0::/kbapi\n", {"kbapi__memory_max": 300, "memory_max": "max"}, 300),
        ("0::/a/b\n", {"a__memory_max": 200, "a__b__memory_max": 300}, 200),
        ("0::/of/the/host\n", {"memory_max": 400}, 400),
        ("4:cpu:/\n3:memory:/a\n", {"memory__a": 100, "memory": NO_LIMIT}, 100),
        ("3:memory:/\n", {"memory": NO_LIMIT}, None),
        ("", {"memory_max": 400}, None),
    ],
)
def test_the_limit_of_the_container_is_found(
    tmp_path: Path, own: str, limits: dict[str, object], found: int | None
) -> None:
    assert memory_limit(*groups(tmp_path, own, **limits)) == found


def test_without_groups_there_is_no_limit(tmp_path: Path) -> None:
    assert memory_limit(tmp_path / "none", tmp_path / "none") is None


def test_the_workers_share_what_the_container_leaves() -> None:
    settings = Settings()
    assert body_memory_mib(settings, 2, None) == 128
    assert body_memory_mib(settings, 4, None) == 64
    assert body_memory_mib(settings, 2, 1024 * MIB) == 192
    assert body_memory_mib(settings, 2, 128 * MIB) == 32
    assert body_memory_mib(Settings(body_memory_mib=7), 2, 1024 * MIB) == 7
