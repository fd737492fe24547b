"""What the queue of curators costs beside a million results, and a decision about ten thousand."""

import tempfile
import time
from pathlib import Path

from kbapi.instance.instance import Instance
from kbapi.storage.review import BEGIN, WaitingAt
from tests.curation.makers import a_curator, decide
from tests.curation.many import fill_with_results, steps_of_a_page
from tests.makers import an_instance
from tests.report import Row, measured

ONE_IN = 100
"""So many results to one that waits."""
SCRIPT = "broken-script/0.1"


def measure(*, short: bool) -> list[Row]:
    """Steps of SQLite's machine for a page, and CPU seconds of a decision by origin."""
    few, many = (1_000 * ONE_IN, 3_000 * ONE_IN) if short else (1_000 * ONE_IN, 10_000 * ONE_IN)
    rows = []
    cost = []
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
            if results == many:
                rows.append(_by_script(made, results))
            made.close()
    rows.append(measured("dearest page over cheapest", max(cost) / min(cost), "ratio", "<= 1.1"))
    return rows


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
