"""Documents of the club and of attackers, accepted or refused."""

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
def statuses(instance: Instance) -> dict[str, Counter[str]]:
    """The statuses of the documents of each standing, `refused` among them."""
    found: dict[str, Counter[str]] = {}
    for result in club_results(500, Random(4)):
        try:
            status = accept_submission(instance, orjson.dumps(result.document)).screening.status
        except DocumentRefused as error:
            codes = {problem.code for problem in error.problems}
            status = "refused" if codes <= REFUSALS else f"refused for {codes - REFUSALS}"
        found.setdefault(result.standing, Counter())[status] += 1
    return found


def test_each_standing_is_screened_for_what_it_is(
    statuses: dict[str, Counter[str]],
) -> None:
    assert set(statuses) == {
        "honest",
        "unverified",
        "wrong_units",
        "locked",
        "locked_with_settings",
    }
    assert set(statuses["wrong_units"]) == {"refused"}
    assert "refused" not in statuses["honest"] + statuses["unverified"] + statuses["locked"]
    assert statuses["honest"]["counted"] / statuses["honest"].total() > 0.9
    # Noise of two readings can look like an effect, seldom.
    assert statuses["unverified"]["counted"] <= 0.02 * statuses["unverified"].total()
    assert statuses["locked_with_settings"]["counted"] == 0


def test_results_of_attackers_are_accepted(instance: Instance) -> None:
    documents = list(attacker_documents(80, Random(1)))
    for document in documents:
        assert document["client"] == "tidewater-synthetic-attackers/1"
        accept_submission(instance, orjson.dumps(document))
    senders = Counter(document["contributor_token"] for document in documents)
    assert senders["tidewater-synthetic-liar-flooding"] == 20
    kinds = Counter(token.rsplit("liar-", 1)[1].split("-")[0] for token in senders)
    assert set(kinds) == {"cluster", "junk", "flooding", "sybil"}


def test_equal_seeds_give_equal_false_results() -> None:
    assert list(attacker_documents(40, Random(2))) == list(attacker_documents(40, Random(2)))
