"""Requests are counted by key or network; beyond the limit an answer has Retry-After."""

import itertools
import json
import logging
import re
import time
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from pathlib import Path

import pytest
from flask.testing import FlaskClient

from kbapi.access.keys import give_key, revoke_key
from kbapi.api import admission
from kbapi.app import create_app
from kbapi.instance.instance import Instance
from kbapi.logs import JsonLines
from kbapi.storage.sqlite.driver import dbapi2 as sqlite3
from tests.house.write_openapi import generated
from tests.makers import HandMovedClock, an_instance

HERE, NEXT_DOOR, ELSEWHERE = "192.0.2.9", "192.0.2.200", "198.51.100.9"


def served(
    tmp_path: Path, clock: HandMovedClock, **settings: object
) -> tuple[Instance, FlaskClient]:
    limits = {"rate_per_network": 3, "rate_per_key": 5, **settings}
    instance = an_instance(tmp_path, clock, **limits)
    return instance, create_app(instance).test_client()


def ask(client: FlaskClient, address: str = HERE, path: str = "/v1/chips", key: str | None = None):
    headers = {"Authorization": f"Bearer {key}"} if key else {}
    return client.get(path, headers=headers, environ_base={"REMOTE_ADDR": address})


def seconds_left(answer) -> int:
    return int(re.fullmatch(r'"burst";r=\d+;t=(\d+)', answer.headers["RateLimit"])[1])


def test_every_answer_has_the_limit_and_the_remaining_requests(
    tmp_path: Path, clock: HandMovedClock
) -> None:
    _, client = served(tmp_path, clock)
    for left in (2, 1, 0):
        answer = ask(client)
        assert answer.status_code == 200
        assert answer.headers["RateLimit-Policy"] == '"burst";q=3;w=60'
        assert answer.headers["RateLimit"].startswith(f'"burst";r={left};t=')
        assert 1 <= seconds_left(answer) <= 60
        assert "Retry-After" not in answer.headers


def test_one_request_too_many_is_429_with_retry_after(
    tmp_path: Path, clock: HandMovedClock
) -> None:
    _, client = served(tmp_path, clock)
    for _ in range(3):
        ask(client)
    refused = ask(client)
    assert refused.status_code == 429
    assert refused.mimetype == "application/problem+json"
    assert refused.get_json()["type"] == "/problems/rate_exceeded"
    assert refused.headers["RateLimit"].startswith('"burst";r=0;t=')
    wait = int(refused.headers["Retry-After"])
    assert wait == seconds_left(refused)
    clock.moment += timedelta(seconds=wait - 1)
    assert ask(client).status_code == 429
    clock.moment += timedelta(seconds=1)
    assert ask(client).status_code == 200


@pytest.mark.parametrize("back", [timedelta(minutes=1), timedelta(hours=2), timedelta(days=3)])
def test_a_clock_that_is_set_back_blocks_no_client(
    tmp_path: Path, clock: HandMovedClock, back: timedelta
) -> None:
    _, client = served(tmp_path, clock)
    assert [ask(client).status_code for _ in range(4)] == [200, 200, 200, 429]
    clock.moment -= back
    answers = [ask(client) for _ in range(4)]
    assert [answer.status_code for answer in answers] == [200, 200, 200, 429]
    assert all(1 <= seconds_left(answer) <= 60 for answer in answers)
    clock.moment += timedelta(seconds=int(answers[-1].headers["Retry-After"]))
    assert ask(client).status_code == 200


def test_retry_after_is_never_longer_than_a_window(tmp_path: Path, clock: HandMovedClock) -> None:
    _, client = served(tmp_path, clock)
    for _ in range(3):
        ask(client)
    clock.moment -= timedelta(seconds=1)
    refused = ask(client)
    assert (refused.status_code, refused.headers["Retry-After"]) == (429, "60")
    assert seconds_left(refused) == 60


def test_a_network_is_counted_together_and_others_are_not(
    tmp_path: Path, clock: HandMovedClock
) -> None:
    _, client = served(tmp_path, clock)
    for address in (HERE, NEXT_DOOR, HERE):
        assert ask(client, address).status_code == 200
    assert ask(client, NEXT_DOOR).status_code == 429
    assert ask(client, f"::ffff:{HERE}").status_code == 429
    assert ask(client, ELSEWHERE).status_code == 200
    for _ in range(3):
        assert ask(client, "2001:db8:0:1::1").status_code == 200
    assert ask(client, "2001:db8:0:7f::2").status_code == 429
    assert ask(client, "2001:db8:0:100::2").status_code == 200


def test_a_live_key_has_its_own_limit_from_any_network(
    tmp_path: Path, clock: HandMovedClock
) -> None:
    instance, client = served(tmp_path, clock)
    one, other = (give_key(instance, "", ("submit",)).key for _ in range(2))
    for address in (HERE, ELSEWHERE, HERE, ELSEWHERE, HERE):
        answer = ask(client, address, key=one)
        assert answer.status_code == 200
        assert answer.headers["RateLimit-Policy"] == '"burst";q=5;w=60'
    assert ask(client, ELSEWHERE, key=one).status_code == 429
    assert ask(client, key=other).status_code == 200
    assert ask(client).status_code == 200


def test_guessing_keys_is_counted_by_network(tmp_path: Path, clock: HandMovedClock) -> None:
    instance, client = served(tmp_path, clock)
    revoked = give_key(instance, "", ("submit",))
    revoke_key(instance, revoked.id)
    for key in ("kbk_x", revoked.key, "kbk_" + "A" * 48):
        assert ask(client, key=key).status_code == 403
    assert ask(client, key="kbk_y").status_code == 429


def test_health_is_never_counted_and_unknown_paths_are(
    tmp_path: Path, clock: HandMovedClock
) -> None:
    _, client = served(tmp_path, clock)
    for path in ("/nothing", "/problems", "/v1/submissions"):
        assert "RateLimit" in ask(client, path=path).headers, path
    assert ask(client, path="/nothing").status_code == 429
    for _ in range(5):
        health = ask(client, path="/health/live")
        assert health.status_code == 200
        assert "RateLimit" not in health.headers


def test_only_trusted_proxies_give_the_network(tmp_path: Path, clock: HandMovedClock) -> None:
    def spread(client: FlaskClient) -> list[int]:
        return [
            client.get(
                "/v1/chips",
                environ_base={"REMOTE_ADDR": "127.0.0.1"},
                headers={"X-Forwarded-For": f"203.0.113.1, 198.51.{number}.7"},
            ).status_code
            for number in range(5)
        ]

    _, trusting = served(tmp_path / "one", clock, trusted_proxies=1)
    assert spread(trusting) == [200] * 5
    _, doubting = served(tmp_path / "none", clock)
    assert spread(doubting) == [200, 200, 200, 429, 429]
    _, too_trusting = served(tmp_path / "two", clock, trusted_proxies=2)
    assert spread(too_trusting) == [200, 200, 200, 429, 429]


def test_a_proxy_that_adds_ports_leaves_each_network_its_own_limit(
    tmp_path: Path, clock: HandMovedClock
) -> None:
    _, client = served(tmp_path, clock, trusted_proxies=1)

    def statuses(addresses: list[str]) -> list[int]:
        return [
            client.get("/v1/chips", headers={"X-Forwarded-For": one}).status_code
            for one in addresses
        ]

    assert statuses([f"198.51.{number}.7:{50_000 + number}" for number in range(5)]) == [200] * 5
    assert statuses([f"[2001:db8:{number}::7]:443" for number in range(5)]) == [200] * 5
    one_network = [f"203.0.113.7:{50_000 + number}" for number in range(5)]
    assert statuses(one_network) == [200, 200, 200, 429, 429]


def test_each_day_begins_new_counts_under_other_hashes(
    tmp_path: Path, clock: HandMovedClock
) -> None:
    instance, client = served(tmp_path, clock)

    def hashes() -> set[str]:
        with sqlite3.connect(instance.settings.rates_path) as rates:
            return {key.split("/")[1] for (key,) in rates.execute("SELECT key FROM counted_window")}

    ask(client)
    today = hashes()
    clock.moment += timedelta(seconds=3_600)
    ask(client)
    assert hashes() == today
    clock.moment = clock.moment.replace(day=clock.moment.day + 1)
    ask(client)
    tomorrow = hashes()
    assert len(today) == len(tomorrow) == 1
    assert not today & tomorrow


def test_counts_of_past_windows_are_deleted(tmp_path: Path, clock: HandMovedClock) -> None:
    instance, client = served(tmp_path, clock)
    for number in range(20):
        ask(client, f"198.51.{number}.7")
    clock.moment += timedelta(seconds=61)
    ask(client)
    with sqlite3.connect(instance.settings.rates_path) as rates:
        assert rates.execute("SELECT COUNT(*) FROM counted_window").fetchone() == (1,)


def test_file_and_log_lines_do_not_identify_senders(
    tmp_path: Path, clock: HandMovedClock, caplog: pytest.LogCaptureFixture
) -> None:
    instance, client = served(tmp_path, clock)
    key = give_key(instance, "evening shift", ("submit",)).key
    with caplog.at_level(logging.INFO, logger="kbapi"):
        for _ in range(5):
            ask(client)
            ask(client, key=key)
    home = instance.settings.home
    kept = b"".join(path.read_bytes() for path in home.glob("rates.sqlite3*"))
    assert b"counted_window" in kept
    lines = "\n".join(JsonLines().format(record) for record in caplog.records)
    assert "rate_exceeded" in lines
    for forbidden in (HERE, "192.0.2", "c00002", key[4:], "evening"):
        assert forbidden.encode() not in kept, forbidden
        assert forbidden not in lines, forbidden
    assert all(path.stat().st_mode & 0o077 == 0 for path in home.glob("rates.sqlite3*"))


@pytest.mark.parametrize("fault", ["broken", "folder", "locked"])
def test_without_the_common_store_a_process_counts_alone(
    tmp_path: Path, clock: HandMovedClock, caplog: pytest.LogCaptureFixture, fault: str
) -> None:
    instance, client = served(tmp_path, clock)
    _, watcher = served(
        tmp_path / "beside", clock, rate_per_network=9
    )  # counters are those of the process
    rates, holder = instance.settings.rates_path, None
    if fault == "broken":
        rates.write_bytes(b"this is no database at all, but a long enough text " * 100)
    elif fault == "folder":
        rates.mkdir()
    else:
        ask(client)
        holder = sqlite3.connect(rates, isolation_level=None)
        holder.execute("BEGIN IMMEDIATE")
    before, alone = faults(watcher), ignored_of(watcher, "kbapi_rate_local_total")
    with caplog.at_level(logging.ERROR, logger="kbapi"):
        answers = [ask(client) for _ in range(5)]
    assert [answer.status_code for answer in answers] == [200, 200, 200, 429, 429]
    assert all("RateLimit" in answer.headers for answer in answers)
    assert "Retry-After" in answers[-1].headers
    found = [json.loads(JsonLines().format(record)) for record in caplog.records]
    assert [one["event"] for one in found] == ["rates_unavailable"]
    # What the library says itself, with hashes in it, goes nowhere.
    assert not logging.getLogger("flask-limiter").propagate
    assert HERE not in json.dumps(found)
    assert faults(watcher) - before == 1
    assert ignored_of(watcher, "kbapi_rate_local_total") - alone == 5
    if holder is not None:
        holder.execute("ROLLBACK")
        holder.close()
        await_recovery(client)


def test_many_requests_that_meet_a_fault_at_once_are_all_answered(
    tmp_path: Path, clock: HandMovedClock
) -> None:
    instance, client = served(tmp_path, clock, rate_per_network=1_000)
    ask(client)
    holder = sqlite3.connect(instance.settings.rates_path, isolation_level=None)
    holder.execute("BEGIN IMMEDIATE")
    with ThreadPoolExecutor(16) as pool:
        clients = [client.application.test_client() for _ in range(16)]
        answers = [answer for batch in pool.map(ask_twice, clients) for answer in batch]
    holder.execute("ROLLBACK")
    holder.close()
    assert [answer.status_code for answer in answers] == [200] * 32
    # The first request falls back for all; requests that wait meanwhile are not counted.
    assert any("RateLimit" in answer.headers for answer in answers)


def ask_twice(client: FlaskClient):
    return [ask(client) for _ in range(2)]


def await_recovery(client: FlaskClient) -> None:
    """Until the file, in which one request was counted before it was locked, counts again."""
    deadline = time.monotonic() + 60  # looked after at most every 32 s
    while ask(client).status_code == 429:
        assert time.monotonic() < deadline
        time.sleep(0.1)


def ignored_of(client: FlaskClient, name: str) -> float:
    text = ask(client, ELSEWHERE, "/metrics").get_data(as_text=True)
    return float(re.search(rf"^{re.escape(name)} (\S+)", text, re.MULTILINE)[1])


def faults(client: FlaskClient) -> float:
    return ignored_of(client, "kbapi_rate_faults_total")


def test_requests_beyond_a_limit_are_counted_by_key_or_network(
    tmp_path: Path, clock: HandMovedClock
) -> None:
    _, client = served(tmp_path, clock, rate_per_network=3)
    name = 'kbapi_rate_exceeded_total{by="network"}'
    before = ignored_of(client, name)
    assert [ask(client).status_code for _ in range(5)] == [200, 200, 200, 429, 429]
    assert ignored_of(client, name) - before == 2


@pytest.fixture
def costly(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each request takes seven milliseconds of CPU time."""
    spent = itertools.count()
    monkeypatch.setattr(admission.time, "thread_time", lambda: next(spent) * 0.007)


def test_a_sender_without_cpu_time_gets_429_until_the_minute_ends(
    tmp_path: Path, clock: HandMovedClock, costly: None
) -> None:
    _, client = served(tmp_path, clock, rate_per_network=100, cpu_ms_per_network=20)
    name = 'kbapi_cpu_time_exceeded_total{by="network"}'
    before = ignored_of(client, name)
    answers = [ask(client) for _ in range(5)]
    assert [answer.status_code for answer in answers] == [200, 200, 200, 429, 429]
    assert answers[2].headers["RateLimit-Policy"] == '"burst";q=100;w=60'
    refused = answers[-1]
    assert refused.get_json()["type"] == "/problems/cpu_time_exceeded"
    assert refused.headers.getlist("RateLimit-Policy") == ['"cpu-ms";q=20;w=60']
    seconds = refused.headers["Retry-After"]
    assert refused.headers.getlist("RateLimit") == [f'"cpu-ms";r=0;t={seconds}']
    assert 1 <= int(seconds) <= 60
    assert ask(client, ELSEWHERE).status_code == 200
    assert ask(client, path="/health/live").status_code == 200
    assert ignored_of(client, name) - before == 2
    clock.moment += timedelta(seconds=int(seconds) - 1)
    assert ask(client).status_code == 429
    clock.moment += timedelta(seconds=1)
    assert ask(client).status_code == 200


def test_a_key_has_cpu_time_of_its_own(tmp_path: Path, clock: HandMovedClock, costly: None) -> None:
    instance, client = served(tmp_path, clock, cpu_ms_per_network=1, cpu_ms_per_key=10)
    key = give_key(instance, "", ("submit",)).key
    assert [ask(client).status_code for _ in range(2)] == [200, 429]
    assert [ask(client, key=key).status_code for _ in range(3)] == [200, 200, 429]


def test_workers_share_the_cpu_time_of_a_sender(
    tmp_path: Path, clock: HandMovedClock, costly: None
) -> None:
    instance, _ = served(tmp_path, clock, rate_per_network=100, cpu_ms_per_network=20)
    one, other = (create_app(instance).test_client() for _ in range(2))
    answers = [ask(client).status_code for client in (one, one, other, other)]
    assert answers == [200, 200, 200, 429]


def test_small_requests_are_added_to_the_store_together(
    tmp_path: Path, clock: HandMovedClock, costly: None
) -> None:
    instance, client = served(tmp_path, clock, rate_per_network=100, cpu_ms_per_network=2_000)

    def added() -> list[int]:
        with sqlite3.connect(instance.settings.rates_path) as rates:
            found = rates.execute("SELECT hits FROM counted_window WHERE key LIKE '%/cpu/%'")
            return [hits for (hits,) in found]

    for _ in range(2):
        ask(client)
    assert added() == []
    ask(client)
    assert added() == [21]


def test_without_the_common_store_cpu_time_is_limited_by_each_process(
    tmp_path: Path, clock: HandMovedClock, costly: None
) -> None:
    instance, client = served(tmp_path, clock, rate_per_network=100, cpu_ms_per_network=20)
    instance.settings.rates_path.mkdir()
    answers = [ask(client).status_code for _ in range(5)]
    assert answers[-1] == 429


def test_preflights_are_not_counted(tmp_path: Path, clock: HandMovedClock) -> None:
    _, client = served(tmp_path, clock, cors_origins=("https://club.example",))
    fields = {"Origin": "https://club.example", "Access-Control-Request-Method": "GET"}
    sent = {"environ_base": {"REMOTE_ADDR": HERE}, "headers": fields}
    for _ in range(5):
        answer = client.options("/v1/chips", **sent)
        assert answer.status_code == 200
        assert answer.headers["Access-Control-Allow-Origin"] == "https://club.example"
        assert "RateLimit" not in answer.headers
    assert [ask(client).status_code for _ in range(4)] == [200, 200, 200, 429]
    # Without the field of a browser it is a request like others.
    assert client.options("/v1/chips", environ_base={"REMOTE_ADDR": HERE}).status_code == 429


def test_malformed_requests_count_like_requests(tmp_path: Path, clock: HandMovedClock) -> None:
    _, client = served(tmp_path, clock)
    count_unreadable = client.application.extensions["kbapi_count_unreadable"]
    assert ask(client).status_code == 200
    assert [count_unreadable(NEXT_DOOR) for _ in range(2)] == [0, 0]
    assert ask(client).status_code == 429
    assert 1 <= count_unreadable(HERE) <= 60
    assert count_unreadable(ELSEWHERE) == 0


def test_every_operation_but_health_documents_429() -> None:
    for path, item in generated()["paths"].items():
        for method, operation in item.items():
            if method != "parameters":
                is_response = "429" in operation["responses"]
                assert is_response != path.startswith("/health/"), (method, path)
