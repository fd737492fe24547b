"""Results that came under earlier rules: screened again, with their data, once."""

from pathlib import Path
from typing import Any

import numpy as np
import orjson
import pytest

from kbapi.demo.members import install_catalogue
from kbapi.evidence.units import load_pool_rows, standing_on, units_of
from kbapi.instance.instance import Instance, open_instance
from kbapi.instance.secret import receipt_of
from kbapi.intake.follow_up import accept_follow_up
from kbapi.intake.my_submissions import read_own_result
from kbapi.intake.rescreen import check_pools, rescreen
from kbapi.settings import Settings
from kbapi.storage.pools import load_all_pools
from kbapi.storage.schema import upgrade_to_head
from kbapi.storage.sql import add_row, change_rows, find_rows
from kbapi.versions import RULES_VERSION
from tests.intake.evidence_text import evidence_text, instances_of_one_secret
from tests.makers import a_body, a_setting, a_submission, give_up_lost_secret, rows_of, send
from tests.storage.test_schema_upgrades import database_at

OLD_FILES = "a database on PostgreSQL begins with schema 0005"


@pytest.fixture(params=["0001_rules_1", "0001_rules_2", "0001_no_readings"])
def upgraded(tmp_path: Path, request: pytest.FixtureRequest) -> Instance:
    settings = Settings(home=tmp_path)
    database_at(request.param, settings.database_path)
    upgrade_to_head(settings.database_path)
    give_up_lost_secret(settings)
    install_catalogue(settings.catalogue_path)
    return open_instance(settings)


def column(instance: Instance, sql: str) -> list[Any]:
    with instance.reading() as connection:
        return [value for (value,) in find_rows(connection, sql, ())]


@pytest.mark.sqlite(OLD_FILES)
def test_every_result_is_screened_by_current_rules_and_sound_ones_count_as_before(
    upgraded: Instance,
) -> None:
    before = evidence_text(upgraded)
    stored = column(upgraded, "SELECT COUNT(*) FROM submission")[0]
    assert rescreen(upgraded) == stored > 10
    assert set(column(upgraded, "SELECT rules_version FROM submission")) == {RULES_VERSION}
    refused = set(
        column(
            upgraded,
            "SELECT unit_id FROM setting_result WHERE reasons LIKE '%refused_by_current_rules%'",
        )
    )
    # Earlier rules excluded a first failure without a passed test at stock; now it counts in part.
    unproven = column(
        upgraded,
        "SELECT unstable_steps FROM setting_result "
        "WHERE reasons LIKE '%stock_unproven%' AND status = 'counted'",
    )
    after = evidence_text(upgraded)
    assert len(set(before) - set(after)) == len(refused)
    assert len(set(after) - set(before)) == len(unproven)
    assert len(after) == len(before) - len(refused) + len(unproven)
    assert rescreen(upgraded) == 0
    upgraded.close()


@pytest.mark.sqlite(OLD_FILES)
@pytest.mark.parametrize("upgraded", ["0001_rules_2"], indirect=True)
def test_an_excluded_failure_of_unproven_stock_counts_in_part_after_an_upgrade(
    upgraded: Instance,
) -> None:
    sql = "SELECT unit_id FROM setting_result WHERE reasons = '[\"stock_unproven\"]' AND status = "
    (unit,) = column(upgraded, f"{sql}'excluded'")
    rescreen(upgraded)
    assert column(upgraded, f"{sql}'counted'") == [unit]
    pools = "SELECT pool_id FROM setting_result WHERE unit_id ="
    (pool,) = column(upgraded, f"{pools} {unit}")
    with upgraded.reading() as connection:
        units = units_of(load_pool_rows(connection, pool, standing_on(upgraded.today(), b"")))
    (place,) = np.flatnonzero(units.unit == unit)
    assert units.stock_unproven[place]
    assert units.weight_ppm[place] == 100_000
    upgraded.close()


@pytest.mark.sqlite(OLD_FILES)
@pytest.mark.parametrize("upgraded", ["0001_rules_2"], indirect=True)
def test_personal_data_is_removed_from_the_stored_document(upgraded: Instance) -> None:
    assert "annas-macbook" in str(column(upgraded, "SELECT document FROM submission"))
    rescreen(upgraded)
    documents = column(upgraded, "SELECT document FROM submission")
    assert not [text for text in documents if "annas-macbook" in text]
    assert all(orjson.loads(text)["settings"] for text in documents)
    upgraded.close()


@pytest.mark.sqlite(OLD_FILES)
@pytest.mark.parametrize("upgraded", ["0001_rules_2"], indirect=True)
def test_a_result_that_current_rules_refuse_is_kept_excluded_with_a_reason(
    upgraded: Instance,
) -> None:
    rescreen(upgraded)
    ids = column(
        upgraded,
        "SELECT public_id FROM submission JOIN setting_result AS setting "
        "ON setting.submission_id = submission.id "
        "WHERE setting.reasons = '[\"refused_by_current_rules\"]'",
    )
    assert ids
    for public_id in ids:
        own = read_own_result(upgraded, public_id, receipt_of(upgraded.secret, public_id))
        assert own.screening.status == "excluded"
        assert "Withdraw it and send a corrected one" in own.settings[0].reasons[0].text
    upgraded.close()


def test_screening_again_equals_sending_now(tmp_path: Path) -> None:
    old, new = instances_of_one_secret(tmp_path, "old", "new")
    lock = {"domain": "core", "control": "voltage_offset", "status": "os_blocked"}
    documents = [
        a_submission(number=1, platform={"firmware": "1.14", "supply": "battery"}),
        a_submission(a_setting(minutes=5), number=2),
        a_submission(number=3, locks=[lock]),
        a_submission(number=4, readings=[{"state": "stock", "temp_avg_c": 511}]),
    ]
    for document in documents:
        send(old, document)
        send(new, document)
    with old.writing() as connection:
        # As the first rules would have left it: no era, all counted, nothing ignored.
        connection.exec_driver_sql(
            "UPDATE submission SET rules_version = 1, reading_ignored = '[]'"
        )
        connection.exec_driver_sql("UPDATE setting_result SET status = 'counted', reasons = '[]'")
        connection.exec_driver_sql("DELETE FROM lock_report")
        connection.exec_driver_sql("DELETE FROM reading")
    assert rescreen(old) == 4
    assert evidence_text(old) == evidence_text(new)
    for table in ("submission", "setting_result", "lock_report", "reading"):
        assert [row[6:] for row in rows_of(old)[table]] == [row[6:] for row in rows_of(new)[table]]
    old.close()
    new.close()


WITHOUT = {"contributor_token": ..., "unit_token": ...}
FOLLOW_UP = {"domain": "core", "control": "voltage_offset", "setting": -80, "days": 40}


def test_equal_results_without_a_unit_token_become_one_unit_again(tmp_path: Path) -> None:
    """Before schema 0004 each was a unit of its own, so that seven equal ones counted as seven."""
    old, new = instances_of_one_secret(tmp_path, "old", "new")
    documents = [
        *(a_submission(**WITHOUT) for _ in range(7)),
        a_submission(a_setting(minutes=64), **WITHOUT),
        *(a_submission(unit_token=...) for _ in range(2)),
        a_submission(),
    ]
    for instance in (old, new):
        for document in documents:
            sent = send(instance, document)
            body = a_body(FOLLOW_UP | {"outcome": "failed_later"})
            accept_follow_up(instance, sent.id, sent.receipt, body)
    make_units_of_their_own(old)
    assert column(old, "SELECT COUNT(*) FROM unit") == [11]
    assert rescreen(old) == 11
    assert column(old, "SELECT COUNT(*) FROM unit") == [4]
    assert evidence_text(old) == evidence_text(new)
    of_unit = "SELECT COUNT(*) FROM {} GROUP BY unit_id ORDER BY 1"
    for table in ("submission", "follow_up", "setting_result"):
        assert column(old, of_unit.format(table)) == [1, 1, 2, 7]
    kept = "SELECT document_hash FROM unit ORDER BY document_hash"
    assert column(old, kept) == column(new, kept)
    old.close()
    new.close()


def make_units_of_their_own(instance: Instance) -> None:
    """Each result without a unit token as schema 0003 stored it."""
    shared = "SELECT submission.id, contributor_id FROM submission JOIN unit ON unit.id = unit_id"
    with instance.writing() as connection:
        rows = find_rows(connection, f"{shared} WHERE token_hash IS NULL", ())
        connection.exec_driver_sql("UPDATE unit SET document_hash = NULL")
        for submission_id, contributor_id in rows:
            unit_id = add_row(
                connection, "INSERT INTO unit (contributor_id) VALUES (?)", (contributor_id,)
            )
            for table, key in (
                ("submission", "id"),
                ("setting_result", "submission_id"),
                ("follow_up", "submission_id"),
            ):
                moved = f"UPDATE {table} SET unit_id = ? WHERE {key} = ?"
                change_rows(connection, moved, (unit_id, submission_id))
        unused = "DELETE FROM unit WHERE id NOT IN (SELECT unit_id FROM submission)"
        connection.exec_driver_sql(unused)
        connection.exec_driver_sql("UPDATE submission SET rules_version = 1")


@pytest.mark.sqlite(OLD_FILES)
@pytest.mark.parametrize("upgraded", ["0001", "0002", "0003", "0004", "0005"], indirect=True)
def test_all_pools_are_checked_for_outliers_again(upgraded: Instance) -> None:
    """What an earlier check excluded is stored; senders and curators see what excludes now."""
    rescreen(upgraded)
    check_pools(upgraded)
    assert check_pools(upgraded) == 0
    with upgraded.reading() as connection:
        pools = load_all_pools(connection)
        unit, pool = connection.exec_driver_sql(
            "SELECT unit_id, pool_id FROM setting_result WHERE status = 'counted' "
            "AND unit_id NOT IN (SELECT unit_id FROM outlier_unit) LIMIT 1"
        ).one()
    right = rows_of(upgraded)
    # A unit on the shallow side that is not excluded any more, and one that should be and is not.
    with upgraded.writing() as connection:
        connection.exec_driver_sql("DELETE FROM outlier_unit")
        connection.exec_driver_sql("DELETE FROM differing_contributor")
        added = "INSERT INTO outlier_unit (pool_id, unit_id, code) VALUES (?, ?, 'outlier_shallow')"
        change_rows(connection, added, (pool, unit))
    steps: list[tuple[str, int, int]] = []
    assert check_pools(upgraded, lambda *step: steps.append(step)) in (1, 2)
    assert steps[-1] == ("pools checked for outliers", len(pools), len(pools))
    assert rows_of(upgraded) == right
    upgraded.close()


@pytest.mark.sqlite(OLD_FILES)
@pytest.mark.parametrize("upgraded", ["0001_no_readings"], indirect=True)
def test_results_older_than_the_table_of_readings_get_their_readings(upgraded: Instance) -> None:
    documents = [orjson.loads(text) for text in column(upgraded, "SELECT document FROM submission")]
    wanted = sum(len(document.get("readings", [])) for document in documents)
    assert wanted > 0
    assert column(upgraded, "SELECT COUNT(*) FROM reading") == [0]
    rescreen(upgraded)
    assert column(upgraded, "SELECT COUNT(*) FROM reading") == [wanted]
    states = column(upgraded, "SELECT state || is_below_stock FROM reading")
    assert set(states) == {"stock0", "tuned1"}
    upgraded.close()
