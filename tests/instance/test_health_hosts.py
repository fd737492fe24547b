"""Several hosts on one PostgreSQL: how they are recorded, their secret, and one computation."""

import shutil
import uuid
from collections import Counter
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from pathlib import Path
from threading import Event, Thread

import orjson
import psycopg
import pytest
from sqlalchemy import text

from kbapi.access.keys import find_holder, give_key, revoke_key
from kbapi.access.sessions import begin_session, find_session_holder
from kbapi.advice.start.answer import advise_start
from kbapi.api.operation import instance_state
from kbapi.app import create_app
from kbapi.demo.members import install_catalogue
from kbapi.errors import (
    AccessKeyWrong,
    InstanceInUse,
    SchemaMismatch,
    StorageUnreachable,
    UnsafeSetup,
)
from kbapi.instance import health
from kbapi.instance.check import find_hosts
from kbapi.instance.health import program_of
from kbapi.instance.instance import Instance, create_or_open_instance, open_instance
from kbapi.instance.secret import random_secret, write_secret
from kbapi.intake.rescreen import is_rescreening_due
from kbapi.settings import Settings
from kbapi.storage import schema
from kbapi.storage.answers import AnswerBytes, OtherHosts, SingleFlight
from kbapi.storage.schema import Program, load_hosts, note_host
from kbapi.versions import RULES_VERSION
from tests.makers import HandMovedClock, a_question, a_setting, a_submission, send
from tests.postgres import a_pooler, execute, shared_server_url, with_database
from tests.storage.later_schema import CREATE_A_TABLE, later_migrations

QUESTION = "ab" * 32
LATE_S = 20.0
Open = Callable[..., Instance]


@pytest.fixture(scope="module")
def template(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[str, Path]]:
    """The name of a database with an instance, and the folder with its secret."""
    server, name = shared_server_url(), "hosts_template"
    execute(server, f"DROP DATABASE IF EXISTS {name} WITH (FORCE)")
    execute(server, f"CREATE DATABASE {name}")
    home = tmp_path_factory.mktemp("template")
    create_or_open_instance(Settings(home=home, database=with_database(server, name))).close()
    yield name, home
    execute(server, f"DROP DATABASE {name} WITH (FORCE)")


@pytest.fixture
def url(template: tuple[str, Path]) -> Iterator[str]:
    server, name = shared_server_url(), f"hosts_{uuid.uuid4().hex[:12]}"
    execute(server, f"CREATE DATABASE {name} TEMPLATE {template[0]}")
    yield with_database(server, name)
    execute(server, f"DROP DATABASE {name} WITH (FORCE)")


@pytest.fixture
def host(
    url: str, template: tuple[str, Path], tmp_path: Path, clock: HandMovedClock
) -> Iterator[Open]:
    """Opens the instance as one more host, with a folder of its own."""
    with ExitStack() as opened:

        def add(name: str, **chosen: object) -> Instance:
            home = tmp_path / name
            home.mkdir()
            shutil.copy(template[1] / "secret.key", home)
            install_catalogue(home / "catalogue")
            settings = Settings(**{"home": home, "database": url, **chosen})
            found = open_instance(settings, clock)
            opened.callback(found.close)
            return found

        yield add


def is_seen(url: str, hosts: int) -> bool:
    """Whether as many hosts are recorded, at once or soon."""
    waiting = Event()
    return any(len(load_hosts(url)) == hosts or waiting.wait(0.02) for _ in range(1_000))


def test_a_host_is_recorded_while_it_serves_without_its_name_or_address(
    host: Open, url: str
) -> None:
    one, other = host("one"), host("other")
    assert load_hosts(url) == []
    one.begin_serving()
    other.begin_serving()
    assert is_seen(url, 2)
    found = load_hosts(url)
    assert {seen.program for seen in found} == {program_of(one.catalogue)}
    assert all(seen.is_alive and len(seen.id) == 16 for seen in found)
    with one.reading() as connection:
        marks = connection.execute(text("SELECT name, value FROM mark")).all()
    written = {name: value for name, value in marks if name.startswith("host:")}
    fields = {"version", "schema", "rules", "catalogue", "seen_s"}
    assert all(orjson.loads(content).keys() == fields for content in written.values())
    assert sum((instance_state(one).hosts or {}).values()) == 2
    other.close()
    assert len(load_hosts(url)) == 1


def seen_before(url: str, host_id: str, seconds: float) -> None:
    execute(
        url,
        f"UPDATE mark SET value = jsonb_set(value::jsonb, '{{seen_s}}', to_jsonb("
        f"(value::jsonb->>'seen_s')::float - {seconds}))::text WHERE name = 'host:{host_id}'",
    )


def test_a_host_that_was_not_seen_is_dead_and_forgotten_after_a_day(host: Open, url: str) -> None:
    program = program_of(host("one").catalogue)
    for name in ("one", "other"):
        note_host(url, name, program)
    seen_before(url, "other", schema.ALIVE_S + 5)
    assert [seen.is_alive for seen in load_hosts(url)] == [True, False]
    seen_before(url, "other", 86_400)
    note_host(url, "one", program)
    assert [seen.id for seen in load_hosts(url)] == ["one"]


def test_the_check_reports_hosts_that_differ(host: Open, url: str) -> None:
    settings = host("one").settings
    alone = Settings(home=settings.home, database=url, rate_storage="redis://club.example")
    assert find_hosts(alone).detail == "none serves now"
    own = program_of(host("other").catalogue)
    note_host(url, "one", own)
    note_host(url, "other", own)
    assert find_hosts(alone).is_ok
    assert "KBAPI_RATE_STORAGE" in find_hosts(settings).detail
    note_host(url, "other", Program("0.0.9", own.schema, own.rules, own.catalogue))
    assert "finish the upgrade" in find_hosts(alone).detail
    note_host(url, "other", Program(own.version, own.schema, own.rules, "3f3f3f3f3f3f"))
    found = find_hosts(alone)
    assert not found.is_ok
    assert "catalogue folders of the hosts differ" in found.detail


def test_a_file_has_one_host(instance: Instance) -> None:
    assert list((instance_state(instance).hosts or {}).values()) == [1]
    assert load_hosts(instance.settings.database_path) == []
    with instance.alone_with(QUESTION, 0) as is_alone, instance.alone_with(QUESTION, 0) as again:
        assert (is_alone, again) == (True, True)


def test_another_secret_is_refused_while_the_database_is_empty(url: str, tmp_path: Path) -> None:
    other = Settings(home=tmp_path / "other", database=url)
    with pytest.raises(UnsafeSetup, match=r"secret\.key is missing here"):
        create_or_open_instance(other)
    assert not (tmp_path / "other").exists()
    (tmp_path / "other").mkdir()
    write_secret(other.secret_path, random_secret())
    with pytest.raises(UnsafeSetup, match="is not the secret of this database"):
        create_or_open_instance(other)


def test_of_two_secrets_at_the_same_moment_one_is_first(url: str, tmp_path: Path) -> None:
    execute(url, "DELETE FROM mark WHERE name = 'key_id'")
    refused: list[UnsafeSetup] = []

    def begin(name: str) -> None:
        (tmp_path / name).mkdir()
        write_secret(tmp_path / name / "secret.key", random_secret())
        try:
            open_instance(Settings(home=tmp_path / name, database=url)).close()
        except UnsafeSetup as error:
            refused.append(error)

    hosts = [Thread(target=begin, args=(f"host-{number}",)) for number in range(4)]
    for one in hosts:
        one.start()
    for one in hosts:
        one.join()
    assert len(refused) == 3


def test_keys_sessions_and_revocations_hold_on_every_host(host: Open) -> None:
    one, other = host("one"), host("other")
    key = give_key(one, "anna", ("submit",))
    holder = find_holder(other, key.key)
    session = begin_session(one, holder)
    assert find_session_holder(other, session) == holder
    revoke_key(other, key.id)
    with pytest.raises(AccessKeyWrong):
        find_holder(one, key.key)
    assert find_session_holder(one, session) is None


def test_one_host_alone_computes_a_question(host: Open) -> None:
    one, other = host("one"), host("other")
    with one.alone_with(QUESTION, 0) as is_alone:
        assert is_alone
        with other.alone_with(QUESTION, 0) as is_other, other.alone_with(QUESTION, 0.02) as late:
            assert (is_other, late) == (False, False)
        with other.alone_with("cd" * 32, 0) as is_free:
            assert is_free
    with other.alone_with(QUESTION, LATE_S) as is_free_again:
        assert is_free_again


def test_a_lost_connection_frees_the_question(host: Open, url: str) -> None:
    one, other = host("one"), host("other")
    with one.alone_with(QUESTION, 0):
        execute(
            url,
            "SELECT pg_terminate_backend(pid, 5000) FROM pg_locks WHERE locktype = 'advisory' "
            "AND database = (SELECT oid FROM pg_database WHERE datname = current_database())",
        )
        with other.alone_with(QUESTION, LATE_S) as is_alone:
            assert is_alone


def test_hosts_that_are_asked_at_once_compute_once(host: Open) -> None:
    hosts = [host(f"host-{number}") for number in range(3)]
    send(hosts[0], a_submission(a_setting()))
    asked, served = a_question(hosts[0]), Counter[str]()
    bodies = []

    def ask(instance: Instance) -> None:
        bodies.append(advise_start(instance, asked).body)

    flights = [instance.single_flight for instance in hosts]
    compute = SingleFlight._once_over_hosts

    def counted(self: SingleFlight, *given: object) -> object:
        found = compute(self, *given)  # type: ignore[arg-type]
        served[found[1]] += 1
        return found

    for flight in flights:
        flight._once_over_hosts = counted.__get__(flight)  # type: ignore[method-assign]
    threads = [Thread(target=ask, args=(instance,)) for instance in hosts]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert served["computed"] == 1
    assert len(bodies) == 3
    assert len(set(bodies)) == 1


def test_hosts_work_through_a_pooler_that_has_fewer_connections(
    host: Open, url: str, tmp_path: Path
) -> None:
    with a_pooler(url, tmp_path, connections=3) as pooled:
        hosts = [host(name, database=pooled, database_pooler=True) for name in ("one", "other")]
        with ThreadPoolExecutor(8) as clients:
            sent = list(
                clients.map(
                    lambda n: send(hosts[n % 2], a_submission(a_setting(), number=n), f"key-{n}"),
                    range(24),
                )
            )
            assert len({one.receipt for one in sent}) == 24
            asked = a_question(hosts[0])
            bodies = set(clients.map(lambda n: advise_start(hosts[n % 2], asked).body, range(24)))
        assert len(bodies) == 1
        again = send(hosts[1], a_submission(a_setting(), number=0), "key-0")
        assert again.receipt == sent[0].receipt
        with hosts[0].alone_with(QUESTION, 0), hosts[1].alone_with(QUESTION, 0) as is_alone:
            assert not is_alone
        hosts[0].begin_serving()
        assert is_seen(pooled, 1)
        for one in hosts:
            one.close()  # the database is dropped when nothing is connected


def test_another_host_computes_and_this_one_serves_what_was_right() -> None:
    now = [100.0]
    flight = SingleFlight(lambda: now[0])
    earlier, later = AnswerBytes(b"{1}", "1"), AnswerBytes(b"{2}", "2")
    flight.was_right("asked", earlier)
    waited: list[float] = []
    stored: list[AnswerBytes | None] = [None]

    class Held:
        def __init__(self, wait_s: float) -> None:
            waited.append(wait_s)

        def __enter__(self) -> bool:
            return False

        def __exit__(self, *_: object) -> None:
            pass

    def compute() -> AnswerBytes:
        return later

    others = OtherHosts(Held, lambda: stored[0])  # type: ignore[arg-type]
    now[0] += 1.5
    found = flight.fly("asked", compute, others)
    assert (found.body, found.age_s, waited) == (b"{1}", 1, [0.0])
    now[0] += 0.6
    # Now it is too old: a wait, then what the other one stored, else an own computation.
    stored[0] = later
    assert flight.fly("asked", lambda: earlier, others) == later
    now[0] += 2.1
    stored[0] = None
    assert flight.fly("asked", lambda: earlier, others) == earlier
    assert waited == [0.0, 5.0, 5.0]


@pytest.fixture
def later(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., None]:
    """Makes this process the program of a later schema."""

    def become(*bodies: str) -> None:
        copy = later_migrations(tmp_path / "later", *bodies)
        monkeypatch.setattr(schema, "bundled_folder", lambda _: copy)

    return become


def test_an_older_program_serves_a_newer_schema_that_it_can_read(
    host: Open, url: str, later: Callable[..., None], monkeypatch: pytest.MonkeyPatch
) -> None:
    old = host("old")
    head = schema.head_revision()
    later(CREATE_A_TABLE.format(name="later_table") + f'\n\n\nreadable_from = "{head}"')
    note_host(url, "old", Program("0.0.9", head, RULES_VERSION, ""))
    schema.upgrade_to_head(url)
    assert schema.current_revision(url) == "t1"
    monkeypatch.undo()
    schema.require_current_schema(url)
    send(old, a_submission(a_setting()))
    host("another").close()
    with pytest.raises(SchemaMismatch, match="newer than this program"):
        schema.require_no_newer_schema(schema.current_revision(url))


def test_readiness_opens_no_connection_of_its_own(
    host: Open, url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    served = host("served")
    client = create_app(served).test_client()
    assert client.get("/health/ready").status_code == 200

    def refuse(*_: object, **__: object) -> None:
        raise psycopg.OperationalError

    monkeypatch.setattr(psycopg.Connection, "connect", refuse)
    assert client.get("/health/ready").status_code == 200
    with pytest.raises(StorageUnreachable):  # the refusal is met by what opens a connection
        schema.require_current_schema(url)


def test_what_takes_away_waits_for_the_last_old_host(
    host: Open, url: str, later: Callable[..., None], monkeypatch: pytest.MonkeyPatch
) -> None:
    head = schema.head_revision()
    note_host(url, "old", Program("0.0.9", head, RULES_VERSION, ""))
    later(CREATE_A_TABLE.format(name="later_table"))
    with pytest.raises(InstanceInUse, match=r"1 of the hosts .* \(version 0\.0\.9\)"):
        schema.upgrade_to_head(url)
    assert schema.current_revision(url) == head
    seen_before(url, "old", schema.ALIVE_S + 5)
    note_host(url, "new", Program("0.2.0", "t1", RULES_VERSION, ""))
    schema.upgrade_to_head(url)
    assert schema.current_revision(url) == "t1"
    monkeypatch.undo()
    with pytest.raises(SchemaMismatch):
        schema.require_current_schema(url)


def mark_of(instance: Instance) -> int:
    with instance.reading() as connection:
        return schema.load_mark(connection)


def test_a_result_by_older_rules_takes_the_mark_of_later_ones_back(host: Open, url: str) -> None:
    old = host("old")
    assert mark_of(old) == RULES_VERSION
    execute(url, f"UPDATE mark SET value = '{RULES_VERSION + 1}' WHERE name = 'rules_version'")
    send(old, a_submission(a_setting()))
    assert mark_of(old) == RULES_VERSION
    assert not is_rescreening_due(old)


def test_a_program_that_a_later_schema_excludes_ends(
    host: Open, url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    ended = Event()
    monkeypatch.setattr(health.os, "kill", lambda *_: ended.set())
    execute(url, "UPDATE alembic_version SET version_num = 't9'")
    served = None
    with pytest.raises(SchemaMismatch):
        served = host("late")
    assert served is None
    execute(url, f"UPDATE alembic_version SET version_num = '{schema.head_revision()}'")
    old = host("old")
    execute(url, "UPDATE alembic_version SET version_num = 't9'")
    old.begin_serving()
    assert ended.wait(LATE_S)
    assert load_hosts(url) == []
