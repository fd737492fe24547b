"""The queue of curators: every waiting setting once, oldest first, each page at equal cost."""

from dataclasses import asdict, replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from kbapi.access.keys import KeyHolder
from kbapi.advice.start.query import Question
from kbapi.chips.catalogue import Catalogue
from kbapi.curation import queue
from kbapi.curation.decisions import accept_decisions
from kbapi.curation.queue import ReviewPage, list_waiting
from kbapi.curation.starts import PoolName
from kbapi.errors import DocumentRefused, QueryInvalid
from kbapi.instance.instance import Instance
from kbapi.intake.my_submissions import withdraw_own_result
from kbapi.storage.answers import AnswerBytes
from kbapi.storage.review import (
    BEGIN,
    PARTS,
    WAITING,
    WaitingAt,
    WaitingFilters,
    count_waiting,
)
from kbapi.storage.sql import change_rows
from tests.curation.makers import a_curator, a_decision, decide, dry_run, send_deep
from tests.curation.many import fill_with_results, steps_of_a_page
from tests.makers import (
    NOON,
    HandMovedClock,
    a_body,
    a_fixed_clock_setting,
    a_setting,
    a_submission,
    an_instance,
    send,
)


@pytest.fixture
def curator(instance: Instance) -> KeyHolder:
    return a_curator(instance)


def page(instance: Instance, **parameters: Any) -> ReviewPage:
    return list_waiting(instance, {name: [str(value)] for name, value in parameters.items()})


def walk(instance: Instance, **parameters: Any) -> list[str]:
    """All settings of the queue, in the order of the pages."""
    met: list[str] = []
    response = page(instance, **parameters)
    met += [one.submission for one in response.waiting]
    while response.next_cursor is not None:
        response = page(instance, **parameters, cursor=response.next_cursor)
        met += [one.submission for one in response.waiting]
    return met


def flag(instance: Instance, table: str, sent: Any, code: str) -> None:
    """Store outliers as the outlier check does."""
    page(instance)  # a pool that changed since would be checked by the first page
    which = "unit_id" if table == "outlier_unit" else "contributor_id"
    with instance.writing() as connection:
        change_rows(
            connection,
            f"INSERT INTO {table} (pool_id, {which}, code) "
            f"SELECT setting.pool_id, unit.{'id' if which == 'unit_id' else which}, ? "
            "FROM setting_result AS setting JOIN unit ON unit.id = setting.unit_id "
            "JOIN submission ON submission.id = setting.submission_id WHERE public_id = ?",
            (code, sent.id),
        )


def test_excluded_settings_wait_and_counted_and_unverified_ones_do_not(
    instance: Instance,
) -> None:
    send(instance, a_submission(number=1))
    send(instance, a_submission(a_setting(unstable_at=None), number=2))
    deep = send_deep(instance, number=3)
    (one,) = page(instance).waiting
    assert one.submission == deep.id
    assert (one.month, one.chip, one.control, one.status) == (
        "2026-08",
        "norvane-sable-7-4820mx",
        "voltage_offset",
        "excluded",
    )
    assert (one.below_stock.stable, one.below_stock.unstable) == (200, 210)
    assert [reason.code for reason in one.reasons] == ["beyond_soft_bound"]
    assert one.reasons[0].text
    assert not one.sender.is_shared


def test_depths_are_relative_to_the_units_own_stock(instance: Instance) -> None:
    deep = a_fixed_clock_setting(stable_at=660, unstable_at=650)
    untold = a_fixed_clock_setting(stock_mv=...)
    for number, setting in enumerate((deep, untold)):
        send(
            instance,
            a_submission(setting, number=number, chip="Osmer Kestrel 640 Laptop Graphics"),
        )
    depths = [(one.below_stock.stable, one.below_stock.unstable) for one in page(instance).waiting]
    assert depths == [(240, 250), (None, None)]


def test_the_queue_shows_no_day_token_or_hash(instance: Instance) -> None:
    send_deep(instance)
    (one,) = page(instance).waiting
    for hidden in ("2026-09-15", "tidewater-member", "tidewater-unit"):
        assert hidden not in repr(one)


def test_a_decided_setting_waits_again_only_after_undo(
    instance: Instance, curator: KeyHolder
) -> None:
    sent = [send_deep(instance, number=number) for number in range(4)]
    for one, (word, reason) in zip(
        sent,
        (
            ("include", "depth_confirmed"),
            ("exclude", "testing_doubted"),
            ("invalidate", "not_measured"),
        ),
        strict=False,
    ):
        decide(instance, curator, a_decision(one, word, reason))
    assert walk(instance) == [sent[3].id]
    decide(instance, curator, a_decision(sent[1], "undo", "decided_in_error"))
    assert walk(instance) == [sent[1].id, sent[3].id]


def test_outliers_wait_after_settings_that_rules_excluded(
    instance: Instance, curator: KeyHolder
) -> None:
    flagged, unlike, deep = (
        send(instance, a_submission(number=1)),
        send(instance, a_submission(number=2)),
        send_deep(instance, number=3),
    )
    flag(instance, "outlier_unit", flagged, "outlier_deep")
    flag(instance, "differing_contributor", unlike, "contributor_differs")
    assert walk(instance, limit=1) == [deep.id, flagged.id, unlike.id]
    assert walk(instance, code="outlier_deep") == [flagged.id]
    assert walk(instance, code="contributor_differs") == [unlike.id]
    decide(instance, curator, a_decision(flagged, "include", "depth_confirmed"))
    # With a filter no pool is checked, which would find that these are no outliers.
    assert walk(instance, chip="norvane-sable-7-4820mx") == [deep.id, unlike.id]


@pytest.mark.parametrize("limit", [1, 2, 3, 7, 100])
def test_pages_show_every_setting_once_while_new_ones_arrive(
    instance: Instance, limit: int
) -> None:
    first = [send_deep(instance, number=number).id for number in range(7)]
    counted = [send(instance, a_submission(number=number)) for number in range(20, 26)]
    for one in counted[:3]:
        flag(instance, "outlier_unit", one, "outlier_deep")
    for one in counted[3:]:
        flag(instance, "differing_contributor", one, "contributor_differs")
    met, later, cursor = [], [], {}
    for number in range(100):
        response = page(instance, limit=limit, **cursor)
        assert len(response.waiting) <= limit
        met += [one.submission for one in response.waiting]
        if response.next_cursor is None:
            break
        cursor = {"cursor": response.next_cursor}
        if number < 5:
            later.append(send_deep(instance, number=50 + number).id)
    flagged = [one.id for one in counted]
    assert len(met) == len(set(met))
    assert [one for one in met if one in first] == first
    assert [one for one in met if one in flagged] == flagged
    assert set(met) <= {*first, *flagged, *later}


def test_pages_continue_after_a_withdrawn_or_decided_setting(
    instance: Instance, curator: KeyHolder
) -> None:
    sent = [send_deep(instance, number=number) for number in range(5)]
    response = page(instance, limit=2)
    withdraw_own_result(instance, sent[1].id, sent[1].receipt)
    decide(instance, curator, a_decision(sent[2], "invalidate", "not_measured"))
    rest = page(instance, cursor=response.next_cursor)
    assert [one.submission for one in rest.waiting] == [sent[3].id, sent[4].id]


def test_filters_find_by_chip_code_and_contributor(instance: Instance) -> None:
    deep = send_deep(instance, number=1)
    other = send_deep(instance, number=2, chip="Norvane Sable 7 4800K")
    short = send(instance, a_submission(a_setting(minutes=5, unstable_at=None), number=3))
    assert walk(instance, chip="Norvane(R) Sable(TM) 7 4800K @ 2.60GHz") == [other.id]
    assert walk(instance, code="only_short_test") == [short.id]
    numbers = {one.submission: one.sender.contributor for one in page(instance).waiting}
    assert walk(instance, contributor=numbers[deep.id]) == [deep.id]
    assert walk(instance, contributor=9_999) == []


def test_a_filtered_page_reads_a_bounded_number_and_has_a_cursor(
    instance: Instance, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("kbapi.curation.queue._MOST_LOOKED_AT", 3)
    for number in range(8):
        send_deep(instance, number=number)
    last = send_deep(instance, number=8, chip="Norvane Sable 7 4800K")
    response = page(instance, chip="norvane-sable-7-4800k")
    assert response.waiting == ()
    assert response.next_cursor is not None
    assert walk(instance, chip="norvane-sable-7-4800k") == [last.id]


def test_senders_without_a_token_are_shown_as_one(instance: Instance) -> None:
    for number in (1, 2):
        send_deep(instance, number=number, contributor_token=..., unit_token=...)
    one, other = page(instance).waiting
    assert one.sender == other.sender
    assert one.sender.is_shared
    assert one.sender.other_results == 1


@pytest.mark.parametrize(
    "parameters",
    [
        {"cursor": "banana"},
        {"cursor": "WyJzY3JlZW5pbmciLDEsMF0"},
        {"cursor": "WyJub3doZXJlIiwxLDAsMCwwXQ"},
        {"cursor": "WyJzY3JlZW5pbmciLCJ4IiwwLDAsMF0"},
        {"limit": 0},
        {"limit": 101},
        {"contributor": 0},
        {"contributor": 10**30},
        {"code": "Beyond!"},
        {"chip": "no chip at all"},
        {"cod": "x"},
    ],
)
def test_invalid_parameters_are_reported(instance: Instance, parameters: dict[str, Any]) -> None:
    with pytest.raises(QueryInvalid) as refused:
        page(instance, **parameters)
    assert {problem.pointer for problem in refused.value.problems} == set(parameters)


@pytest.mark.sqlite("its own steps are counted")
@pytest.mark.parametrize("part", ["screening", "contributors"])
def test_the_first_and_the_last_page_of_a_long_queue_cost_the_same(
    tmp_path_factory: pytest.TempPathFactory, part: str
) -> None:
    cost = []
    for results in (1_000, 100_000):
        made = an_instance(tmp_path_factory.mktemp("queue"))
        fill_with_results(made, results, every=10)
        place = results // 2
        late = (place, 0, 0, 0) if part == "screening" else (1, 1, place, place)
        cost += [steps_of_a_page(made, WaitingAt(part, key)) for key in (BEGIN, late)]
        made.close()
    # Reading all earlier rows would need thousands of times as many.
    assert max(cost) <= 1.1 * min(cost)


@pytest.mark.sqlite("its query plan is read")
@pytest.mark.parametrize("part", PARTS)
def test_every_part_of_the_queue_uses_an_index(instance: Instance, part: str) -> None:
    parameters = {**dict.fromkeys(("k1", "k2", "k3", "k4", "look"), 1), **asdict(WaitingFilters())}
    with instance.reading() as connection:
        compiled = WAITING[part].compile(connection)
        values = compiled.construct_params(parameters)
        explained = connection.exec_driver_sql(
            f"EXPLAIN QUERY PLAN {compiled}",
            tuple(values[name] for name in compiled.positiontup or ()),
        )
        plan = [row[3] for row in explained]
    assert plan[0] == "MATERIALIZE looked"
    walked = plan[1 : plan.index("SCAN looked")]
    keys = ("USING INDEX ix_", "USING COVERING INDEX ix_", "USING PRIMARY KEY")
    # The settings of one unit in a pool are few, so sorting them is cheap.
    few = ["USE TEMP B-TREE FOR LAST TERM OF ORDER BY"] if part == "statistics" else []
    assert [step for step in walked if not any(key in step for key in keys)] == few
    assert [step for step in plan if step.startswith("SCAN")] == ["SCAN looked"]


def test_each_setting_of_a_page_needs_a_constant_number_of_statements(instance: Instance) -> None:
    for number in range(12):
        send_deep(instance, number=number)
    page(instance)  # checks the pool, which costs a start
    asked: list[str] = []
    with instance.reading() as connection:
        connection.connection.driver_connection.set_trace_callback(asked.append)
    counts = []
    for limit in (1, 2, 11):
        asked.clear()
        assert len(page(instance, limit=limit).waiting) == limit
        counts.append(len(asked))
    each = counts[1] - counts[0]
    assert 1 <= each <= 4
    assert counts[2] - counts[0] == 10 * each


def a_pool(instance: Instance, odd: int = 20, first: int = 0) -> None:
    """Ten contributors around 95 mV and one at another depth."""
    for number in range(first, first + 10):
        depth = 90 + number % 10
        setting = a_setting(stable_at=-depth, unstable_at=-depth - 5)
        send(instance, a_submission(setting, number=number))
    setting = a_setting(stable_at=-odd, unstable_at=-odd - 5)
    send(instance, a_submission(setting, number=first + 10))


def about_pool(decision: str = "include", pool: int = 1) -> dict[str, Any]:
    reason = "depth_confirmed" if decision == "include" else "decided_in_error"
    return {"pool": pool, "decision": decision, "reason": reason}


def test_a_young_pool_that_one_contributor_moves_waits_although_no_one_asked_for_its_start(
    instance: Instance,
) -> None:
    a_pool(instance)
    first = page(instance)
    (pool,) = first.pools
    assert first.waiting == ()
    assert [reason.code for reason in pool.reasons] == ["moved_by_one_contributor"]
    assert (pool.pool, pool.units, pool.contributor) == (1, 11, 11)
    assert (pool.name.chip, pool.name.domain) == ("norvane-sable-7-4820mx", "core")
    assert pool.moves_by is not None
    assert pool.moves_by < -10


def test_a_pool_whose_contributors_agree_does_not_wait(instance: Instance) -> None:
    a_pool(instance, odd=94)
    assert page(instance).pools == ()


def test_a_liar_who_sends_seventy_two_results_brings_a_young_pool_into_the_queue(
    instance: Instance,
) -> None:
    for number in range(8):
        setting = a_setting(stable_at=-90 - number, unstable_at=-95 - number)
        send(instance, a_submission(setting, number=number))
    assert page(instance).pools == ()
    for number in range(100, 172):
        depth = 20 + number % 4
        setting = a_setting(stable_at=-depth, unstable_at=-depth - 5)
        liar = "tidewater-liar-000001"
        send(instance, a_submission(setting, number=number, contributor_token=liar))
    (pool,) = page(instance).pools
    assert [reason.code for reason in pool.reasons] == ["moved_by_one_contributor"]
    assert (pool.units, pool.contributor) == (80, 9)


def test_a_pool_leaves_the_queue_when_its_reason_is_gone(instance: Instance) -> None:
    a_pool(instance)
    (pool,) = page(instance).pools
    entry = {"decision": "exclude", "reason": "unlike_other_results"}
    decide(instance, None, {"contributor": pool.contributor, **entry})
    assert page(instance).pools == ()


def test_a_pool_that_a_curator_included_returns_only_with_other_evidence(tmp_path: Path) -> None:
    clock = HandMovedClock()
    made = an_instance(tmp_path, clock)
    a_pool(made)
    assert len(page(made).pools) == 1
    done = decide(made, a_curator(made), about_pool())
    assert (done.pools, done.settings, done.decided) == (1, 0, 0)
    assert page(made).pools == ()
    assert decide(made, None, about_pool()).pools == 0
    for days in (1, 7):
        clock.moment = NOON + timedelta(days=days)
        assert page(made).pools == ()
    # A result that is no reason does not bring it back.
    setting = a_setting(stable_at=-95, unstable_at=-100)
    send(made, a_submission(setting, number=20))
    assert page(made).pools == ()
    # The unit of the contributor behind the reason fails earlier: that is other evidence.
    earlier = a_setting(stable_at=-10, unstable_at=-15)
    send(made, a_submission(earlier, number=10))
    assert [one.pool for one in page(made).pools] == [1]
    made.close()


def test_an_undone_decision_brings_a_pool_back(instance: Instance) -> None:
    a_pool(instance)
    page(instance)
    decide(instance, None, about_pool())
    assert decide(instance, None, about_pool("undo")).pools == 1
    assert len(page(instance).pools) == 1


def test_a_dry_run_about_a_pool_changes_nothing_and_other_evidence_needs_a_new_one(
    instance: Instance,
) -> None:
    a_pool(instance)
    page(instance)
    tried = dry_run(instance, about_pool())
    assert tried.pools == 1
    assert len(page(instance).pools) == 1
    send(instance, a_submission(a_setting(stable_at=-10, unstable_at=-15), number=10))
    page(instance)
    body = a_body({"decisions": [about_pool()], "confirm": tried.confirm})
    with pytest.raises(DocumentRefused) as refused:
        accept_decisions(instance, None, body)
    assert [one.code for one in refused.value.problems] == ["confirmation_needed"]


@pytest.mark.parametrize(
    ("entry", "code"),
    [
        (about_pool(pool=2), "pool_unknown"),
        (
            {"pool": 1, "decision": "exclude", "reason": "unlike_other_results"},
            "pool_not_excluded",
        ),
    ],
)
def test_a_pool_that_does_not_wait_and_an_excluded_pool_are_refused(
    instance: Instance, entry: dict[str, Any], code: str
) -> None:
    a_pool(instance)
    page(instance)
    with pytest.raises(DocumentRefused) as refused:
        dry_run(instance, entry)
    assert [one.code for one in refused.value.problems] == [code]


def test_a_pool_that_two_entries_decide_is_refused(instance: Instance) -> None:
    a_pool(instance)
    page(instance)
    with pytest.raises(DocumentRefused) as refused:
        dry_run(instance, about_pool(), about_pool("undo"))
    assert [(one.pointer, one.code) for one in refused.value.problems] == [
        ("/decisions/1", "duplicate_decision")
    ]
    assert len(page(instance).pools) == 1


GRAPHICS_CHIP = "Osmer Kestrel 640 Laptop Graphics"


def checked_pools(instance: Instance) -> dict[int, str]:
    """The stored codes of each pool that was checked."""
    with instance.reading() as connection:
        rows = connection.exec_driver_sql("SELECT pool_id, codes FROM pool_check ORDER BY pool_id")
        return {row[0]: row[1] for row in rows}


def send_at_clocks(instance: Instance, *clocks_mhz: int, **changes: Any) -> None:
    """A pool of one unit in the band of each clock."""
    for clock_mhz in clocks_mhz:
        setting = a_fixed_clock_setting(clock_mhz=clock_mhz, **changes)
        send(instance, a_submission(setting, number=clock_mhz, chip=GRAPHICS_CHIP))


def test_a_pool_leaves_the_queue_when_none_of_its_units_counts(instance: Instance) -> None:
    for number in range(11):
        depth = 90 + number if number else 20
        ends = {"stable_at": 900 - depth, "unstable_at": 890 - depth}
        setting = a_fixed_clock_setting(clock_mhz=1200, **ends)
        send(instance, a_submission(setting, number=number, chip=GRAPHICS_CHIP))
    send_at_clocks(instance, 1800)
    assert [one.units for one in page(instance).pools] == [11]
    entry = {"decision": "exclude", "reason": "unlike_other_results"}
    contributors = [{"contributor": number, **entry} for number in range(1, 12)]
    decide(instance, None, *contributors)
    # Its question is answered from the other clock now, so no answer checks it.
    assert page(instance).pools == ()
    with instance.reading() as connection:
        assert count_waiting(connection)["pools"] == 0
    with pytest.raises(DocumentRefused) as refused:
        dry_run(instance, about_pool())
    assert [one.code for one in refused.value.problems] == ["pool_unknown"]
    undone = {"decision": "undo", "reason": "decided_in_error"}
    decide(instance, None, *[{**one, **undone} for one in contributors])
    assert len(page(instance).pools) == 1


def test_pools_without_counted_units_keep_no_other_from_being_checked(
    instance: Instance, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("kbapi.curation.queue._MOST_CHECKED", 1)
    send_at_clocks(instance, 1200, 1500, stable_at=660, unstable_at=650)
    send_at_clocks(instance, 1800)
    send(instance, a_submission())
    for _ in range(2):
        assert len(page(instance).waiting) == 2
    assert checked_pools(instance) == {3: "[]", 4: "[]"}


def test_a_pool_that_no_answer_is_about_is_checked_once(
    instance: Instance, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("kbapi.curation.queue._MOST_CHECKED", 1)
    send_at_clocks(instance, 1200, 1500, 1800)
    ask = queue.question_about

    def about_others(pool: PoolName, catalogue: Catalogue) -> Question | None:
        """No question for the first pool, and one about the third for the second."""
        band = pool.clock_band_mhz
        if band == 1200:
            return None
        return ask(replace(pool, clock_band_mhz=1800), catalogue)

    monkeypatch.setattr(queue, "question_about", about_others)
    for _ in range(3):
        page(instance)
    assert checked_pools(instance) == {1: "[]", 2: "[]", 3: "[]"}


@pytest.mark.parametrize("state", [{"read_only": True}, {"min_free_bytes": 1 << 60}])
def test_an_instance_that_keeps_no_check_computes_one_start_for_a_page(
    instance: Instance, state: dict[str, Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    send_at_clocks(instance, 1200, 1500, 1800)
    closed = Instance(instance.settings.model_copy(update=state), instance.now)
    asked: list[Question] = []
    advise = queue.advise_start

    def counted(where: Instance, question: Question) -> AnswerBytes:
        asked.append(question)
        return advise(where, question)

    monkeypatch.setattr(queue, "advise_start", counted)
    assert page(closed).pools == ()
    assert len(asked) == 1
    closed.close()
    page(instance)
    assert len(asked) == 1 + 3


def test_an_answer_that_was_not_stored_is_not_taken_for_a_check(
    instance: Instance, monkeypatch: pytest.MonkeyPatch
) -> None:
    a_pool(instance)
    advise = queue.advise_start

    def not_stored(where: Instance, question: Question) -> AnswerBytes:
        return AnswerBytes(b"{}", "")

    monkeypatch.setattr(queue, "advise_start", not_stored)
    assert page(instance).pools == ()
    assert checked_pools(instance) == {}
    monkeypatch.setattr(queue, "advise_start", advise)
    assert len(page(instance).pools) == 1


def test_a_pool_that_lost_its_start_waits_until_it_has_one_again(instance: Instance) -> None:
    for number in range(8):
        setting = a_setting(stable_at=-90 - number, unstable_at=-95 - number)
        send(instance, a_submission(setting, number=number))
    assert page(instance).pools == ()
    failed = [
        send(instance, a_submission(a_setting(stable_at=None, unstable_at=-4), number=number))
        for number in range(20, 29)
    ]
    for _ in range(2):  # the second time nothing is lost since the first
        (pool,) = page(instance).pools
        assert "start_lost" in [reason.code for reason in pool.reasons]
    for one in failed:
        withdraw_own_result(instance, one.id, one.receipt)
    assert page(instance).pools == ()


def test_later_pages_and_filters_show_no_pools(instance: Instance) -> None:
    a_pool(instance)
    for number in range(30, 33):
        send_deep(instance, number=number)
    first = page(instance, limit=1)
    assert len(first.pools) == 1
    assert page(instance, limit=1, cursor=first.next_cursor).pools == ()
    assert page(instance, chip="norvane-sable-7-4820mx").pools == ()


def test_waiting_pools_are_counted_for_the_metrics(instance: Instance) -> None:
    a_pool(instance)
    with instance.reading() as connection:
        assert count_waiting(connection)["pools"] == 0
    page(instance)
    with instance.reading() as connection:
        assert count_waiting(connection)["pools"] == 1
    decide(instance, None, about_pool())
    with instance.reading() as connection:
        assert count_waiting(connection)["pools"] == 0
