"""Whoever counts, a file or a Redis server: no request is lost or counted twice, none is named."""

import multiprocessing
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest

from kbapi.access.rates import Rates, network_of, open_rates
from kbapi.errors import UnsafeSetup
from kbapi.settings import Settings
from kbapi.storage import rate_server
from kbapi.storage.rate_counts import CountsUnavailable
from kbapi.storage.rate_file import RateFile, renew_rate_file
from kbapi.storage.rate_server import RateServer
from kbapi.storage.secret import Secret
from tests.access.redis_server import a_redis_server
from tests.makers import HandMovedClock

SECRET = Secret(b"s" * 32)
PROCESSES, EACH = 3, 400


@pytest.fixture(scope="module")
def redis_url() -> Iterator[str]:
    # Paths of sockets are short: not in the folders of pytest.
    with tempfile.TemporaryDirectory() as folder, a_redis_server(Path(folder)) as url:
        yield url


@pytest.fixture(params=["file", "redis"])
def settings(request: pytest.FixtureRequest, tmp_path: Path) -> Settings:
    url = request.getfixturevalue("redis_url") if request.param == "redis" else ""
    return Settings(home=tmp_path, rate_storage=url, rate_per_network=1_000, rate_per_key=5)


def rates_of(settings: Settings, clock: HandMovedClock | None = None) -> Rates:
    return open_rates(settings, SECRET, clock or HandMovedClock())


def count_many(settings: Settings, results: "multiprocessing.Queue[list[int]]") -> None:
    rates = rates_of(settings)
    told = [rates.count_network("198.51.100.7") for _ in range(EACH)]
    results.put([one.limit - one.remaining if one else -1 for one in told])


def test_requests_to_several_processes_are_counted_once_each(settings: Settings) -> None:
    bounded = settings.model_copy(update={"rate_per_network": 10**9})
    renew_rate_file(bounded.rates_path)  # as `kbapi serve` does
    context = multiprocessing.get_context("spawn")
    results: multiprocessing.Queue[list[int]] = context.Queue()
    workers = [
        context.Process(target=count_many, args=(bounded, results)) for _ in range(PROCESSES)
    ]
    for worker in workers:
        worker.start()
    seen = [number for _ in workers for number in results.get(timeout=60)]
    for worker in workers:
        worker.join()
    assert sorted(seen) == list(range(1, PROCESSES * EACH + 1))


def test_a_key_stands_where_its_requests_left_it(settings: Settings) -> None:
    rates = rates_of(settings)
    told = [rates.count_key(7) for _ in range(7)]
    assert [one.remaining for one in told if one] == [4, 3, 2, 1, 0, 0, 0]
    assert [one.is_exceeded for one in told if one] == [False] * 5 + [True] * 2
    other = rates.count_key(8)
    assert other is not None
    assert other.remaining == 4


def test_a_minute_ends_when_it_was_said_to(settings: Settings) -> None:
    clock = HandMovedClock()
    rates = rates_of(settings, clock)
    first = rates.count_key(9)
    assert first is not None
    clock.moment += timedelta(seconds=first.seconds - 1)
    last = rates.count_key(9)
    assert last is not None
    assert (last.remaining, last.seconds) == (3, 1)
    clock.moment += timedelta(seconds=1)
    fresh = rates.count_key(9)
    assert fresh is not None
    assert (fresh.remaining, fresh.seconds) == (4, 60)


def test_what_redis_is_sent_names_nobody_and_is_forgotten(redis_url: str, tmp_path: Path) -> None:
    import redis

    settings = Settings(home=tmp_path, rate_storage=redis_url)
    client = redis.Redis(unix_socket_path=redis_url.removeprefix("redis+unix://"))
    client.flushall()
    rates_of(settings).count_network("203.0.113.77")
    (key,) = client.keys()
    text = key.decode()
    assert text.startswith("kbapi:")
    assert "203.0.113" not in text
    assert network_of("203.0.113.77") not in text
    assert 0 < client.ttl(key) <= 60
    client.close()


def test_a_server_that_is_not_there_turns_nobody_away(tmp_path: Path) -> None:
    settings = Settings(home=tmp_path, rate_storage=f"redis+unix://{tmp_path}/none.sock")
    assert rates_of(settings).count_network("198.51.100.7") is None
    with pytest.raises(CountsUnavailable):
        RateServer(settings.rate_storage).incr("key", 60)


def test_after_a_fault_nothing_is_tried_for_a_while(tmp_path: Path) -> None:
    class Broken:
        tried = 0

        def incr(self, key: str, expiry: int) -> int:
            self.tried += 1
            raise CountsUnavailable

    counts, clock = Broken(), HandMovedClock()
    rates = Rates(counts, SECRET, Settings(home=tmp_path), clock)
    assert {rates.count_key(1) for _ in range(10)} == {None}
    assert counts.tried == 1


def test_what_speaks_to_redis_is_named_when_it_is_not_installed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(rate_server, "find_spec", lambda _: None)
    with pytest.raises(UnsafeSetup, match=r"install kbapi\[redis\]"):
        rates_of(Settings(home=tmp_path, rate_storage="redis://127.0.0.1"))
    assert rates_of(Settings(home=tmp_path)).count_key(1) is not None


def test_counting_in_a_file_loads_nothing_of_redis() -> None:
    code = (
        "import sys, kbapi.app; "
        "print([name for name in sys.modules if name.partition('.')[0] in ('limits', 'redis')])"
    )
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert ran.stdout.strip() == "[]"


def test_each_run_begins_with_an_empty_file_whatever_the_last_one_left(tmp_path: Path) -> None:
    path = tmp_path / "rates.sqlite3"
    path.write_bytes(b"broken" * 1_000)
    with pytest.raises(CountsUnavailable):
        RateFile(path, HandMovedClock()).incr("key", 60)
    for _ in range(2):
        renew_rate_file(path)
        counts = RateFile(path, HandMovedClock())
        assert [counts.incr("key", 60) for _ in range(3)] == [1, 2, 3]
        assert path.stat().st_mode & 0o077 == 0


def test_where_no_file_can_be_made_the_run_begins_all_the_same(tmp_path: Path) -> None:
    path = tmp_path / "rates.sqlite3"
    (path / "in the way").mkdir(parents=True)
    renew_rate_file(path)
    with pytest.raises(CountsUnavailable):
        RateFile(path, HandMovedClock()).incr("key", 60)
