"""A unit's own runs: the failure wins, order matters only for what contradicts."""

from fractions import Fraction

from hypothesis import given
from hypothesis import strategies as st

from kbapi.evidence.own_runs import OwnRun, contradictions_in, merge_runs
from kbapi.stats.intervals import NEVER_FAILED, Grid

COUNTS, FINE = Grid(Fraction(1)), Grid(Fraction(125, 128))


@st.composite
def some_runs(draw):
    values = draw(st.lists(st.tuples(st.integers(0, 12), st.booleans()), max_size=10))
    return [OwnRun(place, float(depth), passed) for place, (depth, passed) in enumerate(values)]


@given(some_runs())
def test_merged_runs_are_what_a_plain_reading_says(runs):
    own = merge_runs(runs, COUNTS)
    failed = [run.below_stock for run in runs if not run.is_stable]
    passed = [run.below_stock for run in runs if run.is_stable]
    short = [depth for depth in passed if not failed or depth < min(failed)]
    assert own.stable_steps == max(short, default=0)
    if not failed:
        assert own.unstable_steps == NEVER_FAILED
    elif min(failed) > 0:
        assert own.unstable_steps == min(failed)
    assert own.stable_steps < own.unstable_steps
    assert (own.passes, own.failures) == (len(short), len(failed))
    assert own.has_failed_at_stock is (0.0 in failed)
    assert len(own.unused) == len(passed) - len(short)


@given(some_runs())
def test_only_a_pass_beyond_an_earlier_failure_contradicts(runs):
    found = [(run.place, failed.place) for run, failed in contradictions_in(runs)]
    wanted = {
        run.place
        for run in runs
        if run.is_stable
        and any(
            not other.is_stable and other.below_stock < run.below_stock
            for other in runs[: run.place]
        )
    }
    assert {place for place, _ in found} == wanted
    for place, failed in found:
        assert failed < place
        assert runs[failed].below_stock < runs[place].below_stock


@given(some_runs(), st.randoms(use_true_random=False))
def test_the_order_of_runs_never_changes_the_limit(runs, dice):
    shuffled = dice.sample(runs, len(runs))
    own, other = merge_runs(runs, COUNTS), merge_runs(shuffled, COUNTS)
    assert (own.stable_steps, own.unstable_steps) == (other.stable_steps, other.unstable_steps)
    assert own.unused == other.unused


def test_two_settings_on_one_grid_step_are_still_two():
    own = merge_runs([OwnRun(0, 80.0, True), OwnRun(1, 80.4, False)], FINE)
    assert (own.stable_steps, own.unstable_steps, own.unused) == (82, 83, ())
