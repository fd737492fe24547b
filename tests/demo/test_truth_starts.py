"""One seed and a few chips of `python -m tests.calibration demo`, which measures all of them."""

from tests.calibration.demo import measure


def test_no_start_is_far_deeper_than_the_written_truth() -> None:
    for row in measure(short=True):
        assert row.met, row
