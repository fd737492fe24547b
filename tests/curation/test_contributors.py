"""A contributor: what was sent, where it lies, and how far starts move without it."""

import pytest

from kbapi.curation.contributors import show_contributor
from kbapi.curation.influence import rank_influence
from kbapi.errors import ResultUnknown
from kbapi.instance.instance import Instance
from tests.curation.makers import send_deep
from tests.makers import CHIP, a_setting, a_submission, row_counts, send

MEMBER = "tidewater-member-000077"


def test_a_contributor_is_shown_by_number_with_what_was_sent(instance: Instance) -> None:
    for number in range(6):
        send(instance, a_submission(number=number))
    shallow = a_setting(stable_at=-40, unstable_at=-45)
    for number in (70, 71):
        send(instance, a_submission(shallow, number=number, contributor_token=MEMBER))
    send_deep(instance, number=72, contributor_token=MEMBER)
    send(instance, a_submission(number=73, contributor_token=MEMBER, chip="norvane-sable-7-4800k"))
    shown = show_contributor(instance, 7)
    assert (shown.contributor, shown.is_shared, shown.results) == (7, False, 4)
    assert (shown.first_seen, shown.other_pools) == ("2026-09-15", 0)
    here, other = shown.pools
    assert (here.pool.chip, other.pool.chip) == (CHIP, "norvane-sable-7-4800k")
    assert (here.units, here.counted, here.unverified, here.excluded) == (3, 2, 0, 1)
    assert here.deeper_than == 0.0
    assert other.deeper_than is None
    assert here.influence is not None
    assert here.influence.is_exact
    assert here.influence == rank_influence(instance, CHIP).strongest_of(7)


def test_a_deep_contributor_lies_deeper_than_the_others(instance: Instance) -> None:
    for number in range(4):
        send(instance, a_submission(a_setting(stable_at=-60 - number), number=number))
    deep = a_setting(stable_at=-62, unstable_at=-100)
    send(instance, a_submission(deep, number=9))
    shown = show_contributor(instance, 5)
    # The middle of 62 and 100 mV lies between those of 60, 61, 62 and 63 mV with 90 mV.
    assert shown.pools[0].deeper_than == 1.0


def test_the_number_that_senders_without_a_token_share_says_so(instance: Instance) -> None:
    send(instance, a_submission(contributor_token=...))
    shown = show_contributor(instance, 1)
    assert (shown.is_shared, shown.results) == (True, 1)


def test_a_contributor_whose_results_do_not_count_has_no_influence(instance: Instance) -> None:
    send(instance, a_submission(number=1))
    send_deep(instance, number=2)
    (pool,) = show_contributor(instance, 2).pools
    assert (pool.counted, pool.excluded, pool.influence, pool.deeper_than) == (0, 1, None, None)


def test_showing_a_contributor_stores_nothing(instance: Instance) -> None:
    send(instance, a_submission())
    before = row_counts(instance)
    show_contributor(instance, 1)
    assert row_counts(instance) == before


def test_an_unknown_number_is_an_error(instance: Instance) -> None:
    with pytest.raises(ResultUnknown):
        show_contributor(instance, 1)
