"""One migrated database for a file of tests; each test's rows are undone."""

from collections.abc import Iterator

import pytest
from sqlalchemy import Engine

from tests.makers import an_engine


@pytest.fixture(scope="module")
def engine(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Engine]:
    with an_engine(tmp_path_factory.mktemp("evidence")) as made:
        yield made
