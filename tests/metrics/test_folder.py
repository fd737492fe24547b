"""A folder of counters: sums over processes, also ended ones, in reserved files."""

import logging
import os
import shutil
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import pytest
from flask import Flask

from kbapi import errors
from kbapi.api.http_messages import NO_ROUTE, route_of
from kbapi.documents.readings import READING_RULES
from kbapi.documents.refusal_rules import DOCUMENT_REFUSALS, REFUSALS
from kbapi.intake.decision_reasons import DECISION_SENTENCES
from kbapi.intake.responses import OUTLIER_SENTENCES
from kbapi.intake.screening import LATER_REMARKS, SCREENING_RULES
from kbapi.metrics import counters, folder

STATUSES = (200, 300, 400, 500)
CODES = [
    kind.code
    for kind in vars(errors).values()
    if isinstance(kind, type) and issubclass(kind, errors.KbapiError)
]
RULES = [
    *(rule.code for rule in (*REFUSALS, *DOCUMENT_REFUSALS, *SCREENING_RULES, *READING_RULES)),
    *(*LATER_REMARKS, *OUTLIER_SENTENCES, *DECISION_SENTENCES, *errors.FAULTS),
]


def in_a_process(task: Any, *arguments: Any) -> None:
    """Run code in another process, because it changes where the library counts."""
    process = get_context("spawn").Process(target=task, args=arguments)
    process.start()
    process.join()
    assert process.exitcode == 0


def count_everything(where: Path, routes: list[tuple[str, str]]) -> None:
    folder.share_between_processes(where)
    folder.begin_counting()
    for route, method in routes:
        for status in STATUSES:
            counters.count_request(route, method, status, 0.001)
    for rule in RULES:
        for concern in ("refusal", "setting", "reading"):
            counters.count_rule(rule, concern)
    for code in CODES:
        counters.count_write_failed(code)
    counters.count_commit(3)
    counters.count_write_wait(0.1)
    counters.count_rate_fault()


def test_all_names_with_all_labels_fit_into_the_reserved_space(app: Flask, tmp_path: Path) -> None:
    rules = [(rule, method) for rule in app.url_map.iter_rules() for method in rule.methods]
    routes = [(route_of(rule.rule), method) for rule, method in rules] + [(NO_ROUTE, "other")]
    in_a_process(count_everything, tmp_path / "metrics", routes)
    files = [file for file in (tmp_path / "metrics").glob("*.db") if "ended" not in file.name]
    assert sorted(file.name.rsplit("_", 1)[0] for file in files) == sorted(folder.RESERVED_BYTES)
    for file in files:
        assert file.stat().st_size == folder.RESERVED_BYTES[file.name.rsplit("_", 1)[0]], file.name


def count_in_two_and_end_one(where: Path) -> None:
    folder.share_between_processes(where)
    ended = os.fork()
    if ended == 0:
        folder.begin_counting()
        for _ in range(5):
            counters.count_submission("stored")
            counters.count_commit(2)
        os._exit(0)
    os.waitpid(ended, 0)
    folder.begin_counting()
    counters.count_submission("stored")
    before = set(folder.exposition_of_counts().splitlines())
    said = {b'kbapi_submissions_total{outcome="stored"} 6.0', b"kbapi_commit_writers_sum 10.0"}
    assert before >= {*said, b"kbapi_workers 2.0"}
    folder.add_counts_of_ended(ended)
    folder.add_counts_of_ended(ended)
    after = set(folder.exposition_of_counts().splitlines())
    assert before ^ after == {b"kbapi_workers 2.0", b"kbapi_workers 1.0"}
    assert not list(where.glob(f"*_{ended}.db"))


def test_counts_of_an_ended_process_are_kept_and_its_files_removed(tmp_path: Path) -> None:
    in_a_process(count_in_two_and_end_one, tmp_path / "metrics")


def count_where_nothing_can_be_written(where: Path) -> None:
    where.write_text("a file in the place of the folder")
    folder.share_between_processes(where)
    folder.begin_counting()
    counters.count_submission("stored")
    folder.add_counts_of_ended(os.getpid())
    assert b'kbapi_submissions_total{outcome="stored"} 1.0' in folder.exposition_of_counts()


def test_without_a_folder_each_process_counts_in_memory(tmp_path: Path) -> None:
    in_a_process(count_where_nothing_can_be_written, tmp_path / "metrics")


def count_while_the_folder_breaks(where: Path, breaks: Any, lines: Path) -> None:
    logging.basicConfig(filename=lines, format="%(message)s")
    folder.share_between_processes(where)
    folder.begin_counting()
    counters.count_submission("stored")
    breaks(where)
    for _ in range(2):
        folder.add_counts_of_ended(os.getpid() + 1)
        text = folder.exposition_of_counts()
        assert b'kbapi_submissions_total{outcome="stored"} 1.0' in text
    # A process that starts now counts in memory.
    folder.begin_counting()
    counters.count_submission("repeated")
    assert b'kbapi_submissions_total{outcome="repeated"} 1.0' in folder.exposition_of_counts()


def remove(where: Path) -> None:
    shutil.rmtree(where)


def put_a_file_in_its_place(where: Path) -> None:
    shutil.rmtree(where)
    where.write_text("no folder")


@pytest.mark.parametrize("breaks", [remove, put_a_file_in_its_place])
def test_a_removed_folder_ends_no_process_and_is_logged_once(tmp_path: Path, breaks: Any) -> None:
    lines = tmp_path / "lines"
    in_a_process(count_while_the_folder_breaks, tmp_path / "metrics", breaks, lines)
    assert lines.read_text().splitlines() == ["metrics_folder_unreadable"]


def count_beside_a_broken_file(where: Path) -> None:
    folder.share_between_processes(where)
    folder.begin_counting()
    counters.count_submission("stored")
    broken = where / "counter_1.db"
    for text in (b"", b"\xff", b"\xff" * 64, b"\x40\0\0\0\0\0\0\0" + b"\xff" * 56):
        broken.write_bytes(text)
        folder.add_counts_of_ended(1)
        broken.write_bytes(text)
        assert b'kbapi_submissions_total{outcome="stored"} 1.0' in folder.exposition_of_counts(), (
            text
        )


def test_a_file_with_other_content_ends_no_process(tmp_path: Path) -> None:
    in_a_process(count_beside_a_broken_file, tmp_path / "metrics")
