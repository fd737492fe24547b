"""Decisions change the evidence at once, and undo restores it."""

from dataclasses import replace
from typing import Any

import orjson
import pytest

from kbapi.access.keys import KeyHolder
from kbapi.advice.start.answer import advise_start
from kbapi.curation.decisions import accept_decisions
from kbapi.curation.item import show_item
from kbapi.errors import DocumentRefused
from kbapi.evidence.units import load_pool_rows, units_of
from kbapi.instance.instance import Instance
from kbapi.instance.secret import receipt_of
from kbapi.intake.follow_up import accept_follow_up
from kbapi.intake.my_submissions import read_own_result, withdraw_own_result, withdraw_own_results
from kbapi.intake.rescreen import rescreen
from kbapi.intake.responses import Accepted
from kbapi.storage.sql import find_number
from tests.curation.makers import a_curator, a_decision, decide, dry_run, send_deep
from tests.evidence.makers import STANDING, evidence_in
from tests.makers import (
    a_body,
    a_fixed_clock_setting,
    a_question,
    a_setting,
    a_submission,
    rows_of,
    send,
)


@pytest.fixture
def curator(instance: Instance) -> KeyHolder:
    return a_curator(instance)


def settings_and_evidence(instance: Instance) -> tuple[list[tuple[Any, ...]], ...]:
    """Without the numbers of the rows: PostgreSQL gives none of them twice."""
    return [row[1:] for row in rows_of(instance)["setting_result"]], evidence_in(instance)


def unit_of(instance: Instance) -> tuple[int, bool]:
    """How deep the only unit of pool 1 is stable, and whether a curator confirmed it."""
    with instance.reading() as connection:
        units = units_of(load_pool_rows(connection, 1, STANDING))
    return int(units.stable_steps.item()), bool(units.confirmed_by_curator.item())


def told_to_the_sender(instance: Instance, sent: Accepted) -> tuple[str, list[str]]:
    own = read_own_result(instance, sent.id, receipt_of(instance.secret, sent.id))
    return own.settings[0].status, [reason.code for reason in own.settings[0].reasons]


def answer(instance: Instance) -> dict[str, Any]:
    return orjson.loads(advise_start(instance, a_question(instance)).body)


def problems_of(refused: pytest.ExceptionInfo[DocumentRefused]) -> list[tuple[str, str]]:
    return [(problem.pointer, problem.code) for problem in refused.value.problems]


def test_an_excluded_setting_counts_with_its_ends_and_is_confirmed(
    instance: Instance, curator: KeyHolder
) -> None:
    deep = send_deep(instance)
    assert evidence_in(instance) == []
    response = decide(instance, curator, a_decision(deep, "include", "depth_confirmed"))
    (row,) = evidence_in(instance)
    # 200 and 210 mV on a grid of 1/1024 V.
    assert (row[3], row[4], row[-1]) == (205, 215, 1)
    assert (response.settings, response.decided, response.unchanged) == (1, 1, 0)
    assert (response.changed[0].before, response.changed[0].now) == ("excluded", "counted")
    status, codes = told_to_the_sender(instance, deep)
    assert status == "counted"
    assert codes == ["included_by_curator", "depth_confirmed", "beyond_soft_bound"]


def test_an_unverified_setting_counts_after_include(instance: Instance, curator: KeyHolder) -> None:
    unverified = send(instance, a_submission(a_setting(unstable_at=None)))
    assert unverified.settings[0].status == "unverified"
    decide(instance, curator, a_decision(unverified, "include", "effect_confirmed"))
    assert len(evidence_in(instance)) == 1
    assert answer(instance)["evidence"]["units_unverified"] == 0


@pytest.mark.parametrize(
    ("word", "reason", "code"),
    [
        ("exclude", "unlike_other_results", "excluded_by_curator"),
        ("invalidate", "wrong_units", "invalidated_by_curator"),
    ],
)
def test_a_counted_setting_leaves_the_evidence(
    instance: Instance, curator: KeyHolder, word: str, reason: str, code: str
) -> None:
    send(instance, a_submission(number=1))
    before = evidence_in(instance)
    sent = send(instance, a_submission(number=2))
    decide(instance, curator, a_decision(sent, word, reason))
    assert evidence_in(instance) == before
    assert told_to_the_sender(instance, sent) == ("excluded", [code, reason])


def test_undo_restores_the_evidence_to_the_byte(instance: Instance, curator: KeyHolder) -> None:
    send(instance, a_submission(number=1))
    own = send(instance, a_submission(a_setting(stable_at=-70, unstable_at=-75), number=2))
    deep = send_deep(instance, number=2)
    before = settings_and_evidence(instance)
    for word, reason in (("include", "depth_confirmed"), ("invalidate", "not_measured")):
        decide(instance, curator, a_decision(deep, word, reason), a_decision(own, word, reason))
        now = settings_and_evidence(instance)
        assert now[0] != before[0]
        assert now[1] != before[1]
    undo = (a_decision(one, "undo", "decided_in_error") for one in (deep, own))
    decide(instance, curator, *undo)
    assert settings_and_evidence(instance) == before
    assert len(rows_of(instance)["decision"]) == 6


def test_the_next_answer_includes_a_decision(instance: Instance, curator: KeyHolder) -> None:
    for number in range(4):
        send(instance, a_submission(number=number))
    before = answer(instance)
    failing = send(instance, a_submission(a_setting(stable_at=None, unstable_at=-10), number=9))
    with_it = answer(instance)
    assert with_it["evidence"]["failures"] == before["evidence"]["failures"] + 1
    decide(instance, curator, a_decision(failing, "invalidate", "machine_doubted"))
    without = answer(instance)
    assert without["start"] == before["start"]
    assert without["evidence"]["units_excluded"] == 1
    decide(instance, curator, a_decision(failing, "undo", "decided_in_error"))
    assert answer(instance)["start"] == with_it["start"]


def test_only_rows_of_an_included_setting_are_confirmed(
    instance: Instance, curator: KeyHolder
) -> None:
    shallow = a_setting(
        stable_at=-50,
        unstable_at=None,
        planned_end=-50,
        read_back=-50,
        effect={"shown_by": "read_back"},
    )
    send(instance, a_submission(shallow))
    deep = send_deep(instance)
    decide(instance, curator, a_decision(deep, "include", "depth_confirmed"))
    # The failure is confirmed as well, and it bounds both passes.
    assert {row[3]: row[-1] for row in evidence_in(instance)} == {51: 0, 205: 1}
    assert unit_of(instance) == (205, True)
    failure = send(instance, a_submission(a_setting(stable_at=None, unstable_at=-100)))
    assert failure.settings[0].status == "counted"
    assert {row[3]: row[-1] for row in evidence_in(instance) if row[3]} == {51: 0}
    assert unit_of(instance) == (51, False)


def test_follow_ups_leave_with_their_setting(instance: Instance, curator: KeyHolder) -> None:
    sent = send(instance, a_submission(a_setting(in_use=-70)))
    later = {"domain": "core", "control": "voltage_offset", "outcome": "failed_later", "days": 9}
    accept_follow_up(instance, sent.id, sent.receipt, a_body(later))
    before = evidence_in(instance)
    assert min(row[4] for row in before) < 80
    decide(instance, curator, a_decision(sent, "invalidate", "not_measured"))
    assert evidence_in(instance) == []
    (response,) = read_own_result(instance, sent.id, sent.receipt).follow_ups
    assert (response.status, response.reasons[0]) == ("recorded", "setting_excluded")
    decide(instance, curator, a_decision(sent, "undo", "decided_in_error"))
    assert evidence_in(instance) == before
    (response,) = read_own_result(instance, sent.id, sent.receipt).follow_ups
    assert (response.status, response.reasons) == ("counted", ())


def test_a_decision_about_a_setting_includes_its_follow_ups(
    instance: Instance, curator: KeyHolder
) -> None:
    sent = send(instance, a_submission(a_setting(in_use=-70)))
    decide(instance, curator, a_decision(sent, "include", "depth_confirmed"))
    later = {
        "domain": "core",
        "control": "voltage_offset",
        "outcome": "still_stable",
        "days": 40,
        "effect": {"shown_by": "less_power"},
        "changed": ["firmware"],
    }
    accept_follow_up(instance, sent.id, sent.receipt, a_body(later))
    rows = evidence_in(instance)
    assert len({row[2] for row in rows}) == 2
    assert {row[-1] for row in rows} == {1}
    decide(instance, curator, a_decision(sent, "undo", "decided_in_error"))
    assert {row[-1] for row in evidence_in(instance)} == {0}


def test_a_decision_keeps_the_follow_ups_of_another_setting(
    instance: Instance, curator: KeyHolder
) -> None:
    low, high = (
        a_fixed_clock_setting(clock_mhz=clock, in_use=820, effect={"shown_by": "less_power"})
        for clock in (1810, 1890)
    )
    graphics = "Osmer Kestrel 640 Laptop Graphics"
    sent = send(instance, a_submission(low, high, chip=graphics))
    later = {
        "domain": "gpu_core",
        "control": "fixed_clock_voltage",
        "clock_mhz": 1890,
        "outcome": "failed_later",
        "days": 9,
    }
    accept_follow_up(instance, sent.id, sent.receipt, a_body(later))
    shallowest = min(row[4] for row in evidence_in(instance))
    decide(instance, curator, a_decision(sent, "invalidate", "wrong_chip"))
    assert min(row[4] for row in evidence_in(instance)) == shallowest
    decide(instance, curator, a_decision(sent, "invalidate", "wrong_chip", ordinal=1))
    assert evidence_in(instance) == []


@pytest.mark.parametrize(
    "setting",
    [
        a_fixed_clock_setting(stock_mv=...),
        a_setting(minutes=5, checked_results=False, moved_with=["ring"]),
    ],
    ids=["no stock voltage", "short, and a failure with several possible causes"],
)
def test_a_setting_without_any_end_cannot_be_made_to_count(
    instance: Instance, curator: KeyHolder, setting: dict[str, Any]
) -> None:
    document = a_submission(setting)
    if setting["domain"] == "core":
        in_force = [
            {"domain": "core", "control": "voltage_offset", "value": -90},
            {"domain": "ring", "control": "voltage_offset", "value": -90},
            {"domain": "graphics", "control": "voltage_offset", "value": -40},
        ]
        document["trials"] = [{"settings": in_force, "outcome": "failed", "seconds": 60}]
    else:
        document["chip"] = "Osmer Kestrel 640 Laptop Graphics"
    sent = send(instance, document)
    assert sent.settings[0].status == "excluded"
    before = rows_of(instance)
    with pytest.raises(DocumentRefused) as refused:
        decide(instance, curator, a_decision(sent, "include", "rule_does_not_fit"))
    assert problems_of(refused) == [("/decisions/0", "nothing_to_count")]
    assert rows_of(instance) == before
    decide(instance, curator, a_decision(sent, "exclude", "testing_doubted"))


def test_all_decisions_are_stored_or_none(instance: Instance, curator: KeyHolder) -> None:
    deep = send_deep(instance)
    before = rows_of(instance)
    with pytest.raises(DocumentRefused) as refused:
        decide(
            instance,
            curator,
            a_decision(deep, "include", "depth_confirmed"),
            a_decision("01a21000-8800-736b-8fa7-7e16bf7f60fd", "invalidate", "not_measured"),
            a_decision(deep, "invalidate", "depth_confirmed"),
            a_decision(deep, "include", "depth_confirmed", ordinal=1),
        )
    assert problems_of(refused) == [
        ("/decisions/1", "setting_unknown"),
        ("/decisions/2/reason", "reason_does_not_fit"),
        ("/decisions/3", "setting_unknown"),
        ("/decisions/2", "duplicate_decision"),
    ]
    assert rows_of(instance) == before


def test_a_repeated_decision_is_not_stored_again(instance: Instance, curator: KeyHolder) -> None:
    deep = send_deep(instance)
    assert decide(instance, curator, a_decision(deep, "undo", "rules_apply")).unchanged == 1
    decide(instance, curator, a_decision(deep, "include", "depth_confirmed"))
    response = decide(instance, curator, a_decision(deep, "include", "depth_confirmed"))
    assert (response.decided, response.unchanged, response.changed) == (0, 1, ())
    assert decide(instance, curator, a_decision(deep, "include", "rule_does_not_fit")).decided == 1
    assert len(rows_of(instance)["decision"]) == 2


def test_one_decision_can_include_all_settings_of_a_contributor(
    instance: Instance, curator: KeyHolder
) -> None:
    mine = [
        send(instance, a_submission(unit_token=f"tidewater-unit-x{number:05}", number=1))
        for number in range(3)
    ]
    other = send(instance, a_submission(number=2))
    contributor = _contributor_of(instance, mine[0])
    response = decide(
        instance,
        curator,
        {"contributor": contributor, "decision": "invalidate", "reason": "not_measured"},
    )
    assert (response.settings, response.decided) == (3, 3)
    assert {told_to_the_sender(instance, one)[0] for one in mine} == {"excluded"}
    assert told_to_the_sender(instance, other) == ("counted", [])


def _contributor_of(instance: Instance, sent: Accepted) -> int:
    with instance.reading() as connection:
        number = find_number(
            connection,
            "SELECT contributor_id FROM unit JOIN submission ON submission.unit_id = unit.id "
            "WHERE public_id = ?",
            (sent.id,),
        )
    assert number is not None
    return number


@pytest.mark.parametrize(
    ("origin", "hit"),
    [
        ({"client": "broken-script/0.1"}, {0, 1}),
        ({"firmware": "1.14"}, {1, 2}),
        ({"firmware": "1.14", "client": "broken-script/0.1"}, {1}),
        ({"firmware": "1.14", "machine": "harbour-15"}, {2}),
    ],
)
def test_one_decision_can_include_all_settings_of_an_origin(
    instance: Instance, curator: KeyHolder, origin: dict[str, str], hit: set[int]
) -> None:
    old, new = {"firmware": "1.14"}, {"firmware": "1.15"}
    sent = [
        send(instance, a_submission(number=number, platform=platform, client=client))
        for number, (platform, client) in enumerate(
            [
                (new, "broken-script/0.1"),
                (old, "broken-script/0.1"),
                ({**old, "machine": "harbour-15"}, "tidewater-script/0.3"),
                (new, "tidewater-script/0.3"),
            ]
        )
    ]
    decide(
        instance, curator, {"origin": origin, "decision": "invalidate", "reason": "script_error"}
    )
    statuses = [told_to_the_sender(instance, one)[0] for one in sent]
    assert {place for place, status in enumerate(statuses) if status == "excluded"} == hit


def test_too_many_settings_in_one_request_are_refused(
    instance: Instance, curator: KeyHolder, monkeypatch: pytest.MonkeyPatch
) -> None:
    for number in range(3):
        send(instance, a_submission(number=number))
    monkeypatch.setattr("kbapi.curation.decisions.MOST_SETTINGS_AT_ONCE", 2)
    before = rows_of(instance)
    everywhere = {"origin": {"client": "tidewater-script/0.3"}}
    with pytest.raises(DocumentRefused) as refused:
        decide(
            instance, curator, {**everywhere, "decision": "invalidate", "reason": "script_error"}
        )
    assert problems_of(refused) == [("/decisions/0", "too_many_settings")]
    assert rows_of(instance) == before


def test_a_repeated_result_gets_its_present_status(instance: Instance, curator: KeyHolder) -> None:
    deep = send_deep(instance)
    decide(instance, curator, a_decision(deep, "include", "depth_confirmed"))
    repeat = send_deep(instance)
    assert repeat.duplicate_of == deep.id
    assert repeat.screening.status == "counted"
    assert repeat.settings[0].reasons[0].code == "included_by_curator"


def test_a_withdrawal_removes_its_decisions(instance: Instance, curator: KeyHolder) -> None:
    keys = rows_of(instance)["access_key"]
    for withdraw in (
        lambda sent: withdraw_own_result(instance, sent.id, sent.receipt),
        lambda _: withdraw_own_results(instance, "tidewater-member-000001"),
    ):
        deep = send_deep(instance)
        decide(instance, curator, a_decision(deep, "include", "depth_confirmed"))
        withdraw(deep)
        assert {name: rows for name, rows in rows_of(instance).items() if rows} == {
            "access_key": keys
        }


@pytest.mark.parametrize(
    ("word", "reason", "status"),
    [("include", "depth_confirmed", "counted"), ("invalidate", "not_measured", "excluded")],
)
def test_decisions_hold_when_results_are_screened_again(
    instance: Instance, curator: KeyHolder, word: str, reason: str, status: str
) -> None:
    deep = send_deep(instance)
    decide(instance, curator, a_decision(deep, word, reason))
    before = settings_and_evidence(instance)
    with instance.writing() as connection:
        connection.exec_driver_sql("UPDATE submission SET rules_version = 1")
    assert rescreen(instance) == 1
    assert settings_and_evidence(instance) == before
    assert told_to_the_sender(instance, deep)[0] == status


def test_a_decision_overrides_a_refusal_by_newer_rules(
    instance: Instance, curator: KeyHolder
) -> None:
    deep = send_deep(instance)
    decide(instance, curator, a_decision(deep, "include", "depth_confirmed"))
    before = evidence_in(instance)
    with instance.writing() as connection:
        connection.exec_driver_sql(
            "UPDATE submission SET rules_version = 1, "
            "document = replace(document, '\"minutes\":65', '\"minutes\":-65')"
        )
    rescreen(instance)
    assert evidence_in(instance) == before
    assert told_to_the_sender(instance, deep) == (
        "counted",
        ["included_by_curator", "depth_confirmed", "refused_by_current_rules"],
    )
    decide(instance, curator, a_decision(deep, "undo", "rules_apply"))
    assert told_to_the_sender(instance, deep) == ("excluded", ["refused_by_current_rules"])


def test_decisions_hold_when_a_chip_is_read_again(instance: Instance, curator: KeyHolder) -> None:
    from kbapi.intake.rescreen import reread_chips

    deep = send_deep(instance)
    decide(instance, curator, a_decision(deep, "include", "depth_confirmed"))
    with instance.writing() as connection:
        connection.exec_driver_sql("UPDATE chip SET key = 'norvane-sable-7-4800k'")
    assert reread_chips(instance, is_applied=True).moves
    assert [row[-1] for row in evidence_in(instance)] == [1]
    assert told_to_the_sender(instance, deep)[0] == "counted"


BULK = {"contributor": 1, "decision": "exclude", "reason": "testing_doubted"}


def test_a_decision_answers_with_the_starts_before_and_after(
    instance: Instance, curator: KeyHolder
) -> None:
    for number in range(8):
        setting = a_setting(stable_at=-70 - number, unstable_at=-80 - number)
        send(instance, a_submission(setting, number=number))
    shallow = send(instance, a_submission(a_setting(stable_at=-40, unstable_at=-45), number=20))
    before = answer(instance)["start"]
    done = decide(instance, curator, a_decision(shallow, "exclude", "testing_doubted"))
    after = answer(instance)["start"]
    (change,) = done.starts
    assert (change.pool.chip, change.pool.domain) == ("norvane-sable-7-4820mx", "core")
    assert orjson.loads(orjson.dumps(change.before.start)) == before
    assert orjson.loads(orjson.dumps(change.after.start)) == after != before
    assert (change.before.units, change.after.units) == (9, 8)
    assert (done.dry_run, done.other_pools) == (False, 0)


def test_starts_are_compared_for_the_pools_with_the_most_changes(
    instance: Instance, curator: KeyHolder, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("kbapi.curation.decisions.MOST_POOLS", 1)
    settings = [a_setting(), a_setting(domain="graphics", moved_with=[])]
    for some in (settings, settings[:1]):
        send(instance, a_submission(*some, number=len(some), contributor_token="m" * 16))
    done = decide(instance, curator, BULK)
    assert [change.pool.domain for change in done.starts] == ["core"]
    assert (done.decided, done.other_pools) == (3, 1)


def test_a_dry_run_changes_nothing_and_answers_what_the_decision_answers(
    instance: Instance, curator: KeyHolder
) -> None:
    for number in range(5):
        send(instance, a_submission(number=number, contributor_token="m" * 16))
    answer(instance)
    before = rows_of(instance)
    shown = dry_run(instance, BULK)
    assert rows_of(instance) == before
    assert (shown.dry_run, shown.settings, shown.contributors) == (True, 5, 1)
    done = decide(instance, curator, BULK)
    assert replace(done, dry_run=True) == shown


@pytest.mark.parametrize(
    "entry", [BULK, BULK | {"contributor": ..., "origin": {"client": "tidewater-script/0.3"}}]
)
@pytest.mark.parametrize("confirm", [None, "0123456789abcdef"])
def test_many_settings_are_decided_only_with_the_confirmation_of_a_dry_run(
    instance: Instance, curator: KeyHolder, entry: dict[str, Any], confirm: str | None
) -> None:
    send(instance, a_submission())
    before = rows_of(instance)
    wanted = {name: value for name, value in entry.items() if value is not ...}
    body = {"decisions": [wanted], **({"confirm": confirm} if confirm else {})}
    with pytest.raises(DocumentRefused) as refused:
        accept_decisions(instance, curator, a_body(body))
    assert problems_of(refused) == [("/confirm", "confirmation_needed")]
    assert "Matching settings: 1, of 1 contributors." in refused.value.problems[0].detail
    assert rows_of(instance) == before


def test_a_confirmation_holds_for_the_settings_and_the_decision_that_were_shown(
    instance: Instance, curator: KeyHolder
) -> None:
    send(instance, a_submission(number=1))
    send(instance, a_submission(number=2))
    shown = dry_run(instance, BULK).confirm
    assert dry_run(instance, BULK).confirm == shown
    others = [
        BULK | {"contributor": 2},
        BULK | {"decision": "invalidate"},
        BULK | {"reason": "effect_doubted"},
    ]
    assert shown not in {dry_run(instance, other).confirm for other in others}
    send(instance, a_submission(number=3, contributor_token="tidewater-member-000001"))
    with pytest.raises(DocumentRefused):
        accept_decisions(instance, curator, a_body({"decisions": [BULK], "confirm": shown}))
    assert {row[1] for row in settings_and_status(instance)} == {"counted"}


def settings_and_status(instance: Instance) -> list[tuple[Any, ...]]:
    with instance.reading() as connection:
        found = connection.exec_driver_sql("SELECT id, status FROM setting_result")
        return [tuple(row) for row in found]


def test_the_number_that_senders_without_a_token_share_is_named(instance: Instance) -> None:
    send(instance, a_submission(contributor_token=...))
    send(instance, a_submission(number=2))
    assert dry_run(instance, BULK).includes_shared_contributor
    assert not dry_run(instance, BULK | {"contributor": 2}).includes_shared_contributor


def test_a_command_on_the_folder_decides_without_a_key(instance: Instance) -> None:
    deep = send_deep(instance)
    decide(instance, None, a_decision(deep, "include", "depth_confirmed"))
    (seen,) = show_item(instance, deep.id, 0).history
    assert (seen.decision, seen.key, seen.key_name) == ("include", None, "")
