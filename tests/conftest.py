"""The app over a fresh instance, and a client for it."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from flask import Flask
from flask.testing import FlaskClient

from kbapi.app import create_app
from kbapi.settings import Settings
from kbapi.storage.instance import create_or_open_instance


@pytest.fixture
def app(tmp_path: Path) -> Iterator[Flask]:
    instance = create_or_open_instance(Settings(home=tmp_path / "home"))
    yield create_app(instance)
    instance.close()


@pytest.fixture
def client(app: Flask) -> FlaskClient:
    return app.test_client()
