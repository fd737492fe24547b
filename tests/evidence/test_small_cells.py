"""Withheld cells: neither shown nor what is left of the sum over all; results that wait."""

from datetime import timedelta
from typing import Any

import orjson
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kbapi.advice.locks.answer import advise_locks
from kbapi.advice.locks.query import parse_lock_question
from kbapi.advice.stability.answer import advise_stability
from kbapi.advice.start.answer import advise_start
from kbapi.evidence.small_cells import FEWEST_SHOWN, Cell, shown_cells
from kbapi.instance.instance import Instance
from kbapi.intake.my_submissions import withdraw_own_result
from kbapi.intake.submit import accept_submission, dry_run_submission
from kbapi.storage.keys import Voucher
from tests.makers import (
    HandMovedClock,
    a_body,
    a_question,
    a_setting,
    a_submission,
    send,
)

SIZES = st.lists(st.integers(0, 12), max_size=8)


def cells_of(sizes: list[int]) -> list[Cell]:
    """Cells of one unit of each contributor, without common contributors."""
    return [Cell(size, range(100 * place, 100 * place + size)) for place, size in enumerate(sizes)]


@given(SIZES, st.integers(0, 9), st.sets(st.integers(0, 7)))
def test_what_is_left_of_the_sum_is_nothing_or_five_contributors(sizes, beside, other_reasons):
    withheld = [place for place in other_reasons if place < len(sizes)]
    shown = shown_cells(cells_of(sizes), Cell(beside, range(-beside, 0)), withheld)
    seen = [size for size, is_shown in zip(sizes, shown, strict=True) if is_shown]
    assert all(size == 0 or size >= FEWEST_SHOWN for size in seen)
    left = beside + sum(sizes) - sum(seen)
    has_withheld = len(seen) < len(sizes)
    assert not has_withheld or left == 0 or left >= FEWEST_SHOWN or not any(seen)
    assert not any(shown[place] for place in withheld)


@given(SIZES, st.integers(0, 9))
def test_no_more_is_withheld_than_is_needed(sizes, beside):
    shown = shown_cells(cells_of(sizes), Cell(beside, range(-beside, 0)))
    small = sum(size for size in sizes if size < FEWEST_SHOWN)
    if small == 0 or beside + small >= FEWEST_SHOWN:
        assert shown == tuple(size == 0 or size >= FEWEST_SHOWN for size in sizes)
    else:
        also = [c for c, s in zip(sizes, shown, strict=True) if not s and c >= FEWEST_SHOWN]
        assert also == sorted(c for c in sizes if c >= FEWEST_SHOWN)[:1]


def test_many_units_of_few_or_of_new_contributors_are_a_small_cell():
    assert shown_cells([Cell(500, (1, 2, 3, 4))]) == (False,)
    assert shown_cells([Cell(500, ())]) == (False,)
    assert shown_cells([Cell(500, (1, 2, 3, 4, 5))]) == (True,)


def result(number: int, supply: str = "mains", **changes: Any) -> dict[str, Any]:
    """A result of member `number` whose limit lies between 70 and 90 mV."""
    depth = 70 + number % 10
    setting = a_setting(stable_at=-depth, unstable_at=-depth - 4)
    return a_submission(setting, number=number, platform={"supply": supply}, **changes)


@pytest.fixture
def grown(instance: Instance, clock: HandMovedClock) -> Instance:
    """An instance with twelve known contributors of results on mains."""
    for number in range(12):
        send(instance, result(number))
    clock.moment += timedelta(days=31)
    return instance


def start_of(instance: Instance, **parameters: str) -> dict[str, Any]:
    answer: dict[str, Any] = orjson.loads(
        advise_start(instance, a_question(instance, **parameters)).body
    )
    return answer


def units_of(instance: Instance, **parameters: str) -> int:
    """How many units an answer to this question is based on."""
    units: int = start_of(instance, **parameters)["evidence"]["units"]
    return units


def test_a_filter_counts_established_contributors_only(
    grown: Instance, clock: HandMovedClock
) -> None:
    for number in range(100, 110):
        send(grown, result(number, "battery"))
    clock.moment += timedelta(days=2)
    assert units_of(grown, supply="battery") == 0
    clock.moment += timedelta(days=30)
    assert units_of(grown, supply="battery") == 10


def test_cells_do_not_count_a_contributor_for_whom_a_key_vouched_today(
    grown: Instance, clock: HandMovedClock
) -> None:
    """A key for members could vouch for invented ones, and complete a group of five at once."""
    sender = Voucher(1, for_all=True)
    for number in range(100, 110):
        accept_submission(grown, a_body(result(number, "battery")), None, sender)
    clock.moment += timedelta(days=2)
    assert units_of(grown, supply="battery") == 0
    clock.moment += timedelta(days=30)
    assert units_of(grown, supply="battery") == 10


def test_units_of_one_contributor_are_one_in_a_filtered_cell(
    grown: Instance, clock: HandMovedClock
) -> None:
    token = "tidewater-member-000003"
    for number in range(100, 110):
        send(grown, result(number, "battery", contributor_token=token))
    clock.moment += timedelta(days=2)
    assert units_of(grown, supply="battery") == 0


def test_in_a_young_instance_every_contributor_with_a_token_counts(instance: Instance) -> None:
    for number in range(5):
        send(instance, result(number, "battery"))
        send(instance, result(50 + number, contributor_token=...))
    assert units_of(instance, supply="battery") == 5
    assert units_of(instance, supply="mains") == 0


def test_a_filter_that_leaves_out_one_to_four_contributors_is_withheld(
    instance: Instance, clock: HandMovedClock
) -> None:
    for number in range(12):
        send(instance, result(number, "battery" if number < 4 else "mains"))
    clock.moment += timedelta(days=31)
    assert units_of(instance, supply="mains") == 0
    send(instance, result(5, "battery"))
    clock.moment += timedelta(days=1)
    assert units_of(instance, supply="mains") > 0


QUERIES = [
    {"detail": "percentiles"},
    {"stable_share": "0.5"},
    {"confidence": "0.9"},
    {"supply": "mains"},
    {"supply": "mains", "grade": "long", "load": "all_core", "detail": "percentiles"},
]


@pytest.mark.parametrize("query", QUERIES)
def test_a_percentile_changes_after_five_more_contributors_or_a_day(
    grown: Instance, clock: HandMovedClock, query: dict[str, str]
) -> None:
    before = advise_start(grown, a_question(grown, **query))
    for number in range(4):
        send(grown, result(number, client="tidewater-script/0.4"))  # known already: no more
        send(grown, result(100 + number, "mains"))
    assert advise_start(grown, a_question(grown, **query)) == before
    assert units_of(grown) == 16
    for number in range(10):
        send(grown, result(200 + number, contributor_token=...))
    assert advise_start(grown, a_question(grown, **query)) == before
    clock.moment += timedelta(days=1)
    assert units_of(grown, **query) == 26


def test_five_more_established_contributors_release_a_percentile(
    grown: Instance, clock: HandMovedClock
) -> None:
    others = "Norvane Sable 7 4720MX"
    for number in range(100, 105):
        send(grown, result(number, chip=others))
    clock.moment += timedelta(days=31)
    for number in range(100, 104):
        send(grown, result(number))
    assert units_of(grown, detail="percentiles") == 12
    send(grown, result(104))
    assert units_of(grown, detail="percentiles") == 17


def test_a_withdrawal_changes_a_percentile_at_once_and_releases_nothing(
    grown: Instance, clock: HandMovedClock
) -> None:
    mine = send(grown, result(3, client="tidewater-script/0.5"))
    clock.moment += timedelta(days=1)
    before = start_of(grown, detail="percentiles", supply="mains")
    send(grown, result(100))
    unit = send(grown, result(101))
    withdraw_own_result(grown, unit.id, unit.receipt)
    assert start_of(grown, detail="percentiles", supply="mains") == before
    withdraw_own_result(grown, mine.id, mine.receipt)
    assert units_of(grown, detail="percentiles", supply="mains") == 12


def peers_seen(instance: Instance, number: int) -> Any:
    """The peers that a dry run of this member shows."""
    dry_run = dry_run_submission(instance, a_body(result(number, client="tidewater-script/0.6")))
    return dry_run.settings[0].peers


def test_peers_change_once_a_day_and_are_of_five_contributors(
    grown: Instance, clock: HandMovedClock
) -> None:
    advise_start(grown, a_question(grown))
    seen = peers_seen(grown, 3)
    assert seen is not None
    for number in range(100, 104):
        send(grown, result(number))
        advise_start(grown, a_question(grown))
        advise_stability(grown, a_question(grown))
    assert peers_seen(grown, 3) == seen
    gone = send(grown, result(104, client="tidewater-script/0.4"))
    withdraw_own_result(grown, gone.id, gone.receipt)
    advise_start(grown, a_question(grown))
    assert peers_seen(grown, 3) == seen
    clock.moment += timedelta(days=1)
    advise_start(grown, a_question(grown))
    assert peers_seen(grown, 3).known > seen.known


def test_a_pool_of_four_contributors_has_no_peers(instance: Instance) -> None:
    for number in range(40):
        send(instance, result(number, contributor_token=f"tidewater-member-{number % 4:06}"))
    advise_start(instance, a_question(instance))
    assert peers_seen(instance, 3) is None


def test_the_revision_of_an_answer_is_its_etag_and_counts_no_results_of_others(
    grown: Instance, clock: HandMovedClock
) -> None:
    answer = advise_start(grown, a_question(grown, detail="percentiles"))
    assert orjson.loads(answer.body)["evidence"]["revision"] == answer.etag
    send(grown, result(100))
    assert advise_start(grown, a_question(grown, detail="percentiles")) == answer
    other = {"chip": ["Norvane Sable 5 4620MX"]}
    locks = advise_locks(grown, parse_lock_question(other, grown.catalogue))
    send(grown, result(101))
    assert advise_locks(grown, parse_lock_question(other, grown.catalogue)) == locks
    assert orjson.loads(locks.body)["revision"] == locks.etag


def test_equal_documents_without_tokens_are_one_unit_of_several_results(
    instance: Instance,
) -> None:
    document = a_submission(contributor_token=..., unit_token=...)
    first, second = send(instance, document), send(instance, document)
    assert len({first.id, second.id}) == len({first.receipt, second.receipt}) == 2
    assert first.duplicate_of is second.duplicate_of is None
    assert units_of(instance) == 1
    withdraw_own_result(instance, first.id, first.receipt)
    assert units_of(instance) == 1
    withdraw_own_result(instance, second.id, second.receipt)
    assert units_of(instance) == 0
