"""Shares of lock statuses: against plain second ways, by laws, and by coverage."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from kbapi.stats.locks.shares import (
    SharePrior,
    estimate_share,
    even_prior,
    fit_share_prior,
    posterior_shares,
)

counts = st.lists(st.floats(0, 500), min_size=3, max_size=3).map(np.array)
OPEN = np.array([True, True, False])


@given(counts)
def test_shares_sum_to_one_and_the_share_of_a_group_is_the_sum_over_it(seen: np.ndarray) -> None:
    prior = even_prior(3)
    shares = posterior_shares(seen, prior)
    assert shares.sum() == pytest.approx(1)
    found = estimate_share(seen, OPEN, prior, 0.95)
    assert found.share == pytest.approx(shares[OPEN].sum())
    assert 0 <= found.low <= found.share <= found.high <= 1


@given(counts)
def test_the_interval_is_the_published_beta_quantile(seen: np.ndarray) -> None:
    prior = SharePrior(np.array([0.5, 0.2, 0.3]), 4.0)
    inside = seen[OPEN].sum() + 4.0 * 0.7
    outside = seen[~OPEN].sum() + 4.0 * 0.3
    found = estimate_share(seen, OPEN, prior, 0.9)
    low, high = stats.beta.interval(0.9, inside, outside)
    assert (found.low, found.high) == pytest.approx((low, high), rel=1e-6, abs=1e-9)


def test_a_sure_prior_never_closes_the_interval() -> None:
    locked = fit_share_prior(np.array([[0.0, 500.0], [0.0, 400.0], [0.0, 450.0]]))
    found = estimate_share(np.array([0.0, 43.0]), np.array([True, False]), locked, 0.95)
    assert found.low == pytest.approx(0, abs=1e-3)
    assert 0.03 < found.high < 0.10


def test_the_strength_is_the_one_that_a_plain_search_finds() -> None:
    rng = np.random.default_rng(5)
    rows = rng.multinomial(60, rng.dirichlet([8, 3, 1], size=6)[0], size=6).astype(float)
    prior = fit_share_prior(rows)
    plain = max(
        np.geomspace(0.5, 100.0, 47),
        key=lambda strength: sum(
            stats.dirichlet_multinomial(strength * prior.shares, int(row.sum())).logpmf(
                row.astype(int)
            )
            for row in rows
        ),
    )
    assert prior.strength == pytest.approx(plain)


def test_related_chips_that_disagree_have_little_weight() -> None:
    alike = np.array([[45.0, 5.0, 0.0], [44.0, 6.0, 0.0], [46.0, 4.0, 0.0]])
    apart = np.array([[50.0, 0.0, 0.0], [0.0, 50.0, 0.0], [25.0, 0.0, 25.0]])
    assert fit_share_prior(alike).strength > 20
    assert fit_share_prior(apart).strength < 3


def test_one_related_chip_or_none_has_the_weight_of_one_unit() -> None:
    assert fit_share_prior(np.array([[40.0, 2.0]])).strength == 1
    without_chips = fit_share_prior(np.zeros((0, 2)))
    assert (without_chips.shares.tolist(), without_chips.strength) == ([0.5, 0.5], 1)
    empty = fit_share_prior(np.zeros((3, 2)))
    assert empty.shares.tolist() == [0.5, 0.5]


def test_a_prior_of_agreeing_siblings_narrows_the_interval_of_few_units() -> None:
    siblings = fit_share_prior(np.array([[45.0, 5.0], [44.0, 6.0], [46.0, 4.0], [45.0, 5.0]]))
    few, group = np.array([4.0, 0.0]), np.array([True, False])
    alone = estimate_share(few, group, even_prior(2), 0.95)
    leaning = estimate_share(few, group, siblings, 0.95)
    assert leaning.high - leaning.low < alone.high - alone.low


def test_intervals_cover_what_they_claim() -> None:
    rng = np.random.default_rng(11)
    group, covered, tries = np.array([True, False]), 0, 2_000
    for _ in range(tries):
        truth = rng.uniform(0.05, 0.95)
        opened = rng.binomial(30, truth)
        found = estimate_share(np.array([opened, 30.0 - opened]), group, even_prior(2), 0.95)
        covered += found.low <= truth <= found.high
    assert covered / tries >= 0.93


def test_a_confidence_outside_its_range_is_refused() -> None:
    with pytest.raises(ValueError, match="confidence"):
        estimate_share(np.ones(2), np.array([True, False]), even_prior(2), 1.0)
