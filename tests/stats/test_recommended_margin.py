import numpy as np
import pytest

from kbapi.stats.search.recommended_margin import recommended_margin


def margin_of(*bands):
    """The margin from (failed, stable) units in each band of 10, 20 and 30 mV."""
    failed = np.concatenate([np.repeat([True, False], band) for band in bands])
    place = np.repeat(np.arange(len(bands)), [sum(band) for band in bands])
    days = np.full(len(failed), 100)
    days[failed] = 40
    return recommended_margin(days, failed, np.ones(len(failed)), place, (10.0, 20.0, 30.0))


@pytest.mark.parametrize(
    ("bands", "margin", "source"),
    [
        (((0, 0), (0, 0), (0, 0)), 10.0, "default"),
        (((0, 58), (0, 0), (0, 0)), 10.0, "default"),
        (((0, 59), (0, 0), (0, 0)), 10.0, "learned"),
        (((0, 20), (0, 59), (0, 0)), 20.0, "learned"),
        (((12, 20), (0, 20), (0, 0)), 20.0, "default_failed"),
        (((12, 20), (12, 20), (0, 0)), 30.0, "default_failed"),
        (((12, 20), (12, 20), (12, 20)), 30.0, "default_failed"),
    ],
)
def test_a_margin_is_learned_when_its_bound_reaches_the_wanted_share(bands, margin, source):
    found = margin_of(*bands)
    assert (found.margin, found.source) == (margin, source)
