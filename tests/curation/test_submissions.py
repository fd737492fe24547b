"""All results are listed for the host, in every order, and nothing that counts is hidden."""

from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from kbapi.advice.start.answer import advise_start
from kbapi.curation.submissions import SubmissionPage, list_submissions
from kbapi.errors import QueryInvalid
from kbapi.instance.instance import Instance
from kbapi.intake.my_submissions import withdraw_own_result
from kbapi.storage.host_views import Walk
from tests.curation.evening import CHIPS, HONEST, LIES, an_evening
from tests.curation.makers import a_curator, a_decision, decide, send_deep
from tests.curation.many import fill_with_results, steps_of_results
from tests.makers import (
    CHIP,
    COUNT_CHIP,
    GRAPHICS,
    NOON,
    HandMovedClock,
    a_fixed_clock_setting,
    a_line_of_units,
    a_question,
    a_setting,
    a_submission,
    an_instance,
    send,
)


def listed(instance: Instance, **parameters: Any) -> SubmissionPage:
    return list_submissions(instance, {name: [str(one)] for name, one in parameters.items()})


def ids(instance: Instance, **parameters: Any) -> list[str]:
    """The ids of a whole list, read in pages of three."""
    found: list[str] = []
    cursor: dict[str, Any] = {}
    while True:
        page = listed(instance, **{"limit": 3, **parameters, **cursor})
        found += [one.id for one in page.submissions]
        if page.next_cursor is None:
            return found
        cursor = {"cursor": page.next_cursor}


def problems(instance: Instance, **parameters: Any) -> list[tuple[str, str]]:
    with pytest.raises(QueryInvalid) as refused:
        listed(instance, **parameters)
    return [(problem.pointer, problem.code) for problem in refused.value.problems]


def test_an_entry_says_what_was_sent_by_which_number_and_where_it_lies(instance: Instance) -> None:
    for number in range(4):
        send(instance, a_submission(number=number))
    sent = send(instance, a_submission(a_setting(stable_at=-60, unstable_at=-70), number=7))
    one = next(one for one in listed(instance).submissions if one.id == sent.id)
    assert (one.chip, one.day, one.client) == (CHIP, "2026-09-15", "tidewater-script/0.3")
    assert (one.contributor, one.is_shared, one.influence) == (5, False, None)
    (setting,) = one.settings
    assert (setting.stable_at, setting.unstable_at, setting.status) == (-60, -70, "counted")
    # No answer was asked for: the list itself evaluates the pool.
    assert setting.peers is not None
    assert (setting.peers.stable, setting.peers.known) == (5, 5)


def test_a_result_without_tokens_is_listed_with_its_warning(instance: Instance) -> None:
    sent = {
        send(instance, a_submission(number=1)).id: [],
        send(instance, a_submission(number=2, unit_token=...)).id: ["unit_token_missing"],
        send(instance, a_submission(number=3, contributor_token=...)).id: [
            "contributor_token_missing"
        ],
    }
    found = listed(instance).submissions
    assert {one.id: [warning.code for warning in one.warnings] for one in found} == sent


def test_every_result_is_in_the_list_once_whether_it_counts_or_not(instance: Instance) -> None:
    sent = [send(instance, a_submission(number=number)).id for number in range(5)]
    sent.append(send_deep(instance, number=20).id)
    sent.append(send(instance, a_submission(number=21, contributor_token=...)).id)
    locks = [{"domain": "core", "control": "voltage_offset", "status": "chip_locked"}]
    locked = a_submission(number=22, settings=..., locks=locks)
    sent.append(send(instance, locked).id)
    found = ids(instance)
    assert sorted(found) == sorted(sent)
    assert found == sorted(found, reverse=True)


def test_the_newest_day_comes_first_and_days_are_filters(tmp_path: Path) -> None:
    clock = HandMovedClock()
    made = an_instance(tmp_path, clock)
    sent = []
    for day in range(4):
        clock.moment = NOON + timedelta(days=day)
        sent += [send(made, a_submission(number=10 * day + one)).id for one in range(2)]
    assert ids(made) == sorted(sent, reverse=True)
    assert set(ids(made, first_day="2026-09-16", last_day="2026-09-17")) == set(sent[2:6])
    assert set(ids(made, chip=CHIP, last_day="2026-09-15")) == set(sent[:2])
    assert ids(made, first_day="2026-09-19") == []
    made.close()


def test_results_are_found_by_chip_contributor_client_status_and_code(instance: Instance) -> None:
    plain = send(instance, a_submission(number=1)).id
    other = send(instance, a_submission(number=2, chip="norvane-sable-7-4800k")).id
    script = send(instance, a_submission(number=1, client="other-script/1", unit_token=...)).id
    deep = send_deep(instance, number=3).id
    assert set(ids(instance, chip="Norvane(R) Sable(TM) 7 4820MX @ 2.60GHz")) == {
        plain,
        script,
        deep,
    }
    assert set(ids(instance, contributor=1)) == {plain, script}
    assert ids(instance, contributor=2) == [other]
    assert ids(instance, contributor=2, chip=CHIP) == []
    assert ids(instance, client="other-script/1") == [script]
    assert ids(instance, status="excluded") == [deep]
    assert ids(instance, code="beyond_soft_bound") == [deep]
    assert ids(instance, code="beyond_soft_bound", status="counted") == []
    assert ids(instance, contributor=99) == ids(instance, chip="ketterly-drift-8-2180h") == []


def test_what_the_outlier_check_excludes_is_listed_as_excluded(instance: Instance) -> None:
    a_line_of_units(instance, [10 + number % 3 for number in range(40)])
    document = a_submission(number=900, chip=COUNT_CHIP)
    document["settings"] = [
        a_setting(control="count_offset", stable_at=-29, unstable_at=-30)
        | {"effect": {"shown_by": "less_power"}}
    ]
    sent = send(instance, document).id
    advise_start(instance, a_question(instance, chip=COUNT_CHIP, control="count_offset"))
    assert ids(instance, code="outlier_deep") == ids(instance, status="excluded") == [sent]
    assert sent not in ids(instance, status="counted")


def test_results_are_found_by_the_reason_of_a_decision_in_force(instance: Instance) -> None:
    curator = a_curator(instance)
    sent = send(instance, a_submission())
    decide(instance, curator, a_decision(sent, "exclude", "testing_doubted"))
    assert ids(instance, code="testing_doubted") == [sent.id]
    decide(instance, curator, a_decision(sent, "undo", "decided_in_error"))
    assert ids(instance, code="testing_doubted") == []


@pytest.mark.parametrize(
    ("order", "depths"), [("deepest", [90, 80, 70, 60]), ("shallowest", [25, 70, 80, 90, 100])]
)
def test_a_pool_is_listed_by_its_deepest_pass_or_its_shallowest_failure(
    instance: Instance, order: str, depths: list[int]
) -> None:
    for number, stable in enumerate((70, 90, 60, 80)):
        setting = a_setting(stable_at=-stable, unstable_at=-stable - 10)
        send(instance, a_submission(setting, number=number))
    send(instance, a_submission(a_setting(stable_at=None, unstable_at=-25), number=9))
    send(instance, a_submission(number=10, chip="norvane-sable-7-4800k"))
    page = listed(instance, order=order, chip=CHIP)
    assert page.pool is not None
    assert (page.pool.domain, page.pool.control) == ("core", "voltage_offset")
    name = "stable_at" if order == "deepest" else "unstable_at"
    assert [-getattr(one.settings[0], name) for one in page.submissions] == depths
    assert ids(instance, order=order, chip=CHIP) == [one.id for one in page.submissions]
    contributor = page.submissions[1].contributor
    assert ids(instance, order=order, chip=CHIP, contributor=contributor) == [
        page.submissions[1].id
    ]


def test_a_list_by_depth_takes_the_pool_that_is_asked_for(instance: Instance) -> None:
    alone = send(instance, a_submission(number=1)).id
    together = [
        send(instance, a_submission(a_setting(moved_with=["ring"]), number=number)).id
        for number in (2, 3)
    ]
    by_depth = {"order": "deepest", "chip": CHIP}
    assert set(ids(instance, **by_depth)) == set(together)
    assert ids(instance, **by_depth, moved_with="") == [alone]
    assert set(ids(instance, **by_depth, domain="ring")) == set(together)
    assert ids(instance, **by_depth, control="count_offset") == []


def test_two_settings_of_a_result_in_one_pool_are_listed_once(instance: Instance) -> None:
    settings = [
        a_fixed_clock_setting(clock_mhz=clock, stable_at=stable, unstable_at=stable - 10)
        for clock, stable in ((1800, 800), (1810, 810), (1820, 800))
    ]
    first = send(instance, a_submission(*settings, number=1, chip=GRAPHICS)).id
    second = send(
        instance, a_submission(a_fixed_clock_setting(stable_at=805), number=2, chip=GRAPHICS)
    ).id
    by_depth = {"chip": GRAPHICS, "domain": "gpu_core"}
    assert ids(instance, order="deepest", **by_depth) == [first, second]
    assert sorted(ids(instance, order="shallowest", **by_depth)) == sorted([first, second])


@pytest.mark.parametrize(
    ("parameters", "expected"),
    [
        ({"order": "deepest"}, [("chip", "required")]),
        ({"order": "sideways"}, [("order", "invalid")]),
        ({"code": "foo"}, [("code", "invalid")]),
        ({"domain": "core", "control": "voltage_offset"}, [("domain", "invalid")]),
        ({"first_day": "2026-02-30"}, [("first_day", "invalid")]),
        ({"last_day": "2026-9-15"}, [("last_day", "invalid")]),
        ({"contributor": "kbr_0"}, [("contributor", "invalid")]),
        ({"chip": "no such chip"}, [("chip", "chip_unreadable")]),
        ({"cursor": "WyJkYXkiXQ"}, [("cursor", "invalid")]),
        ({"limit": 101}, [("limit", "invalid")]),
        ({"token": "x"}, [("token", "unknown_field")]),
    ],
)
def test_a_wrong_query_is_refused_with_its_parameter(
    instance: Instance, parameters: dict[str, Any], expected: list[tuple[str, str]]
) -> None:
    assert problems(instance, **parameters)[0] == expected[0]


def test_an_unknown_code_lists_the_known_ones(instance: Instance) -> None:
    with pytest.raises(QueryInvalid) as refused:
        listed(instance, code="foo")
    assert "beyond_soft_bound" in refused.value.problems[0].detail


def test_a_cursor_of_another_list_is_refused(instance: Instance) -> None:
    for number in range(3):
        send(instance, a_submission(number=number))
    cursor = listed(instance, limit=1).next_cursor
    assert problems(instance, cursor=cursor, chip=CHIP) == [("cursor", "invalid")]
    assert problems(instance, cursor=cursor, order="influence") == [("cursor", "invalid")]


@pytest.mark.parametrize("order", ["newest", "deepest", "influence"])
def test_a_result_that_goes_between_two_pages_hides_no_other(
    instance: Instance, order: str
) -> None:
    sent = [
        send(instance, a_submission(a_setting(stable_at=-60 - 2 * number), number=number))
        for number in range(6)
    ]
    asked = {"order": order, "chip": CHIP, "limit": 2}
    first = listed(instance, **asked)
    gone = next(one for one in sent if one.id == first.submissions[-1].id)
    withdraw_own_result(instance, gone.id, gone.receipt)
    rest = listed(instance, **asked | {"limit": 100, "cursor": first.next_cursor})
    seen = {one.id for one in (*first.submissions, *rest.submissions)}
    # Influence ranks anew; it may repeat a result, and hides none.
    assert {one.id for one in sent} <= seen


@pytest.mark.sqlite("its own steps are counted")
@pytest.mark.parametrize("by", ["day", "chip", "contributor", "deepest", "shallowest"])
def test_a_page_costs_the_same_at_the_beginning_and_at_the_end(tmp_path: Path, by: str) -> None:
    cost = []
    for results in (1_000, 4_000):
        made = an_instance(tmp_path / str(results))
        fill_with_results(made, results, every=100)
        walk = Walk("day") if by == "day" else Walk(by, 1)  # type: ignore[arg-type]
        cost += [steps_of_results(made, walk, is_late=is_late) for is_late in (False, True)]
        made.close()
    assert max(cost) <= 1.1 * min(cost)


def test_filters_that_nothing_fits_read_a_bounded_number_of_rows(tmp_path: Path) -> None:
    made = an_instance(tmp_path)
    fill_with_results(made, 2_500, every=100)
    page = listed(made, client="no-such-script/1")
    assert page.submissions == ()
    assert page.next_cursor is not None
    pages = 1
    while page.next_cursor is not None:
        page = listed(made, client="no-such-script/1", cursor=page.next_cursor)
        pages += 1
    assert pages == 3
    made.close()


def test_a_hosts_evening(tmp_path: Path) -> None:
    """Forty lies among two hundred results of five chips: found, excluded, undone, erased."""
    clock = HandMovedClock()
    made = an_instance(tmp_path, clock)
    liars = an_evening(made, clock)
    assert len(ids(made, limit=100)) == HONEST + LIES
    page = listed(made, order="influence", limit=100)
    by_influence = [one.contributor for one in page.submissions]
    assert set(by_influence) >= set(liars.values())
    # A contributor weighs one unit in so small a pool. So the shallowest honest one of the chip
    # with the coarsest grid moves its start by one step, as the liar does.
    first = by_influence[: LIES + 1]
    assert sum(one in liars.values() for one in first) == LIES
    assert len({*first} - {*liars.values()}) == 1
    page = listed(made, order="influence", limit=LIES)
    assert all(one.influence is not None and one.influence.is_exact for one in page.submissions)
    # On one chip the lies move the start by less than a grid step.
    assert len({one.chip for one in page.submissions} & set(CHIPS)) >= len(CHIPS) - 1
    entries = [
        {"contributor": number, "decision": "exclude", "reason": "unlike_other_results"}
        for number in liars.values()
    ]
    done = decide(made, a_curator(made), *entries)
    assert (done.settings, done.decided, done.contributors) == (LIES, LIES, len(liars))
    assert len(done.starts) == len(CHIPS)
    deeper_by = []
    for change in done.starts:
        assert change.before.start is not None
        assert change.after.start is not None
        deeper_by.append(change.after.start.grid_steps - change.before.start.grid_steps)
    assert min(deeper_by) >= 0
    assert sum(steps > 0 for steps in deeper_by) >= len(CHIPS) - 1
    assert ids(made, status="counted", contributor=liars["liar-a"]) == []
    undo = [entry | {"decision": "undo", "reason": "decided_in_error"} for entry in entries]
    undone = decide(made, None, *undo)
    assert [one.after for one in undone.starts] == [one.before for one in done.starts]
    made.close()
