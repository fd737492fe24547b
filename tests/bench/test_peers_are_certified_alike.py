"""One ruler for the estimates of all peers, and rows for those that are not installed."""

import numpy as np
import pytest

from kbapi.stats.estimate.npmle import fit_npmle
from tests.bench import _peers, npmle, start
from tests.bench._peers import Peer, PeerMissingError, certificate, rows_of
from tests.calibration.testers import TRUTHS, a_tested_pool

POOL = a_tested_pool(np.random.default_rng(1), TRUTHS[0], 500)


@pytest.mark.parametrize("side", ["left", "right"])
def test_the_comparison_certifies_our_own_masses_as_the_fit_does(side):
    fit = fit_npmle(POOL)
    at = 2.0 * fit.cell_left if side == "left" else 2.0 * fit.cell_right - 1.0
    log_likelihood, gap = certificate(POOL, (at, fit.masses))
    assert log_likelihood == pytest.approx(fit.log_likelihood, abs=1e-8)
    assert gap == pytest.approx(fit.optimality_gap, abs=1e-6)


def test_an_estimate_without_mass_where_a_unit_is_has_no_likelihood():
    log_likelihood, gap = certificate(
        POOL, (np.array([2.0 * fit_npmle(POOL).cell_left[0]]), np.ones(1))
    )
    assert (log_likelihood, gap) == (-np.inf, np.inf)


def test_no_left_end_given_to_peers_equals_a_right_end():
    rows = rows_of(POOL.stable_steps, POOL.unstable_steps, POOL.weight)
    assert np.intersect1d(rows.left, rows.right).size == 0
    assert np.all(rows.left < rows.right)


@pytest.mark.parametrize("bench", [npmle, start])
def test_an_absent_peer_is_a_row_marked_as_not_measured(bench, monkeypatch):
    def missing(*_):
        raise PeerMissingError("not installed")

    monkeypatch.setattr(bench, "PEERS", (Peer("absent", missing, 40.0, 1),))
    rows = bench.measure(short=True)
    (absent,) = [row for row in rows if row.value is None]
    assert (absent.met, absent.note) == (False, "not installed")
    assert all(row.met for row in rows if row is not absent and row.wanted)


def test_an_unknown_package_is_missing():
    with pytest.raises(PeerMissingError, match="nowhere is not installed"):
        _peers._import("nowhere")
