"""What judging costs: one pool of 100,000 rows, and an instance of a million results."""

import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from statistics import median

from kbapi.evidence.verdicts import rejudge
from kbapi.storage.instance import Instance
from kbapi.storage.pool_rows import PoolSize, load_all_pools
from tests.bench._many_units import fill_pool
from tests.makers import an_instance
from tests.report import Row, measured

POOLS, UNITS, SET_ASIDE = 10, 100_000, 1_000


def measure(*, short: bool) -> list[Row]:
    """CPU of judging one pool, and wall time of the whole instance."""
    pools, units = (2, 5_000) if short else (POOLS, UNITS)
    with tempfile.TemporaryDirectory() as folder:
        instance = an_instance(Path(folder))
        for place in range(pools):
            with instance.writing() as connection:
                fill_pool(connection, place, units)
        with instance.reading() as connection:
            sizes = load_all_pools(connection)
        one = _median_ms(lambda: rejudge(instance, sizes[0], keep=False), 3 if short else 9)
        wall, aside = _whole_instance(instance, sizes)
        again = _median_ms(lambda: rejudge(instance, sizes[0], keep=True), 3)
        instance.close()
    of = f"{units:,} rows"
    return [
        measured(f"rejudging a pool of {of}", one, "ms CPU", "" if short else "< 200"),
        measured(f"the same, kept, nothing changed, {of}", again, "ms CPU", ""),
        measured(f"a whole instance of {pools} pools of {of}, kept", wall, "s", ""),
        measured("units set aside in it", aside, "count", ""),
    ]


def _whole_instance(instance: Instance, sizes: list[PoolSize]) -> tuple[float, int]:
    begun = time.perf_counter()
    found = [rejudge(instance, pool, keep=True) for pool in sizes]
    return time.perf_counter() - begun, sum(len(one.now.units) for one in found if one)


def _median_ms(work: Callable[[], object], repeats: int) -> float:
    work()
    costs = []
    for _ in range(repeats):
        begun = time.process_time()
        work()
        costs.append(1000.0 * (time.process_time() - begun))
    return round(median(costs), 1)
