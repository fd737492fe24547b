"""The evidence of an answer: floods, outliers, new contributors, drift, and what senders read."""

import tempfile
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from datetime import timedelta
from pathlib import Path
from typing import Any, cast
from unittest.mock import patch

import orjson
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from kbapi.advice.next_step.answer import NextStepAnswer, advise_next_step
from kbapi.advice.next_step.query import read_search
from kbapi.advice.stability.answer import advise_stability
from kbapi.advice.start import answer as start_answer
from kbapi.advice.start.answer import advise_start
from kbapi.advice.stored_answers import ShownAnswer, picture_once
from kbapi.chips.catalogue import Catalogue
from kbapi.evidence import pools
from kbapi.instance.instance import Instance
from kbapi.intake.my_submissions import read_own_result, withdraw_own_result
from kbapi.intake.rescreen import find_outliers
from kbapi.intake.responses import Accepted
from kbapi.storage.answers import ANSWERS_PER_CHIP, AnswerBytes
from kbapi.storage.pools import load_all_pools
from tests.curation.makers import a_curator, a_decision, decide
from tests.intake.evidence_text import instances_of_one_secret
from tests.makers import (
    CHIP,
    NOON,
    HandMovedClock,
    Unreviewed,
    a_body,
    a_count_submission,
    a_question,
    a_setting,
    a_submission,
    an_instance,
    row_counts,
    send,
)

CLUB = 40


def limits(number: int) -> tuple[int, int]:
    depth = 80 + 7 * number % 16
    return -depth, -depth - 6


def a_member(instance: Instance, number: int, **setting: Any) -> Accepted:
    stable, unstable = limits(number)
    sent = {"stable_at": stable, "unstable_at": unstable, **setting}
    return send(instance, a_submission(a_setting(**sent), number=number))


def answer(instance: Instance, **asked: str) -> dict[str, Any]:
    found: dict[str, Any] = orjson.loads(advise_start(instance, a_question(instance, **asked)).body)
    return found


def status_of(instance: Instance, sent: Accepted) -> tuple[str, list[str]]:
    (setting,) = read_own_result(instance, sent.id, sent.receipt).settings
    return setting.status, [reason.code for reason in setting.reasons]


@pytest.fixture
def clock() -> HandMovedClock:
    return HandMovedClock()


@pytest.fixture
def grown(tmp_path: Path, clock: HandMovedClock) -> Instance:
    """A club of forty whose results are a month old."""
    clock.moment = NOON - timedelta(days=31)
    instance = an_instance(tmp_path, clock)
    for number in range(CLUB):
        a_member(instance, number)
    clock.moment = NOON
    return instance


def test_a_young_club_gets_a_start_and_has_mostly_new_contributors(tmp_path: Path) -> None:
    instance = an_instance(tmp_path)
    for number in range(30):
        a_member(instance, number)
    found = answer(instance)
    assert found["evidence"]["mostly_new_contributors"] is True
    assert found["evidence"]["units"] == 30
    assert -80 <= found["start"]["setting_mv"] < -30


def test_new_contributors_hardly_move_the_start_of_an_established_club(grown: Instance) -> None:
    before = answer(grown)
    assert before["evidence"]["mostly_new_contributors"] is False
    for number in range(100, 140):
        a_member(grown, number, stable_at=-125, unstable_at=-130)
    after = answer(grown)
    assert after["evidence"]["units"] > before["evidence"]["units"]
    assert after["start"]["setting_mv"] >= before["start"]["setting_mv"] - 2


def test_an_answer_warns_where_new_contributors_outweigh_the_established(tmp_path: Path) -> None:
    clock = HandMovedClock()
    clock.moment = NOON - timedelta(days=31)
    instance = an_instance(tmp_path, clock)
    for number in range(4):
        a_member(instance, number)
    clock.moment = NOON
    for number in range(4, 6):
        a_member(instance, number)
    assert answer(instance)["warnings"] == []
    for number in range(100, 130):
        a_member(instance, number)
    after = answer(instance)
    assert [one["code"] for one in after["warnings"]] == ["mostly_new_contributors"]
    assert after["summary"].startswith(after["warnings"][0]["text"])
    assert after["evidence"]["mostly_new_contributors"] is True


def test_a_thousand_results_of_one_contributor_weigh_as_three(tmp_path: Path) -> None:
    flooded, three = instances_of_one_secret(tmp_path, "flooded", "three")
    for instance, units in ((flooded, 1000), (three, 3)):
        for number in range(CLUB):
            a_member(instance, number)
        for unit in range(units):
            document = a_submission(a_setting(stable_at=-86, unstable_at=-92), number=7)
            send(instance, document | {"unit_token": f"tidewater-flood-{unit:06}"})
    one, other = answer(flooded), answer(three)
    assert one["evidence"]["units"] == other["evidence"]["units"] + 997
    assert one["start"]["setting_mv"] == pytest.approx(other["start"]["setting_mv"], abs=2)


def test_an_outlier_is_excluded_and_its_sender_reads_the_reason(grown: Instance) -> None:
    before = answer(grown)
    outlier = a_member(grown, 100, stable_at=-158, unstable_at=-159)
    # It counts for screening; the pool is checked with the next answer.
    assert status_of(grown, outlier) == ("counted", [])
    after = answer(grown)
    assert status_of(grown, outlier) == ("excluded", ["outlier_deep"])
    assert after["evidence"]["units_excluded"] == before["evidence"]["units_excluded"] + 1
    assert after["start"]["setting_mv"] >= before["start"]["setting_mv"]
    text = read_own_result(grown, outlier.id, outlier.receipt).settings[0].reasons[0].text
    assert "counts when other units go as deep" in text


def test_an_outlier_counts_again_when_others_are_as_deep(
    grown: Instance, clock: HandMovedClock
) -> None:
    outlier = a_member(grown, 100, stable_at=-158, unstable_at=-159)
    answer(grown)
    assert status_of(grown, outlier)[0] == "excluded"
    for number in range(200, 240):
        a_member(grown, number, stable_at=-140 - number % 17, unstable_at=-160)
    clock.moment = NOON + timedelta(days=31)
    answer(grown)
    assert status_of(grown, outlier) == ("counted", [])


def test_an_outlier_makes_the_start_stricter_with_a_reason(grown: Instance) -> None:
    before = answer(grown)
    # The reserve of a pool of 40 units.
    assert before["start"]["stable_share_used"] == 0.91
    assert "It is a little shallower than results say" in before["summary"]
    a_member(grown, 100, stable_at=-158, unstable_at=-159)
    found = answer(grown)
    assert found["evidence"]["units_excluded"] == 1
    assert found["start"]["stable_share_used"] == 0.919
    assert "It is a little shallower than results say" in found["summary"]
    assert found["evidence"]["drift_alarm"] is False


def test_many_deep_units_belong_to_the_pool(grown: Instance) -> None:
    for number in range(100, 112):
        a_member(grown, number, stable_at=-158, unstable_at=-159)
    assert answer(grown)["evidence"]["units_excluded"] == 0


def test_a_first_setting_that_failed_alone_makes_the_start_stricter(grown: Instance) -> None:
    before = answer(grown)
    a_member(grown, 100, stable_at=None, unstable_at=-30)
    found = answer(grown)
    assert found["evidence"]["units_excluded"] == 0
    assert found["evidence"]["units"] == before["evidence"]["units"] + 1
    assert found["start"]["stable_share_used"] > before["start"]["stable_share_used"]
    a_member(grown, 101, stable_at=None, unstable_at=-45)
    confirmed = answer(grown)
    assert "in part" not in confirmed["summary"]
    assert confirmed["start"]["setting_mv"] > found["start"]["setting_mv"]


def test_all_units_of_a_contributor_far_from_the_pool_are_excluded(grown: Instance) -> None:
    fleet = []
    for unit in range(12):
        document = a_submission(a_setting(stable_at=-112, unstable_at=-114), number=99)
        fleet.append(send(grown, document | {"unit_token": f"tidewater-fleet-{unit:06}"}))
    answer(grown)
    assert [status_of(grown, one) for one in fleet] == [("excluded", ["contributor_differs"])] * 12


def test_results_that_drift_raise_the_alarm_and_make_the_start_stricter(
    tmp_path: Path, clock: HandMovedClock
) -> None:
    instance = an_instance(tmp_path, clock)

    def some(numbers: range, month: str, firmware: str, off: int) -> None:
        for number in numbers:
            stable, unstable = limits(number)
            sent = a_setting(stable_at=stable + off, unstable_at=unstable + off)
            platform = {"machine": "harbour-15", "firmware": firmware}
            send(
                instance,
                a_submission(sent, number=number, platform=platform, measured_in=month),
            )

    some(range(60), "2026-04", "1.14", 0)
    before = answer(instance)
    assert before["evidence"]["drift_alarm"] is False
    assert before["start"]["stable_share_used"] == 0.91
    clock.moment = NOON + timedelta(days=30)
    some(range(100, 160), "2026-08", "1.15", 30)
    # The senders are new: no drift yet.
    assert answer(instance)["evidence"]["drift_alarm"] is False
    clock.moment = NOON + timedelta(days=60)
    after = answer(instance)
    assert after["evidence"]["drift_alarm"] is True
    assert after["start"]["stable_share_used"] == 0.919
    assert "drift" in after["summary"]


results = st.lists(
    st.tuples(st.integers(0, 25), st.integers(10, 150), st.booleans()), min_size=4, max_size=14
)


@settings(max_examples=15, deadline=None, suppress_health_check=list(HealthCheck))
@given(results, st.randoms(use_true_random=False))
def test_neither_order_nor_outlier_checks_in_between_change_the_answer(
    sent: list[tuple[int, int, bool]], rng: Any
) -> None:
    documents = [
        a_submission(
            a_setting(stable_at=-depth, unstable_at=-depth - 4 if failed else ...), number=number
        )
        for number, depth, failed in sent
    ]
    shuffled = rng.sample(documents, len(documents))
    with tempfile.TemporaryDirectory() as folder:
        one, other = instances_of_one_secret(Path(folder), "one", "other")
        for document in documents:
            send(one, document)
        for document in shuffled:
            send(other, document)
            answer(other)
            for pool in _pools(other):
                find_outliers(other, pool, keep=rng.random() < 0.5)
        answers = [answer(instance) for instance in (one, other)]
        for one_answer in answers:
            one_answer["evidence"].pop("revision")
        assert answers[0] == answers[1]
        assert _outlier_codes(one) == _outlier_codes(other)
        for instance in (one, other):
            instance.close()


def _pools(instance: Instance) -> list[Any]:
    with instance.reading() as connection:
        return load_all_pools(connection)


def _outlier_codes(instance: Instance) -> list[Any]:
    found = [find_outliers(instance, pool, keep=True) for pool in _pools(instance)]
    return [
        (check.pool.key, check.outlier_report.deepest_steps, len(check.now.units))
        for check in found
    ]


SERIES = ("norvane-sable-5-4610mx", "norvane-sable-5-4860mx", "norvane-sable-9-4880mx")


def a_related_club(instance: Instance, members: int, units: int, first: int = 0) -> list[Accepted]:
    """Results about three chips of the series, of each so many units of each member."""
    return [
        send(
            instance,
            a_submission(
                a_setting(stable_at=-140 - unit, unstable_at=-146 - unit),
                chip=chip,
                number=1_000 * (place + 1) + 100 * member + unit,
                contributor_token=f"tidewater-member-{first + member:06}",
            ),
        )
        for place, chip in enumerate(SERIES)
        for member in range(members)
        for unit in range(units)
    ]


@pytest.fixture
def waiting(tmp_path: Path, clock: HandMovedClock) -> Instance:
    """An instance whose forty established members have results of another line alone."""
    clock.moment = NOON - timedelta(days=31)
    instance = an_instance(tmp_path, clock)
    for number in range(CLUB):
        send(instance, a_count_submission(14, 15, number))
    clock.moment = NOON
    return instance


@pytest.mark.parametrize("number_of_own_units", [0, 2])
def test_three_invented_chips_of_four_new_tokens_lend_nothing(
    waiting: Instance, number_of_own_units: int
) -> None:
    for number in range(number_of_own_units):
        a_member(waiting, number)
    a_related_club(waiting, members=4, units=3, first=5_000)
    found = answer(waiting)
    assert found["start"] is None
    assert found["reason"]["code"] == ("too_few_units" if number_of_own_units else "no_results")
    assert "Not used: 3 related chips." in found["reason"]["text"]
    assert found["evidence"]["borrowed_units"] == 0
    assert found["evidence"]["related_chips_unused"] == 3


def step(instance: Instance, *outcomes: tuple[int, str]) -> NextStepAnswer:
    """The next step after these trials of core, each a setting and how it ended."""
    rail = {"domain": "core", "control": "voltage_offset"}
    trials = [
        {"settings": [{**rail, "value": setting}], "outcome": outcome}
        for setting, outcome in outcomes
    ]
    search = read_search(a_body({"chip": CHIP, "trials": trials}), instance.catalogue)
    return advise_next_step(instance, search)


def lock_report(instance: Instance, number: int, status: str) -> None:
    lock = {
        "domain": "core",
        "control": "voltage_offset",
        "status": status,
        "found_by": "written_and_read_back",
    }
    send(instance, a_submission(number=number, settings=..., locks=[lock]))


def a_locked_chip(folder: Path, by: str) -> Instance:
    """An instance whose related chips lend, and whose chip is locked by documents or reports."""
    instance = an_instance(folder)
    a_related_club(instance, members=5, units=2)
    assert answer(instance)["evidence"]["borrowed_units"] > 0
    if by == "reports":
        for number in range(8):
            lock_report(instance, 6_000 + number, "chip_locked")
        return instance
    own = instance.settings.catalogue_path / "own.toml"
    own.write_text(
        '[series."norvane-sable-48-mx"]\nfactory_lock = "locked"\nlock_reason = "Seen here."\n'
    )
    instance.close()
    return an_instance(folder)


@pytest.mark.parametrize(
    ("by", "code", "lead"),
    [
        ("documents", "locked_at_factory", "Documented as locked at the factory"),
        ("reports", "locked_by_reports", "Probably locked: check this first."),
    ],
)
def test_a_locked_chip_borrows_nothing_until_three_machines_show_an_effect(
    tmp_path: Path, by: str, code: str, lead: str
) -> None:
    instance = a_locked_chip(tmp_path, by)
    for number in range(3):
        found, following = answer(instance), step(instance)
        assert (found["start"], found["reason"]["code"]) == (None, code)
        assert "A lower power limit is what is left: ask /v1/power." in found["reason"]["text"]
        assert found["evidence"]["borrowed_units"] == 0
        assert following.next_step is None
        assert following.reason is not None
        assert (following.reason.code, following.reason.text) == (code, found["reason"]["text"])
        a_member(instance, number, stable_at=-139 - number, unstable_at=-145 - number)
    found, following = answer(instance), step(instance)
    assert found["start"] is not None
    assert found["evidence"]["borrowed_units"] > 0
    assert following.next_step is not None
    for summary in (found["summary"], following.summary):
        assert lead in summary.partition(" at -")[0]
    if by == "documents":
        assert "Results of 3 machines show otherwise. Enter " in found["summary"]


def test_open_reports_that_contradict_a_document_come_before_the_number(tmp_path: Path) -> None:
    instance = a_locked_chip(tmp_path, "documents")
    for number in range(3):
        assert answer(instance)["start"] is None
        lock_report(instance, 6_000 + number, "open")
    found = answer(instance)
    assert found["start"] is not None
    assert "3 of 3 machines report otherwise. Enter " in found["summary"]


def test_an_own_trial_on_a_locked_chip_goes_on_and_is_told_to_read_back(tmp_path: Path) -> None:
    instance = a_locked_chip(tmp_path, "documents")
    passed = step(instance, (-10, "stable"))
    assert passed.next_step is not None
    assert "On a locked machine every setting passes: read yours back first." in passed.summary
    failed = step(instance, (-10, "stable"), (-40, "failed"))
    assert failed.next_step is not None
    assert "locked" not in failed.summary


@pytest.mark.parametrize(("members", "lends"), [(4, False), (5, True)])
def test_in_a_young_instance_five_tokens_of_ten_units_lend(
    tmp_path: Path, members: int, lends: bool
) -> None:
    instance = an_instance(tmp_path)
    a_related_club(instance, members, units=3)
    found = answer(instance)
    assert (found["start"] is not None) is lends
    assert (found["evidence"]["borrowed_units"] > 0) is lends
    assert found["evidence"]["related_chips_unused"] == (0 if lends else 3)


def test_a_vouched_member_of_a_young_instance_is_established_there(tmp_path: Path) -> None:
    instance = an_instance(tmp_path)
    send(instance, a_count_submission(14, 15, 9_000))
    with instance.writing() as connection:
        connection.exec_driver_sql("UPDATE contributor SET is_vouched = 1")
    a_related_club(instance, 5, units=3)
    assert answer(instance)["evidence"]["borrowed_units"] == 0
    for number, borrows in ((2, False), (3, True)):
        with instance.writing() as connection:
            connection.exec_driver_sql(
                "UPDATE contributor SET is_vouched = 1 WHERE id IN "
                f"(SELECT id FROM contributor ORDER BY id LIMIT {number + 1})"
            )
            connection.exec_driver_sql("UPDATE line SET revision = revision + 1")
        assert (answer(instance)["evidence"]["borrowed_units"] > 0) is borrows


@pytest.mark.parametrize(("established", "lends"), [(2, False), (3, True)])
def test_most_contributors_must_be_established_where_any_is(
    waiting: Instance, clock: HandMovedClock, established: int, lends: bool
) -> None:
    a_related_club(waiting, established, units=3)
    a_related_club(waiting, 5 - established, units=3, first=5_000)
    assert (answer(waiting)["evidence"]["borrowed_units"] > 0) is lends


class WithoutSeries(Unreviewed):
    """A catalogue that describes no series."""

    def is_described(self, *_: Any) -> bool:
        return False


def test_outside_the_catalogue_a_chip_lends_once_a_curator_includes_a_result(
    waiting: Instance,
) -> None:
    club = a_related_club(waiting, 5, units=3)
    waiting.catalogue = cast(Catalogue, WithoutSeries(waiting.catalogue))
    found = answer(waiting)
    assert found["evidence"]["borrowed_units"] == 0
    assert found["evidence"]["related_chips_unused"] == 3
    decide(waiting, a_curator(waiting), a_decision(club[0], "include", "rule_does_not_fit"))
    found = answer(waiting)
    assert found["evidence"]["borrowed_units"] > 0
    assert found["evidence"]["related_chips_unused"] == 2


def test_only_related_pools_that_lend_choose_the_kind_of_pool(waiting: Instance) -> None:
    """More results of new tokens with other domains cannot take the place of a club that lends."""
    for number in range(36):
        moved = a_setting(stable_at=-140, unstable_at=-146, moved_with=["ring"])
        send(waiting, a_submission(moved, chip=SERIES[number % 3], number=90_000 + number))
    a_related_club(waiting, 5, units=2)
    found = answer(waiting)
    assert (found["moved_with"], found["start"]["level"]) == ([], "series")


def test_real_lenders_are_read_before_a_crowd_of_invented_names(
    waiting: Instance, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(pools, "_MOST_READ", len(SERIES))
    a_related_club(waiting, 5, units=2)
    real = answer(waiting)
    assert real["evidence"]["borrowed_units"] == 15
    for number in range(36):
        invented = f"norvane-sable-5-48{number % 3 + 1}1mx"
        send(
            waiting,
            a_submission(
                a_setting(stable_at=-150, unstable_at=-156), chip=invented, number=90_000 + number
            ),
        )
    crowded = answer(waiting)
    assert crowded["evidence"]["borrowed_units"] == 15
    assert crowded["start"] == real["start"]


LINES = ("norvane-tarnel-5-2130y", "ketterly-drift-8-2382z", "ketterly-quorrel-9-3190x")


def a_club_of_lines(
    instance: Instance,
    members: int,
    units: int = 3,
    first: int = 0,
    chips: tuple[str, ...] = LINES,
    **changes: Any,
) -> list[Accepted]:
    """Results about one chip of each line, of each so many units of each member."""
    return [
        send(
            instance,
            a_submission(
                a_setting(stable_at=-95 - 2 * unit, unstable_at=-101 - 2 * unit),
                chip=chip,
                number=1_000_000 * (place + 1) + 100 * (first + member) + unit,
                contributor_token=f"tidewater-member-{first + member:06}",
                **changes,
            ),
        )
        for place, chip in enumerate(chips)
        for member in range(members)
        for unit in range(units)
    ]


def test_a_chip_without_relatives_gets_a_start_from_all_chips_that_says_so(
    waiting: Instance,
) -> None:
    a_club_of_lines(waiting, 12)
    found = answer(waiting)
    assert found["start"]["level"] == "all_chips"
    assert found["start"]["setting_mv"] < 0
    assert found["evidence"]["borrowed_units"] == 36
    first, _, second, expected, third = found["summary"].split(". ")[:5]
    assert first.startswith("Enter ")
    assert first.endswith("core for a first test of 20 minutes")
    assert second == "No related chip has enough results: it is from all chips of this kind"
    assert " of 100 machines like these are expected to hold it; " in expected
    assert third == "Based on 36 machines of 3 other lines"


@pytest.mark.parametrize(("lines", "lends"), [(2, False), (3, True)])
def test_all_chips_need_three_lines(waiting: Instance, lines: int, lends: bool) -> None:
    a_club_of_lines(waiting, 12, chips=LINES[:lines])
    found = answer(waiting)
    assert (found["start"] is not None) is lends
    if not lends:
        assert found["reason"]["code"] == "no_results"
        assert (
            "Of other lines, 2 have enough results; a start takes three."
            in (found["reason"]["text"])
        )


def test_lines_of_new_tokens_alone_lend_nothing(waiting: Instance) -> None:
    a_club_of_lines(waiting, 30, first=5_000)
    found = answer(waiting)
    assert found["start"] is None
    assert found["evidence"]["borrowed_units"] == 0


def test_lines_outside_the_catalogue_lend_nothing(waiting: Instance) -> None:
    waiting.catalogue = cast(Catalogue, WithoutSeries(waiting.catalogue))
    a_club_of_lines(waiting, 12)
    assert answer(waiting)["start"] is None


@pytest.mark.parametrize(("own", "level"), [(3, "all_chips"), (9, "all_chips"), (10, "chip")])
def test_ten_own_units_say_more_than_all_chips(waiting: Instance, own: int, level: str) -> None:
    a_club_of_lines(waiting, 12)
    for number in range(20, 20 + own):
        a_member(waiting, number)
    found = answer(waiting)
    assert found["evidence"]["units"] == own
    assert found["start"]["level"] == level


def test_a_related_chip_that_lends_comes_before_all_chips(waiting: Instance) -> None:
    a_club_of_lines(waiting, 12)
    a_related_club(waiting, 5, units=3, first=20)
    found = answer(waiting)
    assert found["start"]["level"] == "series"
    assert found["evidence"]["borrowed_units"] == 15


def test_an_answer_of_all_chips_follows_every_change_of_other_lines_at_once(
    waiting: Instance,
) -> None:
    for number in range(20, 23):
        a_member(waiting, number)
    club = a_club_of_lines(waiting, 4)
    alone = answer(waiting)
    assert alone["start"]["level"] == "chip"
    fifth = a_club_of_lines(waiting, 1, first=4)
    assert answer(waiting)["start"]["level"] == "all_chips"
    for result in (*club[:3], *fifth[:3]):
        withdraw_own_result(waiting, result.id, result.receipt)
    assert answer(waiting)["start"] == alone["start"]


def test_a_chip_of_a_line_without_any_result_gets_a_start_too(waiting: Instance) -> None:
    a_club_of_lines(waiting, 12)
    asked = a_question(waiting, chip="norvane-sable-9-4890k")
    found = orjson.loads(advise_start(waiting, asked).body)
    assert (found["start"]["level"], found["moved_with"]) == ("all_chips", [])


def filtered(instance: Instance, **filters: str) -> dict[str, Any]:
    found = advise_start(instance, a_question(instance, **filters))
    return cast(dict[str, Any], orjson.loads(found.body))


def test_a_filter_reaches_what_related_chips_lend(waiting: Instance) -> None:
    a_related_club(waiting, 6, units=2)
    assert answer(waiting)["evidence"]["borrowed_units"] == 18
    unknown = filtered(waiting, machine="tillwater-99")
    assert unknown["start"] is None
    assert unknown["evidence"]["borrowed_units"] == 0
    assert unknown["reason"]["code"] == "no_results"
    assert (
        "Without a filter there are 0 machines of this chip and 36 of related chips."
        in (unknown["reason"]["text"])
    )


def on_harbour(instance: Instance, members: int, units: int = 2, first: int = 0) -> None:
    """Results about one related chip on another machine class, shallower than the others."""
    for member in range(first, first + members):
        for unit in range(units):
            send(
                instance,
                a_submission(
                    a_setting(stable_at=-100 - unit, unstable_at=-106 - unit),
                    chip=SERIES[0],
                    number=500_000 + 100 * member + unit,
                    contributor_token=f"tidewater-member-{member:06}",
                    platform={"machine": "harbour-15"},
                ),
            )


def test_only_related_results_that_fit_the_filter_are_lent(
    waiting: Instance, clock: HandMovedClock
) -> None:
    a_related_club(waiting, 6, units=2)
    on_harbour(waiting, 5, first=10)
    clock.moment += timedelta(days=1)
    everything, harbour = answer(waiting), filtered(waiting, machine="harbour-15")
    assert everything["evidence"]["borrowed_units"] > 15
    assert harbour["evidence"]["borrowed_units"] == 5
    assert harbour["start"]["setting_mv"] > everything["start"]["setting_mv"]
    assert "5 machines of related chips that fit the filter" in harbour["summary"]
    curve = advise_stability(waiting, a_question(waiting, machine="harbour-15"))
    assert orjson.loads(curve.body)["evidence"]["borrowed_units"] == 5


@pytest.mark.parametrize(("members", "units", "lends"), [(4, 3, False), (5, 2, True)])
def test_a_filter_leaves_a_related_chip_its_small_cells(
    waiting: Instance, clock: HandMovedClock, members: int, units: int, lends: bool
) -> None:
    a_related_club(waiting, 6, units=2)
    on_harbour(waiting, members, units, first=10)
    clock.moment += timedelta(days=1)
    assert (filtered(waiting, machine="harbour-15")["start"] is not None) is lends


def test_related_results_of_the_day_wait_under_a_filter(
    waiting: Instance, clock: HandMovedClock
) -> None:
    on_harbour(waiting, 5)
    clock.moment += timedelta(days=1)
    before = filtered(waiting, machine="harbour-15")
    on_harbour(waiting, 4, first=5)
    after = filtered(waiting, machine="harbour-15")
    assert after["evidence"]["borrowed_units"] == before["evidence"]["borrowed_units"] == 5
    clock.moment += timedelta(days=1)
    later = filtered(waiting, machine="harbour-15")
    assert later["evidence"]["borrowed_units"] == 9


def test_related_results_of_the_day_wait_in_delayed_answers(
    waiting: Instance, clock: HandMovedClock
) -> None:
    a_related_club(waiting, 6, units=2)
    clock.moment += timedelta(days=1)
    share = {"stable_share": "0.80"}

    def borrowed(**asked: str) -> int:
        return cast(int, filtered(waiting, **asked)["evidence"]["borrowed_units"])

    before = borrowed(**share)
    a_related_club(waiting, 4, units=2, first=10)
    assert borrowed(**share) == before < borrowed()
    curve = orjson.loads(advise_stability(waiting, a_question(waiting)).body)
    assert curve["evidence"]["borrowed_units"] == before
    clock.moment += timedelta(days=1)
    assert borrowed(**share) == borrowed() > before


@contextmanager
def reads_of_pools() -> Iterator[list[int]]:
    """The numbers of the pools whose results or units are read meanwhile."""
    read: list[int] = []

    def note(function: Callable[..., Any], name: str) -> Any:
        def noted(connection: Any, number: int, *more: Any) -> Any:
            read.append(number)
            return function(connection, number, *more)

        return patch.object(pools, name, noted)

    names = ("load_pool_rows", "load_pools_of_line", "count_trusted_units")
    with ExitStack() as stack:
        for name in names:
            stack.enter_context(note(getattr(pools, name), name))
        yield read


INVENTED = "norvane-sable-9-4891k"


def test_unequal_questions_read_other_lines_once_until_one_of_them_changes(
    waiting: Instance,
) -> None:
    club = a_club_of_lines(waiting, 12)
    few = a_club_of_lines(waiting, 4, chips=("norvane-tarnel-5-2130y",), first=5_000)

    def ask(chip: str = INVENTED, **asked: str) -> tuple[int, Any]:
        with reads_of_pools() as read:
            found = filtered(waiting, chip=chip, **asked)
        return len(read), found["start"]

    first, start = ask()
    assert (first > 0, start["level"]) == (True, "all_chips")
    # A chip that anyone can think up has no stored answer, but costs no more reads.
    assert ask() == (0, start)
    assert "stored_answer" not in row_counts(waiting)
    assert ask("norvane-sable-9-4892k")[0] == 0
    assert ask(stable_share="0.50")[0] == 3  # once more, without results of the day
    assert [ask(stable_share=f"0.{share}")[0] for share in range(51, 60)] == [0] * 9
    assert ask(confidence="0.90")[0] == 0
    machines = [ask(machine=f"tillwater-{number}") for number in range(4)]
    assert [read for read, _ in machines] == [0] * 4
    withdraw_own_result(waiting, few[0].id, few[0].receipt)
    assert 0 < ask()[0] < first
    withdraw_own_result(waiting, club[0].id, club[0].receipt)
    read, after = ask()
    assert (0 < read < first, after["level"]) == (True, "all_chips")


@contextmanager
def computations() -> Iterator[list[int]]:
    """One entry for each fit that an answer asks for meanwhile."""
    made: list[int] = []
    plain = start_answer.fit_question

    def noted(*asked: Any) -> Any:
        made.append(1)
        return plain(*asked)

    with patch.object(start_answer, "fit_question", noted):
        yield made


@pytest.mark.parametrize("own_units", [0, 1, 3], ids=["without results", "too few", "few"])
def test_an_answer_of_all_chips_is_stored_until_a_result_of_any_line_comes(
    waiting: Instance, own_units: int
) -> None:
    for number in range(20, 20 + own_units):
        a_member(waiting, number)
    a_club_of_lines(waiting, 12)
    with computations() as made:
        first = advise_start(waiting, a_question(waiting))
        assert orjson.loads(first.body)["start"]["level"] == "all_chips"
        assert row_counts(waiting)["stored_answer"] == 1
        for _ in range(3):
            assert advise_start(waiting, a_question(waiting)) == first
        assert len(made) == 1
        a_club_of_lines(waiting, 1, first=12, chips=LINES[:1])
        after = advise_start(waiting, a_question(waiting))
        assert len(made) == 2
        # A fresh computation gives the stored bytes.
        with waiting.writing() as connection:
            connection.exec_driver_sql("DELETE FROM stored_answer")
        assert advise_start(waiting, a_question(waiting)) == after
        assert len(made) == 3
    assert row_counts(waiting)["stored_answer"] == 1


def test_each_process_serves_the_stored_answer_of_all_chips_while_no_line_changes(
    waiting: Instance, clock: HandMovedClock
) -> None:
    a_club_of_lines(waiting, 12)
    other = an_instance(waiting.settings.home.parent, clock)
    curve = advise_stability(waiting, a_question(waiting))
    with computations() as made:
        first = advise_start(waiting, a_question(waiting))
        assert advise_start(other, a_question(other)) == first
        assert advise_stability(other, a_question(other)) == curve
        assert len(made) == 1
        # A line that did not exist is one more.
        send(waiting, a_submission(chip="norvane-tarnel-5-2130y", number=9_900))
        changed = advise_start(other, a_question(other))
        assert advise_start(waiting, a_question(waiting)) == changed
        assert len(made) == 2
    other.close()


def test_an_answer_without_lenders_is_stored_until_other_lines_begin_to_lend(
    waiting: Instance,
) -> None:
    a_member(waiting, 20)
    with computations() as made:
        assert answer(waiting)["reason"]["code"] == "too_few_units"
        answer(waiting)
        assert len(made) == 1
        a_club_of_lines(waiting, 12)
        assert answer(waiting)["start"]["level"] == "all_chips"


def test_no_answer_of_all_chips_is_left_once_a_result_behind_it_is_withdrawn(
    waiting: Instance,
) -> None:
    for number in range(20, 23):
        a_member(waiting, number)
    (lent, *_) = a_club_of_lines(waiting, 12)
    assert answer(waiting)["start"]["level"] == "all_chips"
    assert row_counts(waiting)["stored_answer"] == 1
    withdraw_own_result(waiting, lent.id, lent.receipt)
    assert "stored_answer" not in row_counts(waiting)


def test_a_chip_has_no_more_stored_answers_of_all_chips_than_of_its_own(
    waiting: Instance,
) -> None:
    a_member(waiting, 20)
    for place in range(ANSWERS_PER_CHIP + 2):
        advise_start(waiting, a_question(waiting, clock_mhz=str(1_000 + place)))
    assert row_counts(waiting)["stored_answer"] == ANSWERS_PER_CHIP


def test_what_shows_an_answer_of_all_chips_is_drawn_again_after_a_result_of_any_line(
    waiting: Instance,
) -> None:
    a_member(waiting, 20)
    a_club_of_lines(waiting, 12)
    drawn: list[AnswerBytes] = []

    def draw() -> tuple[bytes, list[ShownAnswer]]:
        question = a_question(waiting)
        drawn.append(advise_start(waiting, question))
        return drawn[-1].body, [ShownAnswer("start", question, drawn[-1])]

    def picture() -> AnswerBytes:
        flight = waiting.single_flight
        return picture_once(waiting, "picture", a_question(waiting), draw, flight)

    first = picture()
    assert picture() == first
    assert len(drawn) == 1
    a_club_of_lines(waiting, 1, first=12, chips=LINES[:1])
    picture()
    picture()
    assert len(drawn) == 2


def test_contributors_are_those_of_the_units_that_a_filter_admits(
    instance: Instance, clock: HandMovedClock
) -> None:
    for number in range(1, 19):
        depth = -70 - 2 * number if number < 18 else -220
        setting = a_setting(stable_at=depth, unstable_at=depth - 5)
        document = a_submission(setting, number=number)
        document["platform"] = {"machine": "harbour-15" if number <= 6 else "harbour-17"}
        send(instance, document)
    clock.moment += timedelta(days=40)
    for machine, sent_by in (("harbour-15", 6), ("harbour-17", 11)):
        evidence = answer(instance, machine=machine)["evidence"]
        assert (evidence["units"], evidence["contributors"]) == (sent_by, sent_by)
    whole = answer(instance)["evidence"]
    # One lies too far from all others to count.
    assert (whole["units"], whole["units_excluded"], whole["contributors"]) == (17, 1, 17)
