"""One thread for small matrices, and no import that an answer has no use for."""

import subprocess
import sys

import pytest


def loaded_by(statement: str) -> list[str]:
    """Names of the modules that a fresh interpreter holds after the statement."""
    code = f"{statement}; import sys; print('\\n'.join(sys.modules))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    return done.stdout.split()


@pytest.mark.parametrize("heavy", ["scipy.special", "scipy.stats", "scipy.linalg"])
def test_a_start_loads_nothing_heavy_of_scipy(heavy):
    loaded = loaded_by(
        "import kbapi.stats.start.start, kbapi.stats.start.stability, kbapi.stats.start.pool"
    )
    assert {"kbapi.stats.start.start", "scipy"} <= set(loaded)
    assert heavy not in loaded


def test_the_linear_algebra_is_set_to_one_thread_before_numpy_loads():
    code = (
        "import kbapi, os, sys; print(os.environ['OPENBLAS_NUM_THREADS'], 'numpy' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["1", "False"]
