"""The few things that tests begin from: an instance with a clock of its own, its app, a client."""

import os
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Final

import pytest
from flask import Flask
from flask.testing import FlaskClient
from hypothesis import settings

from kbapi.app import create_app
from kbapi.instance.instance import Instance
from tests import postgres
from tests.makers import HandMovedClock, an_instance, give_databases_back
from tests.statements import Recorder, is_another_database, is_chosen_from, statements_folder

# A drawn example that takes long on a loaded machine is right all the same.
settings.register_profile("any machine", deadline=None)
settings.load_profile("any machine")

LONGEST_FIRST: Final = (
    "durability",
    "calibration",
    "browser",
    "cli",
    "outside",
    "house",
    "system",
    "intake",
)
"""Folders whose files take longest: several processes that begin with them end together."""


SLOW_FOLDERS: Final = {
    "access",
    "bench",
    "browser",
    "calibration",
    "cli",
    "demo",
    "durability",
    "metrics",
    "outside",
    "server",
    "system",
}
"""Folders that are not quick: they start servers and processes, or fill whole clubs."""
SLOW_FILES: Final = {
    "advice/test_chips.py",
    "advice/test_documented.py",
    "advice/test_evidence_found.py",
    "advice/test_phrases.py",
    "advice/test_stored_answers.py",
    "api/test_admission_limits.py",
    "api/test_operation.py",
    "api/test_questions.py",
    "api/test_questions_filters.py",
    "api/test_questions_longevity.py",
    "api/test_questions_next_step.py",
    "api/test_questions_power.py",
    "api/test_review_locks.py",
    "api/test_submissions_strictness.py",
    "chips/test_naming_laws.py",
    "curation/test_notes_bundled.py",
    "curation/test_queue.py",
    "documents/test_reader.py",
    "evidence/test_units_what_if.py",
    "house/test_dependencies.py",
    "house/test_import_cost.py",
    "house/test_reading_is_linear.py",
    "house/test_readme_examples.py",
    "house/test_released_clients.py",
    "house/test_style_and_types.py",
    "instance/test_backup.py",
    "instance/test_check.py",
    "instance/test_health_hosts.py",
    "instance/test_restore.py",
    "instance/test_write_gate.py",
    "intake/test_batch.py",
    "intake/test_follow_up.py",
    "intake/test_my_submissions.py",
    "intake/test_my_submissions_withdrawal.py",
    "intake/test_rescreen.py",
    "intake/test_rescreen_interrupted.py",
    "storage/test_files.py",
    "storage/test_postgres_database_replica.py",
    "storage/test_sqlite_engine_faults.py",
    "storage/test_sqlite_rate_counts.py",
    "storage/test_schema.py",
    "storage/test_schema_upgrades.py",
}
"""Other files that took more than 0.15 s a test, or seconds to set up."""


def pytest_addoption(parser: pytest.Parser) -> None:
    what = "which database instances have (default: sqlite)"
    parser.addoption("--database", choices=("sqlite", "postgres"), help=what)


def pytest_configure(config: pytest.Config) -> None:
    # Processes of tests, and those that they start, find it there.
    if (chosen := config.getoption("--database")) is not None:
        os.environ[postgres.CHOICE] = chosen
    if (folder := statements_folder()) is not None and not is_another_database():
        config.pluginmanager.register(Recorder(folder))


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    items.sort(key=lambda item: _place(item.path.parent.name))
    for item in items:
        if _is_quick(item):
            item.add_marker(pytest.mark.quick)
    if postgres.is_chosen():
        _deselect(config, items, lambda item: item.get_closest_marker("sqlite") is not None)
    if (folder := statements_folder()) is not None and is_another_database():
        is_chosen = is_chosen_from(folder, [item.nodeid for item in items])
        _deselect(config, items, lambda item: not is_chosen(item.nodeid))


def _deselect(
    config: pytest.Config, items: list[pytest.Item], is_left_out: Callable[[pytest.Item], bool]
) -> None:
    """Remove items, which the summary of the run counts as deselected."""
    config.hook.pytest_deselected(items=[item for item in items if is_left_out(item)])
    items[:] = [item for item in items if not is_left_out(item)]


def _is_quick(item: pytest.Item) -> bool:
    folder, file = item.path.parts[-2:]
    is_drawn = getattr(getattr(item, "obj", None), "is_hypothesis_test", False)
    is_slow = folder in SLOW_FOLDERS or f"{folder}/{file}" in SLOW_FILES
    return not (is_slow or is_drawn)


def _place(folder: str) -> int:
    return LONGEST_FIRST.index(folder) if folder in LONGEST_FIRST else len(LONGEST_FIRST)


@pytest.fixture(autouse=True)
def _databases(request: pytest.FixtureRequest) -> Iterator[None]:
    yield
    give_databases_back(getattr(request.node, "funcargs", {}).get("tmp_path"))


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
