"""Counting in a file or a Redis server: each request once, and without names."""

import multiprocessing
import re
import socket
import subprocess
import sys
import tempfile
import threading
from collections.abc import Iterator
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path

import pytest
from flask.testing import FlaskClient

from kbapi.access import limits
from kbapi.access.keys import give_key
from kbapi.access.limits import DailyHashes, network_of
from kbapi.app import create_app
from kbapi.errors import UnsafeSetup
from kbapi.instance.instance import open_instance
from kbapi.instance.secret import Secret
from kbapi.settings import Settings
from kbapi.storage.sqlite.rate_counts import renew_rate_file
from tests.access.redis_server import a_redis_server
from tests.makers import HandMovedClock, an_instance

PROCESSES, EACH, LIMIT = 3, 200, 350


@pytest.fixture(scope="module")
def redis_url() -> Iterator[str]:
    # Paths of sockets are short: not in the folders of pytest.
    with tempfile.TemporaryDirectory() as folder, a_redis_server(Path(folder)) as url:
        yield url


@pytest.fixture(params=["file", "redis"])
def storage(request: pytest.FixtureRequest) -> str:
    """What `KBAPI_RATE_STORAGE` says."""
    return request.getfixturevalue("redis_url") if request.param == "redis" else ""


def ask(client: FlaskClient, address: str = "198.51.100.7", key: str = ""):
    headers = {"Authorization": f"Bearer {key}"} if key else {}
    return client.get("/v1/chips", headers=headers, environ_base={"REMOTE_ADDR": address})


def left_of(answer) -> int:
    return int(re.match(r'"burst";r=(\d+);', answer.headers["RateLimit"])[1])


def ask_often(settings: Settings, results: "multiprocessing.Queue[list[int]]") -> None:
    client = create_app(open_instance(settings, HandMovedClock())).test_client()
    results.put([ask(client).status_code for _ in range(EACH)])


def test_requests_to_several_processes_are_counted_once_each(tmp_path: Path, storage: str) -> None:
    instance = an_instance(tmp_path, rate_storage=storage, rate_per_network=LIMIT)
    renew_rate_file(instance.settings.rates_path)  # as `kbapi serve` does
    context = multiprocessing.get_context("spawn")
    results: multiprocessing.Queue[list[int]] = context.Queue()
    workers = [
        context.Process(target=ask_often, args=(instance.settings, results))
        for _ in range(PROCESSES)
    ]
    for worker in workers:
        worker.start()
    seen = [status for _ in workers for status in results.get(timeout=120)]
    for worker in workers:
        worker.join()
    assert seen.count(200) == LIMIT
    assert seen.count(429) == PROCESSES * EACH - LIMIT


def test_a_key_keeps_its_count_over_processes(tmp_path: Path, storage: str) -> None:
    instance = an_instance(tmp_path, rate_storage=storage, rate_per_key=5)
    one, other = (give_key(instance, "", ("submit",)).key for _ in range(2))
    client = create_app(instance).test_client()
    found = [ask(client, key=one) for _ in range(7)]
    assert [left_of(answer) for answer in found] == [4, 3, 2, 1, 0, 0, 0]
    assert [answer.status_code for answer in found] == [200] * 5 + [429] * 2
    assert left_of(ask(client, key=other)) == 4


def test_two_workers_report_one_count(tmp_path: Path, storage: str) -> None:
    instance = an_instance(tmp_path, rate_storage=storage, rate_per_network=10)
    clients = [create_app(instance).test_client() for _ in range(2)]
    found = [left_of(ask(clients[number % 2], "198.51.101.7")) for number in range(6)]
    assert found == [9, 8, 7, 6, 5, 4]


def test_redis_gets_no_names_and_forgets_the_counts(redis_url: str, tmp_path: Path) -> None:
    import redis

    client = redis.Redis(unix_socket_path=redis_url.removeprefix("redis+unix://"))
    client.flushall()
    ask(create_app(an_instance(tmp_path, rate_storage=redis_url)).test_client(), "203.0.113.77")
    (key,) = client.keys()
    text = key.decode()
    assert text.startswith("kbapi:")
    assert "203.0.113" not in text
    assert network_of("203.0.113.77") not in text
    assert 0 < client.ttl(key) <= 60
    client.close()


def test_names_differ_each_day_and_with_each_secret() -> None:
    clock = HandMovedClock()
    hashes, others = (DailyHashes(Secret(value * 32), clock) for value in (b"s", b"t"))
    today = hashes.of_key(7)
    assert today == hashes.of_key(7)
    assert today != others.of_key(7)
    assert today not in (hashes.of_key(8), hashes.of_network("7"))
    assert hashes.of_network("192.0.2.1") == hashes.of_network("192.0.2.99")
    clock.moment = clock.moment.replace(day=clock.moment.day + 1)
    assert hashes.of_key(7) != today
    clock.moment = clock.moment.replace(day=clock.moment.day - 1)
    assert hashes.of_key(7) == today
    clock.moment = datetime(1969, 12, 31, 12, tzinfo=UTC)  # of a machine that has lost its clock
    first = [DailyHashes(Secret(value * 32), clock).of_key(7) for value in (b"s", b"t")]
    assert len({*first, today}) == 3


def test_without_the_server_each_process_counts_alone(tmp_path: Path) -> None:
    instance = an_instance(
        tmp_path, rate_storage=f"redis+unix://{tmp_path}/none.sock", rate_per_network=3
    )
    clients = [create_app(instance).test_client() for _ in range(2)]
    found = [[ask(client).status_code for _ in range(4)] for client in clients]
    assert found == [[200, 200, 200, 429]] * 2


def test_not_every_request_waits_for_a_server_that_does_not_answer(tmp_path: Path) -> None:
    tried = []
    with socket.create_server(("127.0.0.1", 0)) as uninformative:

        def take() -> None:
            with suppress(OSError):
                while True:
                    tried.append(uninformative.accept()[0])

        taker = threading.Thread(target=take)
        taker.start()
        instance = an_instance(
            tmp_path, rate_storage=f"redis://127.0.0.1:{uninformative.getsockname()[1]}"
        )
        client = create_app(instance).test_client()
        assert {ask(client).status_code for _ in range(30)} == {200}
        uninformative.shutdown(socket.SHUT_RDWR)
        taker.join()
    for connection in tried:
        connection.close()
    assert 1 <= len(tried) < 15


def test_a_missing_redis_client_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(limits, "find_spec", lambda _: None)
    with pytest.raises(UnsafeSetup, match=r"Install kbapi\[redis\]"):
        create_app(an_instance(tmp_path / "redis", rate_storage="redis://127.0.0.1"))
    client = create_app(an_instance(tmp_path / "file")).test_client()
    assert ask(client).status_code == 200


def test_counting_in_a_file_does_not_load_redis(tmp_path: Path) -> None:
    an_instance(tmp_path).close()
    code = f"""
import sys
from pathlib import Path
from kbapi.app import create_app
from kbapi.settings import Settings
from kbapi.instance.instance import open_instance
app = create_app(open_instance(Settings(home=Path({str(tmp_path / "home")!r}))))
assert "RateLimit" in app.test_client().get("/v1/chips").headers
print([name for name in sys.modules if name.partition('.')[0] in ("redis", "rich")])
"""
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert ran.stdout.strip() == "[]"
