"""The few things that tests begin from: an instance with a clock of its own, its app, a client."""

from collections.abc import Iterator
from pathlib import Path
from typing import Final

import pytest
from flask import Flask
from flask.testing import FlaskClient

from kbapi.app import create_app
from kbapi.storage.instance import Instance
from tests.makers import HandMovedClock, an_instance

LONGEST_FIRST: Final = ("durability", "calibration", "cli", "outside", "house", "system", "intake")
"""Folders whose files take longest: several processes that begin with them end together."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    items.sort(key=lambda item: _place(item.path.parent.name))


def _place(folder: str) -> int:
    return LONGEST_FIRST.index(folder) if folder in LONGEST_FIRST else len(LONGEST_FIRST)


@pytest.fixture
def clock() -> HandMovedClock:
    return HandMovedClock()


@pytest.fixture
def instance(tmp_path: Path, clock: HandMovedClock) -> Iterator[Instance]:
    made = an_instance(tmp_path, clock)
    yield made
    made.close()


@pytest.fixture
def app(instance: Instance) -> Flask:
    return create_app(instance)


@pytest.fixture
def client(app: Flask) -> FlaskClient:
    return app.test_client()
