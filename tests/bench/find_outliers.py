"""The cost of the outlier and drift checks: a pool of 100,000 rows, a million results."""

import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from statistics import median

from sqlalchemy import Connection

from kbapi.advice.evidence_found import load_standing_in
from kbapi.evidence.comparisons import load_drift
from kbapi.instance.instance import Instance
from kbapi.intake.rescreen import find_outliers
from kbapi.storage.pools import PoolSize, load_all_pools
from tests.bench._many_units import fill_pool
from tests.makers import an_instance
from tests.report import Row, measured

POOLS, UNITS = 10, 100_000


def measure(*, short: bool) -> list[Row]:
    """CPU of checking one pool, and wall time of the whole instance."""
    pools, units = (2, 5_000) if short else (POOLS, UNITS)
    with tempfile.TemporaryDirectory() as folder:
        instance = an_instance(Path(folder))
        for place in range(pools):
            with instance.writing() as connection:
                fill_pool(connection, place, units)
        with instance.writing() as connection:
            _date_results(connection)
        with instance.reading() as connection:
            sizes = load_all_pools(connection)
            standing = load_standing_in(connection, instance)
            drift = _median_ms(
                lambda: load_drift(connection, sizes[0].id, standing), 3 if short else 9
            )
        one = _median_ms(lambda: find_outliers(instance, sizes[0], keep=False), 3 if short else 9)
        wall, aside = _whole_instance(instance, sizes)
        again = _median_ms(lambda: find_outliers(instance, sizes[0], keep=True), 3)
        instance.close()
    of = f"{units:,} rows"
    return [
        measured(f"rejudging a pool of {of}", one, "ms CPU", "" if short else "< 200"),
        measured(f"the same, kept, nothing changed, {of}", again, "ms CPU", ""),
        measured(
            f"looking for a drift in a pool of {of}", drift, "ms CPU", "" if short else "< 200"
        ),
        measured(f"a whole instance of {pools} pools of {of}, kept", wall, "s", ""),
        measured("units set aside in it", aside, "count", ""),
    ]


def _whole_instance(instance: Instance, sizes: list[PoolSize]) -> tuple[float, int]:
    begun = time.perf_counter()
    found = [find_outliers(instance, pool, keep=True) for pool in sizes]
    return time.perf_counter() - begun, sum(len(one.now.units) for one in found if one)


def _date_results(connection: Connection) -> None:
    """Spread the first pool's results over fifteen months and three machines with a firmware."""
    run = connection.exec_driver_sql
    run(
        "INSERT INTO conditions (id, loads, grade, firmware, microcode, machine, cooling, supply) "
        "VALUES (2, 'all_core', 'long', '1.14', '0x2b', 'harbour-15', '', ''), "
        "(3, 'all_core', 'long', '1.12', '0x2a', 'quay-13', '', '')"
    )
    run(
        "UPDATE setting_result SET conditions_id = 1 + unit_id % 3, measured_month = "
        "printf('%d-%02d', 2025 + unit_id % 15 / 12, 1 + unit_id % 15 % 12) WHERE pool_id = 1"
    )


def _median_ms(work: Callable[[], object], repeats: int) -> float:
    work()
    costs = []
    for _ in range(repeats):
        begun = time.process_time()
        work()
        costs.append(1000.0 * (time.process_time() - begun))
    return round(median(costs), 1)
