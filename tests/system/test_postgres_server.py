"""The PostgreSQL servers of the tests: what they keep when killed, and that nothing stays."""

import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import psycopg
import pytest

from tests.postgres import PostgresServer, a_postgres_server, execute

IN_A_PROCESS = """
import time
from tests.postgres import PostgresServer
server = PostgresServer(fsync=False)
server.start()
print(server.folder, *server.processes(), flush=True)
time.sleep(600)
"""
CLEARED_TIMEOUT_S = 60


@pytest.fixture(scope="module")
def server() -> Iterator[PostgresServer]:
    with a_postgres_server(fsync=False) as started:
        yield started


def numbers_in(url: str) -> list[int]:
    with psycopg.connect(url) as connection:
        return [number for (number,) in connection.execute("SELECT number FROM noted")]


def test_what_was_committed_is_there_after_a_kill_and_a_restart(server: PostgresServer) -> None:
    url = server.create_database()
    execute(url, "CREATE TABLE noted (number integer)")
    execute(url, "INSERT INTO noted VALUES (1)")
    server.kill()
    assert server.processes() == []
    with pytest.raises(psycopg.OperationalError):
        numbers_in(url)
    server.start()
    execute(url, "INSERT INTO noted VALUES (2)")
    server.restart(signal.SIGQUIT)
    assert numbers_in(url) == [1, 2]


def test_a_database_is_a_copy_of_its_template_and_goes_when_dropped(server: PostgresServer) -> None:
    template = server.create_database()
    execute(template, "CREATE TABLE noted (number integer)")
    execute(template, "INSERT INTO noted VALUES (7)")
    copies = [server.create_database(template.rpartition("/")[2]) for _ in range(2)]
    execute(copies[0], "DELETE FROM noted")
    assert [numbers_in(url) for url in copies] == [[], [7]]
    server.drop_database(copies[1])
    with pytest.raises(psycopg.OperationalError, match="does not exist"):
        numbers_in(copies[1])


def test_cpu_time_counts_sessions_that_have_ended(server: PostgresServer) -> None:
    before = server.cpu_seconds()
    execute(server.url(), "SELECT sum(number) FROM generate_series(1, 1000000) AS number")
    assert server.cpu_seconds() > before


def test_a_closed_server_leaves_nothing() -> None:
    with a_postgres_server(fsync=False) as server:
        segment = (server.data / "postmaster.pid").read_text().splitlines()[6].split()[1]
        server.kill()
        assert segment in shared_memory()
    assert not server.folder.exists()
    assert server.processes() == []
    assert segment not in shared_memory()


def test_a_killed_owner_leaves_nothing() -> None:
    command = [sys.executable, "-c", IN_A_PROCESS]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as owner:
        folder, *processes = owner.stdout.readline().split()
        owner.kill()
    assert processes
    left = [Path(folder), *(Path("/proc", process) for process in processes)]
    deadline = time.monotonic() + CLEARED_TIMEOUT_S
    while any(path.exists() for path in left):
        assert time.monotonic() < deadline, [str(path) for path in left if path.exists()]
        time.sleep(0.05)


def shared_memory() -> set[str]:
    """The numbers of the segments that processes share, of the whole machine."""
    lines = Path("/proc/sysvipc/shm").read_text().splitlines()
    return {line.split()[1] for line in lines[1:]}
