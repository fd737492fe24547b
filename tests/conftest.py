"""The few things that tests begin from: an instance with a clock of its own, its app, a client."""

from collections.abc import Iterator
from pathlib import Path
from typing import Final

import pytest
from flask import Flask
from flask.testing import FlaskClient

from kbapi.app import create_app
from kbapi.instance.instance import Instance
from tests.makers import HandMovedClock, an_instance

LONGEST_FIRST: Final = ("durability", "calibration", "cli", "outside", "house", "system", "intake")
"""Folders whose files take longest: several processes that begin with them end together."""


SLOW_FOLDERS: Final = {
    "access",
    "bench",
    "calibration",
    "cli",
    "durability",
    "exchange",
    "metrics",
    "outside",
    "system",
}
"""Folders that are not quick: they start servers and processes, or fill whole clubs."""
SLOW_FILES: Final = {
    "advice/test_a_stored_answer_is_served_while_it_is_right.py",
    "advice/test_answers_are_said_plainly.py",
    "advice/test_poison_is_set_aside_and_everybody_is_told.py",
    "api/test_a_query_is_parsed_once.py",
    "api/test_filters_select_results_first.py",
    "api/test_limits_are_told_and_kept.py",
    "api/test_nothing_is_silently_ignored_or_given_away.py",
    "api/test_power_limits_only_go_down.py",
    "api/test_rejected_results_leave_lock_shares.py",
    "api/test_rules_are_counted_for_whoever_watches.py",
    "api/test_settings_are_followed_over_months.py",
    "api/test_the_next_step_follows_from_ones_own_runs.py",
    "chips/test_laws.py",
    "chips/test_search.py",
    "curation/test_the_queue_tells_what_waits.py",
    "evidence/test_a_what_if_is_what_the_decision_would_do.py",
    "house/test_a_worker_starts_light.py",
    "house/test_dependencies_are_declared_and_locked.py",
    "house/test_readme_examples_run.py",
    "house/test_released_clients_still_work.py",
    "house/test_style_and_types_are_clean.py",
    "intake/test_a_batch_equals_its_items_one_by_one.py",
    "intake/test_a_contributor_sees_and_withdraws_everything.py",
    "intake/test_a_half_done_rescreening_is_told.py",
    "intake/test_a_withdrawal_leaves_nothing.py",
    "intake/test_follow_ups_change_what_is_known.py",
    "intake/test_stored_results_are_screened_again.py",
    "intake/test_the_whole_document_is_read.py",
    "storage/test_counts_in_a_file_are_exact.py",
    "storage/test_faults_of_the_file_are_told_apart.py",
    "storage/test_files_belong_to_whom_they_serve.py",
    "storage/test_the_schema_goes_up_whole_or_not_at_all.py",
    "storage/test_upgrades_keep_promises_and_data.py",
    "storage/test_writing_stops_and_goes_on_by_itself.py",
}
"""Other files that took more than 0.15 s a test, or seconds to set up."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    items.sort(key=lambda item: _place(item.path.parent.name))
    for item in items:
        if _is_quick(item):
            item.add_marker(pytest.mark.quick)


def _is_quick(item: pytest.Item) -> bool:
    folder, file = item.path.parts[-2:]
    is_drawn = getattr(getattr(item, "obj", None), "is_hypothesis_test", False)
    is_slow = folder in SLOW_FOLDERS or f"{folder}/{file}" in SLOW_FILES
    return not (is_slow or is_drawn)


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
