"""Hosts with folders of their own that serve one PostgreSQL and one Redis, as processes."""

import os
import re
import shutil
import signal
import subprocess
import threading
import uuid
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from pathlib import Path

import psycopg
import pytest

from kbapi.storage.schema import head_revision
from tests.access.redis_server import a_redis_server
from tests.postgres import execute, shared_server_url, with_database
from tests.processes import KBAPI
from tests.storage.later_schema import CREATE_A_TABLE, later_program
from tests.system.server import Reply, Server
from tests.system.test_kill import CHIP, send

CLIENTS = 4
START = f"/v1/start?chip={CHIP}"
Add = Callable[..., Server]


@pytest.fixture
def url() -> Iterator[str]:
    server, name = shared_server_url(), f"several_{uuid.uuid4().hex[:12]}"
    execute(server, f"CREATE DATABASE {name}")
    yield with_database(server, name)
    execute(server, f"DROP DATABASE {name} WITH (FORCE)")


@pytest.fixture
def add_host(url: str, tmp_path: Path) -> Iterator[Add]:
    """Starts one more host of the database, whose secret every host has in a file of its own."""
    secret = tmp_path / "secret"
    secret.write_text("5e" * 32)
    secret.chmod(0o600)
    with ExitStack() as open_until_end:
        redis = open_until_end.enter_context(a_redis_server(tmp_path))

        def add(name: str, program: list[str] = KBAPI, database: str = url, **more: str) -> Server:
            own = tmp_path / f"{name}.secret"
            shutil.copy(secret, own)
            settings = {
                "KBAPI_DATABASE": database,
                "KBAPI_RATE_STORAGE": redis,
                "KBAPI_SECRET_FILE": str(own),
                **more,
            }
            home = tmp_path / name / "home"
            home.parent.mkdir()
            return open_until_end.enter_context(
                Server(home, workers=1, threads=8, program=program, **settings)
            )

        yield add


def hosts_in(server: Server) -> dict[str, float]:
    """How many hosts the metrics of this one count, by their schema."""
    text = server.ask("GET", "/metrics").body.decode()
    found = re.findall(r'^kbapi_hosts\{.*schema="(\w+)".*\} (\S+)$', text, re.MULTILINE)
    return {schema: float(number) for schema, number in found}


def stored(url: str) -> set[str]:
    with psycopg.connect(url) as connection:
        return {name for (name,) in connection.execute("SELECT public_id FROM submission")}


def ids(replies: list[Reply]) -> list[str]:
    return [reply.json["id"] for reply in replies if reply.status == 201]


def test_two_hosts_serve_one_instance_and_the_death_of_one_loses_nothing(
    add_host: Add, url: str
) -> None:
    one, other = add_host("one"), add_host("other")
    first = send(one, 1)
    receipt = {"Authorization": f"Bearer {first.json['receipt']}"}
    path = f"/v1/submissions/{first.json['id']}"
    assert other.ask("GET", path, headers=receipt).status == 200
    assert send(other, 1).body == first.body  # the same key, the same answer
    answers = [server.ask("GET", START) for server in (one, other)]
    assert answers[0].body == answers[1].body
    assert answers[0].headers["ETag"] == answers[1].headers["ETag"]
    assert hosts_in(other) == {head_revision(): 2}

    acknowledged, enough = [first.json["id"]], threading.Event()

    def send_until_killed(number: int) -> None:
        while True:
            number += CLIENTS
            try:
                reply = send(one, number)
            except OSError:
                return
            if reply.status == 201:
                acknowledged.append(reply.json["id"])
            if len(acknowledged) > 12:
                enough.set()

    with ThreadPoolExecutor(CLIENTS) as clients:
        running = [clients.submit(send_until_killed, 100 + number) for number in range(CLIENTS)]
        assert enough.wait(60)
        one.kill()
        assert send(other, 2).status == 201
        for each in running:
            each.result()
    assert set(acknowledged) <= stored(url)
    assert other.ask("DELETE", path, headers=receipt).status == 204
    one.start()
    assert one.ask("GET", path, headers=receipt).status in (404, 410)


def test_a_host_that_hangs_does_not_stop_the_others(add_host: Add, url: str) -> None:
    one, other = add_host("one"), add_host("other")
    with ThreadPoolExecutor(CLIENTS) as clients:
        to_one = [clients.submit(send, one, number) for number in range(10, 20)]
        to_one[0].result()
        os.killpg(one.process.pid, signal.SIGSTOP)
        try:
            # What the stopped host has begun ends by the time limit of its transactions.
            replies = [send(other, number) for number in range(20, 24)]
        finally:
            os.killpg(one.process.pid, signal.SIGCONT)
        assert [reply.status for reply in replies] == [201] * 4
        replies += [each.result() for each in to_one]
    assert set(ids(replies)) <= stored(url)


def test_old_and_new_serve_at_the_same_time_while_the_new_one_upgrades(
    add_host: Add, url: str, tmp_path: Path
) -> None:
    head = head_revision()
    only_adds = CREATE_A_TABLE.format(name="later_table") + f'\n\n\nreadable_from = "{head}"'
    new_program = later_program(tmp_path / "later", only_adds)
    old, ended, replies = add_host("old"), threading.Event(), []

    def write() -> None:
        number = 100
        while not ended.is_set():
            number += 1
            replies.append(send(old, number))

    with ThreadPoolExecutor(1) as clients:
        writing = clients.submit(write)
        environment = {**os.environ, **old.settings}
        command = [*new_program, "db", "upgrade", "--home", str(tmp_path / "new" / "home")]
        done = subprocess.run(command, env=environment, capture_output=True, text=True, check=False)
        ended.set()
        writing.result()
    assert done.returncode == 0, done.stderr
    assert {reply.status for reply in replies} == {201}
    shutil.rmtree(tmp_path / "new")
    new = add_host("new", program=new_program)
    assert hosts_in(new) == {head: 1, "t1": 1}
    assert [send(server, number).status for number, server in enumerate((old, new))] == [201, 201]
    assert old.ask("GET", START).body == new.ask("GET", START).body
    assert old.ask("GET", "/health/ready").status == 200
    assert len(stored(url)) == len(replies) + 2
