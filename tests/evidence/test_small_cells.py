"""Withheld cells: neither shown nor what is left of the sum over all."""

from hypothesis import given
from hypothesis import strategies as st

from kbapi.evidence.small_cells import FEWEST_UNITS_SHOWN, shown_cells

CELLS = st.lists(st.integers(0, 12), max_size=8)


@given(CELLS, st.integers(0, 9), st.sets(st.integers(0, 7)))
def test_what_is_left_of_the_sum_is_nothing_or_five_units(cells, beside, other_reasons):
    withheld = [place for place in other_reasons if place < len(cells)]
    shown = shown_cells(cells, beside, withheld)
    seen = [cell for cell, is_shown in zip(cells, shown, strict=True) if is_shown]
    assert all(cell == 0 or cell >= FEWEST_UNITS_SHOWN for cell in seen)
    left = beside + sum(cells) - sum(seen)
    has_withheld = len(seen) < len(cells)
    assert not has_withheld or left == 0 or left >= FEWEST_UNITS_SHOWN or not any(seen)
    assert not any(shown[place] for place in withheld)


@given(CELLS, st.integers(0, 9))
def test_no_more_is_withheld_than_is_needed(cells, beside):
    shown = shown_cells(cells, beside)
    small = sum(cell for cell in cells if cell < FEWEST_UNITS_SHOWN)
    if small == 0 or beside + small >= FEWEST_UNITS_SHOWN:
        assert shown == tuple(cell == 0 or cell >= FEWEST_UNITS_SHOWN for cell in cells)
    else:
        also = [c for c, s in zip(cells, shown, strict=True) if not s and c >= FEWEST_UNITS_SHOWN]
        assert also == sorted(c for c in cells if c >= FEWEST_UNITS_SHOWN)[:1]
