"""Results under earlier rules are reported to the host at low cost, until there are none."""

import re
from pathlib import Path

import pytest

from kbapi.app import create_app
from kbapi.instance.backup import make_backup
from kbapi.instance.check import check_instance
from kbapi.instance.instance import Instance, open_instance
from kbapi.instance.restore import restore_backup
from kbapi.intake import rescreen as rescreening
from kbapi.intake.rescreen import is_rescreening_due, rescreen
from kbapi.settings import Settings
from kbapi.storage import schema
from kbapi.storage.schema import upgrade_to_head
from kbapi.storage.sql import driver_of
from kbapi.storage.sqlite.engine import reading_untouched
from kbapi.versions import RULES_VERSION
from tests.makers import HandMovedClock, a_submission, give_up_lost_secret, send
from tests.storage.test_schema_upgrades import database_at

MANY = 12


def execute(instance: Instance, sql: str) -> None:
    with instance.writing() as connection:
        connection.exec_driver_sql(sql)


def mark(instance: Instance, rules_version: int) -> None:
    with instance.writing() as connection:
        schema.save_mark(connection, rules_version)


def mark_of(instance: Instance) -> int:
    with instance.reading() as connection:
        return schema.load_mark(connection)


def reopened(instance: Instance, **changes: object) -> Instance:
    """As the next server finds it."""
    return open_instance(instance.settings.model_copy(update=changes), HandMovedClock())


def reported(instance: Instance) -> tuple[str, str, str]:
    """What health, metrics and `kbapi check` say."""
    client = create_app(instance).test_client()
    ready = client.get("/health/ready")
    assert (ready.status_code, ready.get_json()["status"]) == (200, "ready")
    metrics = client.get("/metrics").get_data(as_text=True)
    (value,) = re.findall(r"^kbapi_rescreening_due (\S+)$", metrics, re.MULTILINE)
    (found,) = (one for one in check_instance(instance.settings) if one.subject == "rules")
    assert found.is_ok == (not found.detail[0].isdigit())
    return ready.get_json()["rescreening"], value, found.detail.partition(" ")[0]


DONE = ("done", "0.0", "every")


@pytest.fixture
def many(instance: Instance) -> Instance:
    for number in range(MANY):
        send(instance, a_submission(number=number))
    return instance


def test_results_under_older_rules_are_reported_until_they_are_screened_again(
    many: Instance,
) -> None:
    assert reported(many) == DONE
    execute(many, "UPDATE submission SET rules_version = 1")
    older = reopened(many)
    assert reported(older) == ("due", "1.0", str(MANY))
    assert is_rescreening_due(older)
    assert rescreen(older) == MANY
    later = reopened(many)
    assert reported(later) == DONE
    assert not is_rescreening_due(later)
    for opened in (older, later):
        opened.close()


@pytest.mark.sqlite("a database on PostgreSQL begins with schema 0005")
@pytest.mark.parametrize("dump", ["0001_rules_2", "0001_no_readings"])
def test_an_upgrade_that_ends_after_its_migrations_is_reported(tmp_path: Path, dump: str) -> None:
    settings = Settings(home=tmp_path)
    database_at(dump, settings.database_path)
    upgrade_to_head(settings.database_path)
    give_up_lost_secret(settings)
    upgraded = open_instance(settings)
    assert reported(upgraded)[:2] == ("due", "1.0")
    rescreen(upgraded)
    upgraded.close()
    upgraded = open_instance(settings)
    assert reported(upgraded) == DONE
    upgraded.close()


def test_an_interrupted_rescreening_is_reported_also_behind_new_results(
    many: Instance, monkeypatch: pytest.MonkeyPatch
) -> None:
    execute(many, "UPDATE submission SET rules_version = 1")
    mark(many, 1)
    monkeypatch.setattr(rescreening, "_AT_ONCE", 5)
    done: list[int] = []
    one = rescreening._rescreen_one

    def killed_at_the_seventh(instance: Instance, connection: object, number: int) -> None:
        if len(done) == 7:
            raise KeyboardInterrupt
        done.append(number)
        one(instance, connection, number)

    monkeypatch.setattr(rescreening, "_rescreen_one", killed_at_the_seventh)
    with pytest.raises(KeyboardInterrupt):
        rescreen(many)
    send(many, a_submission(number=MANY))
    half = reopened(many)
    assert reported(half) == ("due", "1.0", str(MANY - 5))
    assert is_rescreening_due(half)
    assert mark_of(half) == 1
    monkeypatch.setattr(rescreening, "_rescreen_one", one)
    assert rescreen(half) == MANY - 5
    assert mark_of(half) == RULES_VERSION
    half.close()


def test_a_running_server_finds_out_at_once(many: Instance) -> None:
    execute(many, "UPDATE submission SET rules_version = 1")
    server = reopened(many)
    assert server.is_rescreening_due()
    rescreen(many)
    assert not server.is_rescreening_due()
    server.close()


@pytest.mark.sqlite("its own steps are counted")
def test_the_check_costs_the_same_for_any_number_of_results(instance: Instance) -> None:
    def steps() -> int:
        taken: list[None] = []
        with reading_untouched(instance.settings.database_path) as connection:
            driver_of(connection).set_progress_handler(lambda: taken.append(None), 1)
            assert not schema.has_older(connection, RULES_VERSION)
            driver_of(connection).set_progress_handler(None, 1)
        return len(taken)

    for number in range(2):
        send(instance, a_submission(number=number))
    few = steps()
    for number in range(2, 60):
        send(instance, a_submission(number=number))
    assert steps() == few
    mark(instance, 0)
    assert steps() > few + 60, "without a mark each result is looked at"


def test_a_database_without_the_mark_is_searched_once(many: Instance) -> None:
    mark(many, 0)
    unmarked = reopened(many)
    assert reported(unmarked) == DONE
    assert mark_of(unmarked) == 0, "monitoring writes nothing"
    assert not is_rescreening_due(unmarked)
    assert mark_of(unmarked) == RULES_VERSION
    unmarked.close()


def test_an_older_program_resets_the_mark_before_it_stores_anything(many: Instance) -> None:
    mark(many, RULES_VERSION + 1)
    assert not is_rescreening_due(many)
    assert mark_of(many) == RULES_VERSION


def test_a_mark_that_is_too_high_is_reset(many: Instance) -> None:
    execute(many, "UPDATE submission SET rules_version = 1")
    older = reopened(many)
    assert is_rescreening_due(older)
    assert mark_of(older) == RULES_VERSION - 1
    older.close()


def test_a_read_only_instance_is_reported_too(many: Instance) -> None:
    mark(many, 0)
    closed = reopened(many, read_only=True)
    assert not is_rescreening_due(closed)
    assert mark_of(closed) == 0
    closed.close()


@pytest.mark.sqlite("kbapi copies its file; PostgreSQL makes its own backups")
def test_backups_keep_the_mark(many: Instance, tmp_path: Path) -> None:
    execute(many, "UPDATE submission SET rules_version = 1 WHERE id = 5")
    mark(many, 1)
    file = make_backup(many.settings, tmp_path / "backups", None).file
    rescreen(many)
    many.close()
    restore_backup(many.settings, file)
    restored = reopened(many)
    assert mark_of(restored) == 1
    assert reported(restored) == ("due", "1.0", "1")
    restored.close()


def test_a_new_instance_has_the_mark(instance: Instance) -> None:
    assert mark_of(instance) == RULES_VERSION
    assert reported(instance) == DONE
