"""Random outcomes and units on a short grid, where passes, failures and ties meet often."""

from hypothesis import strategies as st

from tests.evidence.makers import CONDITIONS, OutcomeRow, UnitSeen

MONTHS = ("2026-06", "2026-07", "2026-08")


@st.composite
def outcomes(draw: st.DrawFn) -> OutcomeRow:
    """One counted setting: a pass, a failure or both; an early stop only without a failure."""
    stable = draw(st.none() | st.integers(0, 12))
    least_failed = 1 if stable is None else stable + 1
    failed = st.integers(least_failed, 14)
    unstable = draw(failed if stable is None else st.none() | failed)
    early_stop = draw(st.integers(0, 6)) if unstable is None else 0
    return OutcomeRow(stable, unstable, early_stop, draw(st.sampled_from(MONTHS)))


def units() -> st.SearchStrategy[list[UnitSeen]]:
    """Units of few contributors, some with more than three, outcomes under several conditions."""
    under_conditions = st.tuples(st.integers(0, len(CONDITIONS) - 1), outcomes())
    one = st.builds(
        UnitSeen,
        contributor=st.sampled_from((1, 1, 1, 2, 3)),
        outcomes=st.lists(under_conditions, min_size=1, max_size=5).map(tuple),
    )
    return st.lists(one, min_size=1, max_size=9)
