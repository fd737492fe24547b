"""One migrated database for a file of tests; each test's rows are undone."""

from collections.abc import Iterator

import pytest
from sqlalchemy import Engine

from kbapi.storage import schema
from kbapi.storage.sqlite.engine import make_writing_engine


@pytest.fixture(scope="module")
def engine(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Engine]:
    database = tmp_path_factory.mktemp("evidence") / "kbapi.sqlite3"
    schema.upgrade_to_head(database)
    made = make_writing_engine(database)
    yield made
    made.dispose()
