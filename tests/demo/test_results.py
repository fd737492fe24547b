"""The club's documents, and the liars', before the one road in."""

from collections import Counter
from random import Random

import orjson
import pytest

from kbapi.demo.attackers import attacker_documents
from kbapi.demo.results import club_results
from kbapi.errors import DocumentRefused
from kbapi.instance.instance import Instance
from kbapi.intake.submit import accept_submission

REFUSALS = {
    "in_use_fails",
    "above_stock",
    "looks_like_volts",
    "outside_fixed_clock_range",
    "beyond_hard_bound",
    "unstable_not_deeper",
    "count_not_whole",
}


@pytest.fixture
def told(instance: Instance) -> dict[str, Counter[str]]:
    """What each standing's documents were told: their status, or that they were refused."""
    statuses: dict[str, Counter[str]] = {}
    for result in club_results(500, Random(4)):
        try:
            status = accept_submission(instance, orjson.dumps(result.document)).screening.status
        except DocumentRefused as error:
            codes = {problem.code for problem in error.problems}
            status = "refused" if codes <= REFUSALS else f"refused for {codes - REFUSALS}"
        statuses.setdefault(result.standing, Counter())[status] += 1
    return statuses


def test_each_standing_is_screened_for_what_it_is(told: dict[str, Counter[str]]) -> None:
    assert set(told) == {"honest", "claim", "wrong_units", "locked", "locked_and_claiming"}
    assert set(told["wrong_units"]) == {"refused"}
    assert "refused" not in told["honest"] + told["claim"] + told["locked"]
    assert told["honest"]["counted"] / told["honest"].total() > 0.9
    # Noise of two readings can look like an effect, seldom.
    assert told["claim"]["counted"] <= 0.02 * told["claim"].total()
    assert told["locked_and_claiming"]["counted"] == 0


def test_liars_pass_the_door_and_break_nothing(instance: Instance) -> None:
    documents = list(attacker_documents(80, Random(1)))
    for document in documents:
        assert document["client"] == "tidewater-synthetic-attackers/1"
        accept_submission(instance, orjson.dumps(document))
    senders = Counter(document["contributor_token"] for document in documents)
    assert senders["tidewater-synthetic-liar-flooding"] == 20
    kinds = Counter(token.rsplit("liar-", 1)[1].split("-")[0] for token in senders)
    assert set(kinds) == {"cluster", "junk", "flooding", "sybil"}


def test_lies_are_the_same_for_the_same_dice() -> None:
    assert list(attacker_documents(40, Random(2))) == list(attacker_documents(40, Random(2)))
