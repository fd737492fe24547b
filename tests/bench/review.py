"""What a page of the queue and of all results costs, and a decision about ten thousand."""

import tempfile
import time
from pathlib import Path

from kbapi.instance.instance import Instance
from kbapi.storage.host_views import Walk
from kbapi.storage.review import BEGIN, WaitingAt
from tests.curation.makers import a_curator, decide
from tests.curation.many import fill_with_results, steps_of_a_page, steps_of_results
from tests.makers import an_instance
from tests.report import Row, measured

ONE_IN = 100
"""So many results to one that waits."""
SCRIPT = "broken-script/0.1"
WALKS = {
    "day": Walk("day"),
    "chip": Walk("chip", 1),
    "contributor": Walk("contributor", 1),
    "deepest": Walk("deepest", 1),
    "shallowest": Walk("shallowest", 1),
}


def measure(*, short: bool) -> list[Row]:
    """Steps of SQLite's machine for a page, and CPU seconds of a decision by origin."""
    few, many = (100 * ONE_IN, 300 * ONE_IN) if short else (1_000 * ONE_IN, 10_000 * ONE_IN)
    rows = []
    cost = []
    by_walk: dict[str, list[int]] = {by: [] for by in WALKS}
    for results in (few, many):
        with tempfile.TemporaryDirectory() as folder:
            made = an_instance(Path(folder))
            fill_with_results(made, results, every=ONE_IN)
            late = WaitingAt("screening", (results - 50 * ONE_IN, 0, 0, 0))
            ends = [steps_of_a_page(made, at) for at in (WaitingAt("screening", BEGIN), late)]
            rows += [
                measured(
                    f"first page, {results // ONE_IN:,} wait among {results:,}",
                    ends[0],
                    "steps",
                    "",
                ),
                measured(
                    f"last page, {results // ONE_IN:,} wait among {results:,}", ends[1], "steps", ""
                ),
            ]
            cost += ends
            for by, walk in WALKS.items():
                late = (False, True)
                by_walk[by] += [steps_of_results(made, walk, is_late=one) for one in late]
            if results == many:
                rows.append(_by_script(made, results))
            made.close()
    rows.append(measured("dearest page over cheapest", max(cost) / min(cost), "ratio", "<= 1.1"))
    return [*rows, *_all_results(by_walk)]


def _all_results(by_walk: dict[str, list[int]]) -> list[Row]:
    """The dearest over the cheapest page of all results, for each order."""
    return [
        measured(
            f"all results by {by}, dearest page of {max(cost):,} steps over cheapest",
            max(cost) / min(cost),
            "ratio",
            "<= 1.1",
        )
        for by, cost in by_walk.items()
    ]


def _by_script(made: Instance, results: int) -> Row:
    with made.writing() as connection:
        connection.exec_driver_sql(
            "UPDATE submission SET document = json_set(document, '$.client', ?) WHERE id % ? = 0",
            (SCRIPT, ONE_IN),
        )
    curator = a_curator(made)
    begun = time.process_time()
    entry = {"origin": {"client": SCRIPT}, "decision": "invalidate", "reason": "script_error"}
    decided = decide(made, curator, entry)
    spent = time.process_time() - begun
    assert decided.decided == results // ONE_IN
    return measured(
        f"a decision by script about {decided.decided:,} of {results:,}", spent, "s CPU", "<= 15"
    )
