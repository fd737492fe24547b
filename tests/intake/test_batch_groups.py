"""A batch is stored in groups: what is stored stands, and the rest is not tried."""

import os
import subprocess
import sys
import tracemalloc
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from flask.testing import FlaskClient

from kbapi.errors import DocumentRefused, IdempotencyKeyReused, ScopeMissing, StorageBusy
from kbapi.instance.instance import Instance
from kbapi.intake.batch import BatchResponse, accept_batch
from kbapi.storage import pools
from kbapi.storage.pools import load_lines
from kbapi.time_budget import TimeLimit, limited_time
from tests.makers import (
    CHIP,
    a_body,
    a_setting,
    a_submission,
    an_instance,
    no_writer,
    row_counts,
    rows_of,
)
from tests.postgres import settings_at

MANY = 120
BAD = a_submission(a_setting(stable_at=80), number=9_999)


def results(number: int, **changes: Any) -> list[dict[str, Any]]:
    """Results that are new each time, because without a unit token none is a repeat."""
    return [a_submission(number=place, unit_token=..., **changes) for place in range(number)]


def batch(instance: Instance, documents: list[Any], **options: Any) -> BatchResponse:
    return accept_batch(instance, a_body(documents), **options)


def statuses(response: BatchResponse) -> Counter[str]:
    return Counter(item.status for item in response.items)


class Ticks:
    """A clock that moves on by a second at each look, and does something at one of them."""

    def __init__(self, at: int = -1, do: Callable[[], float | None] = lambda: None) -> None:
        self.looks, self._at, self._do, self._later = 0, at, do, 0.0

    def __call__(self) -> float:
        self.looks += 1
        if self.looks == self._at:
            self._later = self._do() or 0.0
        return self.looks + self._later


def time_for(looks: float, clock: Ticks) -> TimeLimit:
    return TimeLimit("batch", looks, "Send a smaller batch.", clock)


def test_what_is_finished_in_time_is_stored_and_the_rest_is_not_tried(instance: Instance) -> None:
    with limited_time(time_for(70, Ticks())):
        response = batch(instance, results(MANY))
    found = statuses(response)
    assert set(found) == {"counted", "not_tried"}
    assert 60 <= found["counted"] <= 70
    listed = [item.status for item in response.items]
    assert listed == sorted(listed)  # the first items are tried, the last ones are not
    assert row_counts(instance)["submission"] == found["counted"]
    counts = response.counts
    assert (counts.items, counts.stored, counts.not_tried, counts.refused) == (
        MANY,
        found["counted"],
        found["not_tried"],
        0,
    )
    left = response.not_counted[0]
    assert (left.index, left.status, left.errors) == (found["counted"], "not_tried", ())
    assert [reason.code for reason in left.reasons] == ["too_costly"]
    assert "20 s" in left.reasons[0].text


def test_one_item_is_tried_however_little_time_there_is(instance: Instance) -> None:
    with limited_time(time_for(0, Ticks())):
        response = batch(instance, results(3))
    assert [item.status for item in response.items] == ["counted", "not_tried", "not_tried"]


def test_a_repeat_with_the_key_tries_what_was_not_tried_and_stores_nothing_twice(
    instance: Instance,
) -> None:
    documents = [*results(MANY), BAD]
    # A key is looked up for each item first.
    with limited_time(time_for(MANY + 70, Ticks())):
        first = batch(instance, documents, idempotency_key="a")
    done = first.counts.stored
    assert 0 < done < MANY
    second = batch(instance, documents, idempotency_key="a")
    assert second.items[:done] == first.items[:done]
    assert (second.counts.stored, second.counts.refused, second.counts.not_tried) == (MANY, 1, 0)
    assert row_counts(instance)["submission"] == MANY
    assert batch(instance, documents, idempotency_key="a") == second


def test_a_fault_of_the_database_ends_the_batch_and_stored_groups_stand(instance: Instance) -> None:
    with no_writer(instance) as hold:

        def take_the_lock() -> float:
            hold()
            return 1_000.0  # so that no more than a second is waited for the lock

        with limited_time(time_for(1_000, Ticks(at=MANY + 110, do=take_the_lock))):
            response = batch(instance, results(MANY), idempotency_key="a")
    assert statuses(response) == {"counted": 100, "not_tried": 20}
    assert {one.reasons[0].code for one in response.not_counted} == {"storage_busy"}
    assert row_counts(instance)["submission"] == 100
    assert batch(instance, results(MANY), idempotency_key="a").counts.stored == MANY
    assert row_counts(instance)["submission"] == MANY


def test_a_fault_before_anything_is_stored_is_the_answer(instance: Instance) -> None:
    with no_writer(instance) as hold:
        hold()
        with limited_time(time_for(0, Ticks())), pytest.raises(StorageBusy):
            batch(instance, results(MANY))
    assert "submission" not in row_counts(instance)


KILLED = """
import os, signal, sys
from pathlib import Path
from kbapi.intake.batch import accept_batch
from kbapi.time_budget import TimeLimit, limited_time
from tests.postgres import settings_at
from tests.makers import an_instance
looks = 0
def clock():
    global looks
    looks += 1
    if looks == int(sys.argv[2]):
        os.kill(os.getpid(), signal.SIGKILL)
    return 0.0
instance = an_instance(Path(sys.argv[1]))
with limited_time(TimeLimit("batch", 1.0, "", clock)):
    accept_batch(instance, sys.stdin.buffer.read(), idempotency_key="a")
"""


@pytest.mark.parametrize(("item", "stands"), [(30, 0), (115, 100)])
def test_a_kill_between_groups_loses_no_group_and_doubles_none(
    tmp_path: Path, item: int, stands: int
) -> None:
    an_instance(tmp_path).close()
    body = a_body(results(MANY))
    command = [sys.executable, "-c", KILLED, str(tmp_path), str(MANY + item)]
    given = {**os.environ, **settings_at(tmp_path / "home")}
    where = Path(__file__).parents[2]
    killed = subprocess.run(command, input=body, check=False, cwd=where, env=given)
    assert killed.returncode == -9
    instance = an_instance(tmp_path)
    assert row_counts(instance).get("submission", 0) == stands
    response = accept_batch(instance, body, idempotency_key="a")
    assert response.counts.stored == MANY
    assert row_counts(instance)["submission"] == MANY
    instance.close()


def test_a_key_of_another_batch_is_refused_before_anything_is_stored(instance: Instance) -> None:
    first, other = results(MANY), results(MANY)
    batch(instance, [*[BAD] * 110, *first[110:]], idempotency_key="a")
    before = rows_of(instance)
    with pytest.raises(IdempotencyKeyReused):
        batch(instance, other, idempotency_key="a")
    assert rows_of(instance) == before


def test_a_second_contributor_is_refused_before_anything_is_stored(instance: Instance) -> None:
    mine = results(MANY, contributor_token="tidewater-member-000001")
    other = a_submission(number=2)
    with pytest.raises(ScopeMissing):
        batch(instance, [*mine, other], may_forward=False)
    assert "submission" not in row_counts(instance)
    refused = {**other, "settings": [a_setting(stable_at=80)]}
    response = batch(instance, [*mine, refused, 7, {}], may_forward=False)
    assert (response.counts.stored, response.counts.refused) == (MANY, 3)


def test_an_item_that_is_not_json_is_refused_alone_in_an_array_too(instance: Instance) -> None:
    sound = a_body(a_submission())
    response = accept_batch(instance, b"[" + sound + b', {"chip" 7}, nul, "\xff"]')
    assert [item.status for item in response.items] == ["counted", *["refused"] * 3]
    codes = {error.code for one in response.not_counted for error in one.errors}
    assert codes == {"json_unreadable"}


def test_an_item_may_be_as_large_as_a_result_alone(tmp_path: Path) -> None:
    instance = an_instance(tmp_path, max_body_bytes=2_048)
    large = a_body({**a_submission(number=2), "client": " " * 2_048})
    response = accept_batch(instance, b"[" + a_body(a_submission()) + b"," + large + b"]")
    assert [item.status for item in response.items] == ["counted", "refused"]
    error = response.not_counted[0].errors[0]
    assert (error.pointer, error.code) == ("", "item_too_large")
    assert "at most 2,048 bytes" in error.detail
    instance.close()


def test_a_slow_item_is_refused_alone(instance: Instance, monkeypatch: pytest.MonkeyPatch) -> None:
    clock = Ticks(at=12, do=lambda: 100.0)
    slow = TimeLimit("document", 12.0, "Send a smaller document.", clock)
    monkeypatch.setattr("kbapi.intake.batch.DOCUMENT_TIME", slow)
    # Each document looks eight times: once at its beginning, and after each of seven steps.
    response = batch(instance, results(3))
    assert [item.status for item in response.items] == ["counted", "refused", "counted"]
    error = response.not_counted[0].errors[0]
    assert error.code == "too_costly"
    assert error.detail.startswith("The document took more than 12 s at: ")


def test_listed_errors_are_bounded_for_the_whole_batch(instance: Instance) -> None:
    faulty = {f"unknown_{number}": number for number in range(30)}
    response = batch(instance, [a_submission(), *[faulty] * 400])
    errors = [error for one in response.not_counted for error in one.errors]
    assert len(response.not_counted) == 400
    assert all(one.errors for one in response.not_counted)
    assert 1_000 <= len(errors) <= 2_000
    last = response.not_counted[-1].errors
    assert [last[-1].code, last[-1].pointer] == ["more_problems", ""]
    assert "more problems are not listed" in last[-1].detail


def test_the_memory_of_a_batch_does_not_grow_with_its_items(instance: Instance) -> None:
    def peak_of(number: int) -> int:
        body = a_body([a_submission(number=place) for place in range(number)])
        tracemalloc.start()
        accept_batch(instance, body, dry_run=True)
        _, peak = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        return peak

    peak_of(60)
    few, many = peak_of(100), peak_of(900)
    # The outcomes of 800 more items, and no item itself: one parsed document takes about 10 kB.
    assert many - few < 2_500_000


def test_a_group_outdates_each_line_once_and_all_groups_in_one_order(
    instance: Instance, monkeypatch: pytest.MonkeyPatch
) -> None:
    raised: list[int] = []
    monkeypatch.setattr(pools, "raise_line_revision", lambda _, line: raised.append(line))
    lines = [CHIP, "norvane-tarnel-5-2130y", CHIP]
    sent = [a_submission(number=place, chip=chip) for place, chip in enumerate(lines * 2)]
    assert statuses(batch(instance, sent)) == {"counted": 6}
    assert statuses(batch(instance, sent[::-1])) == {"repeated": 6}
    later = [a_submission(number=10 + place, chip=chip) for place, chip in enumerate(lines[1:])]
    assert statuses(batch(instance, later)) == {"counted": 2}
    with instance.reading() as connection:
        known = [line.id for line in load_lines(connection)]
    assert raised == known * 2


def test_a_dry_run_recognises_repeats_of_other_groups(instance: Instance) -> None:
    documents = [a_submission(number=place) for place in range(110)]
    dry = batch(instance, [*documents, *documents[:5]], dry_run=True)
    assert statuses(dry) == {"counted": 110, "repeated": 5}
    assert not any(rows_of(instance)["submission"])
    assert statuses(batch(instance, [*documents, *documents[:5]])) == statuses(dry)


def test_over_http_the_rest_is_207(client: FlaskClient, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("kbapi.api.submissions.BATCH_TIME", time_for(2, Ticks()))
    place = "/v1/submissions/batch"
    sent = client.post(place, json=results(9))
    assert sent.status_code == 207
    body = sent.get_json()
    assert body["counts"]["not_tried"] == 9 - body["counts"]["stored"] > 0
    assert body["items"][-1] == {
        "index": 8,
        "status": "not_tried",
        "id": None,
        "receipt": None,
        "warnings": [],
    }
    monkeypatch.undo()
    assert client.post(place, json=results(9)).status_code == 201


def test_all_refused_stays_a_refusal(instance: Instance) -> None:
    with limited_time(time_for(1_000, Ticks())), pytest.raises(DocumentRefused):
        batch(instance, [BAD] * MANY)
    assert not any(rows_of(instance)["submission"])
