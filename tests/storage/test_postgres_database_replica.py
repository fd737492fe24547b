"""A streaming replica: asked while it has all that was stored, and never needed."""

import os
import signal
from collections.abc import Iterator
from contextlib import nullcontext

import pytest
from sqlalchemy import Connection

from kbapi.errors import TooCostly
from kbapi.storage.postgres.database import PostgresDatabase
from kbapi.storage.sql import change_rows, find_number, find_row
from tests.postgres import PostgresServer, a_postgres_server, execute


@pytest.fixture(scope="module")
def server() -> Iterator[PostgresServer]:
    with a_postgres_server(fsync=False, max_connections="20") as started:
        execute(started.url(), "CREATE TABLE thing (name TEXT)")
        execute(started.url(), "CREATE TABLE mark (name TEXT, value TEXT)")
        yield started


@pytest.fixture(scope="module")
def replica(server: PostgresServer) -> Iterator[PostgresServer]:
    made = server.make_replica()
    try:
        made.start()
        yield made
    finally:
        made.close()


@pytest.fixture
def database(server: PostgresServer, replica: PostgresServer) -> Iterator[PostgresDatabase]:
    made = PostgresDatabase(
        server.url(),
        has_pooler=False,
        replica=replica.url(),
        faults=nullcontext,
        note_written=lambda: None,
    )
    yield made
    made.close()


def look(connection: Connection) -> tuple[bool, int]:
    """Whether this is the replica, and how many things it sees."""
    row = find_row(connection, "SELECT pg_is_in_recovery(), COUNT(*) FROM thing", ())
    assert row is not None
    return row[0], row[1]


def add(database: PostgresDatabase) -> int:
    """The number of things after one more."""
    with database.writing(20, shared=True, once=None, is_counted=False) as connection:
        change_rows(connection, "INSERT INTO thing VALUES (?)", ("one",))
    with database.reading() as connection:
        return find_number(connection, "SELECT COUNT(*) FROM thing", ()) or 0


def asked_again(database: PostgresDatabase) -> tuple[bool, int]:
    """What a look finds once the replica is not left any more, and has caught up."""
    for _ in range(1_000):
        assert database._replica is not None
        database._replica._left_until_s = 0.0
        if (found := database.read_evidence(look))[0]:
            return found
    raise AssertionError("the replica is not asked again")


def test_a_replica_shows_all_that_was_stored_before_the_question(
    database: PostgresDatabase,
) -> None:
    for _ in range(20):
        stored = add(database)
        assert database.read_evidence(look)[1] == stored
        assert asked_again(database) == (True, stored)


def test_a_replica_that_is_behind_is_not_asked(
    database: PostgresDatabase, replica: PostgresServer
) -> None:
    execute(replica.url(), "SELECT pg_wal_replay_pause()")
    stored = add(database)
    assert database.read_evidence(look) == (False, stored)
    assert database._replica is not None
    assert not database._replica.is_asked_now()
    execute(replica.url(), "SELECT pg_wal_replay_resume()")
    assert asked_again(database) == (True, stored)


def test_a_replica_that_hangs_is_left(database: PostgresDatabase, replica: PostgresServer) -> None:
    stored = add(database)
    assert asked_again(database) == (True, stored)
    processes = replica.processes()
    for process in processes:
        os.kill(process, signal.SIGSTOP)
    try:
        assert database.read_evidence(look) == (False, stored)
    finally:
        for process in processes:
            os.kill(process, signal.SIGCONT)
    assert asked_again(database) == (True, stored)


def test_a_replica_that_ends_is_left_and_found_again(
    database: PostgresDatabase, replica: PostgresServer
) -> None:
    replica.stop()
    stored = add(database)
    assert database.read_evidence(look) == (False, stored)
    replica.start()
    assert asked_again(database) == (True, stored)


def test_what_fails_on_a_replica_is_read_from_the_database(database: PostgresDatabase) -> None:
    seen: list[bool] = []

    def fails_on_a_replica(connection: Connection) -> int:
        seen.append(look(connection)[0])
        if seen[-1]:
            find_row(connection, "SELECT pg_terminate_backend(pg_backend_pid())", ())
        return 7

    asked_again(database)
    assert database.read_evidence(fails_on_a_replica) == 7
    assert seen == [True, False]


def test_an_error_that_is_not_of_the_replica_is_raised_once(database: PostgresDatabase) -> None:
    seen: list[bool] = []

    def costs_too_much(connection: Connection) -> int:
        seen.append(look(connection)[0])
        raise TooCostly

    asked_again(database)
    with pytest.raises(TooCostly):
        database.read_evidence(costs_too_much)
    assert seen == [True]
