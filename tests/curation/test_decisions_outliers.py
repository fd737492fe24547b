"""Outliers wait for a curator, who includes or invalidates them."""

from typing import Any

import orjson
import pytest

from kbapi.access.keys import KeyHolder
from kbapi.advice.start.answer import advise_start
from kbapi.curation.item import show_item
from kbapi.curation.queue import list_waiting
from kbapi.instance.instance import Instance
from kbapi.intake.my_submissions import read_own_result
from kbapi.intake.responses import Accepted
from tests.curation.makers import a_curator, a_decision, decide
from tests.makers import COUNT_CHIP, a_count_submission, a_line_of_units, a_question, send


@pytest.fixture
def curator(instance: Instance) -> KeyHolder:
    return a_curator(instance)


@pytest.fixture
def outlier(instance: Instance) -> Accepted:
    """A unit that is far deeper than forty others, after an answer about them."""
    a_line_of_units(instance, [10 + number % 3 for number in range(40)])
    sent = send(instance, a_count_submission(29, 30, number=900))
    answer(instance)
    return sent


def answer(instance: Instance) -> dict[str, Any]:
    question = a_question(instance, chip=COUNT_CHIP, control="count_offset")
    return orjson.loads(advise_start(instance, question).body)


def screening_of(instance: Instance, sent: Accepted) -> tuple[str, list[str]]:
    own = read_own_result(instance, sent.id, sent.receipt).settings[0]
    return own.status, [reason.code for reason in own.reasons]


def waiting(instance: Instance) -> list[tuple[str, str, list[str]]]:
    return [
        (one.submission, one.status, [reason.code for reason in one.reasons])
        for one in list_waiting(instance, {}).waiting
    ]


def test_an_outlier_waits_with_the_reason_that_its_sender_reads(
    instance: Instance, outlier: Accepted
) -> None:
    assert answer(instance)["evidence"]["units"] == 40
    assert waiting(instance) == [(outlier.id, "excluded", ["outlier_deep"])]
    assert screening_of(instance, outlier) == ("excluded", ["outlier_deep"])


def test_an_included_outlier_counts_beyond_the_cutoffs(
    instance: Instance, curator: KeyHolder, outlier: Accepted
) -> None:
    shown = show_item(instance, outlier.id, 0).pool
    assert shown is not None
    assert shown.start_with is not None
    assert (shown.start_without.units, shown.start_with.units) == (40, 41)
    decide(instance, curator, a_decision(outlier, "include", "depth_confirmed"))
    assert screening_of(instance, outlier) == (
        "counted",
        ["included_by_curator", "depth_confirmed"],
    )
    now = answer(instance)
    assert (now["evidence"]["units"], now["evidence"]["units_excluded"]) == (41, 0)
    assert waiting(instance) == []


def test_an_outlier_is_excluded_again_after_undo_and_waits(
    instance: Instance, curator: KeyHolder, outlier: Accepted
) -> None:
    before = answer(instance)
    decide(instance, curator, a_decision(outlier, "include", "depth_confirmed"))
    answer(instance)
    decide(instance, curator, a_decision(outlier, "undo", "decided_in_error"))
    after = answer(instance)
    assert after["start"] == before["start"]
    assert after["evidence"]["units_excluded"] == before["evidence"]["units_excluded"] == 1
    assert waiting(instance) == [(outlier.id, "excluded", ["outlier_deep"])]


def test_an_invalidated_outlier_no_longer_affects_the_pool(
    instance: Instance, curator: KeyHolder, outlier: Accepted
) -> None:
    before = answer(instance)
    assert before["start"]["stable_share_used"] == 0.919
    assert "All senders are new here" in before["summary"]
    decide(instance, curator, a_decision(outlier, "invalidate", "wrong_units"))
    now = answer(instance)
    # What is left is the reserve of a pool of 40 units.
    assert now["start"]["stable_share_used"] == 0.91
    assert "excluded" not in now["summary"]
    assert now["evidence"]["units_excluded"] == 1
    assert screening_of(instance, outlier)[1] == ["invalidated_by_curator", "wrong_units"]
