"""The few things that tests begin from: an instance with a clock of its own, its app, a client."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from flask import Flask
from flask.testing import FlaskClient

from kbapi.app import create_app
from kbapi.storage.instance import Instance
from tests.makers import HandMovedClock, an_instance


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
