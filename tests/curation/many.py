"""Many results for the queue of curators, as rows, and the cost of a page."""

from collections.abc import Callable
from typing import Any

from sqlalchemy import Connection, text

from kbapi.instance.instance import Instance
from kbapi.storage.host_views import SubmissionFilters, Walk, find_submissions
from kbapi.storage.review import WaitingAt, WaitingFilters, find_waiting
from kbapi.storage.schema import METADATA
from tests.curation.makers import send_deep

MADE = {
    "unit": {"id": "1 + n", "token_hash": "NULL"},
    "submission": {
        "id": "1 + n",
        "public_id": "CAST(10000000 + n AS TEXT) || '-made'",
        "unit_id": "1 + n",
        "content_hash": "NULL",
    },
    "setting_result": {
        "id": "1 + n",
        "submission_id": "1 + n",
        "unit_id": "1 + n",
        "status": "CASE n % :every WHEN 0 THEN 'excluded' ELSE 'counted' END",
    },
}


def fill_with_results(instance: Instance, results: int, every: int) -> None:
    """Many results of one contributor in one pool, at regular intervals a waiting one."""
    send_deep(instance)
    with instance.writing() as connection:
        for table, changed in MADE.items():
            columns = METADATA.tables[table].columns.keys()
            values = [changed.get(column, f"first.{column}") for column in columns]
            statement = text(
                "WITH RECURSIVE made(n) AS "
                "(SELECT 1 UNION ALL SELECT n + 1 FROM made WHERE n < :all) "
                f"INSERT INTO {table} ({', '.join(columns)}) SELECT {', '.join(values)}"
                f" FROM made JOIN {table} AS first ON first.id = 1"
            )
            parameters = {"all": results} | ({"every": every} if ":every" in str(statement) else {})
            connection.execute(statement, parameters)
        connection.exec_driver_sql(
            "INSERT INTO differing_contributor (pool_id, contributor_id, code) "
            "VALUES (1, 1, 'contributor_differs')"
        )


def steps_of_a_page(instance: Instance, at: WaitingAt) -> int:
    """The number of SQLite instructions for a page, equal on every computer."""
    return _steps(instance, lambda connection: find_waiting(connection, at, WaitingFilters(), 21))


def steps_of_results(instance: Instance, walk: Walk, *, is_late: bool) -> int:
    """The same for a page of results; a late one is among the last of its list."""
    late = {
        "day": ("10000050-made", 0),
        "chip": (50, 0),
        "contributor": (50, 50),
        "deepest": (205, 50),
        "shallowest": (215, rows_in(instance) - 50),
    }
    at = late[walk.by] if is_late else walk.begin
    filters = SubmissionFilters()
    return _steps(instance, lambda connection: find_submissions(connection, walk, at, filters, 21))


def rows_in(instance: Instance) -> int:
    """How many results there are."""
    with instance.reading() as connection:
        count = connection.exec_driver_sql("SELECT COUNT(*) FROM submission").scalar_one()
    return int(count)


def _steps(instance: Instance, find: Callable[[Connection], list[Any]]) -> int:
    ran = 0

    def count() -> int:
        nonlocal ran
        ran += 1
        return 0

    with instance.reading() as connection:
        driver = connection.connection.driver_connection
        driver.set_progress_handler(count, 1)
        found = find(connection)
        driver.set_progress_handler(None, 1)
    assert len(found) == 21
    return ran
