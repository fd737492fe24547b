"""One setting with its document, its history, and the start with and without it."""

from datetime import timedelta
from typing import Any

import orjson
import pytest

from kbapi.access.keys import KeyHolder
from kbapi.advice.start.answer import advise_start
from kbapi.curation.item import ReviewItem, StartOutcome, show_item
from kbapi.errors import SettingUnknown
from kbapi.instance.instance import Instance
from kbapi.intake.responses import Accepted
from kbapi.storage.sqlite.database import write_lock_held
from tests.curation.makers import a_curator, a_decision, decide, send_deep
from tests.makers import (
    HandMovedClock,
    a_fixed_clock_setting,
    a_question,
    a_setting,
    a_submission,
    rows_of,
    send,
)


@pytest.fixture
def curator(instance: Instance) -> KeyHolder:
    return a_curator(instance)


def item(instance: Instance, sent: Accepted, ordinal: int = 0) -> ReviewItem:
    return show_item(instance, sent.id, ordinal)


def answered(instance: Instance, **parameters: str) -> dict[str, Any]:
    """The answer that members get the next day: percentiles wait, and curators see all results."""
    clock = instance.now
    assert isinstance(clock, HandMovedClock)
    clock.moment += timedelta(days=1)
    asked = {"detail": "percentiles", **parameters}
    return orjson.loads(advise_start(instance, a_question(instance, **asked)).body)


def as_response(seen: StartOutcome | None) -> Any:
    assert seen is not None
    return orjson.loads(orjson.dumps(seen.start)), seen.units, seen.failures


def as_answered(answer: dict[str, Any]) -> Any:
    return answer["start"], answer["evidence"]["units"], answer["evidence"]["failures"]


def a_pool(instance: Instance) -> None:
    for number in range(8):
        setting = a_setting(stable_at=-70 - number, unstable_at=-80 - number)
        send(instance, a_submission(setting, number=number))


def test_both_starts_are_those_of_the_next_answer(instance: Instance, curator: KeyHolder) -> None:
    a_pool(instance)
    deep = send_deep(instance, number=20)
    shown = item(instance, deep)
    assert shown.pool is not None
    assert as_response(shown.pool.start_without) == as_answered(answered(instance))
    decide(instance, curator, a_decision(deep, "include", "depth_confirmed"))
    now = answered(instance)
    assert as_response(shown.pool.start_with) == as_answered(now)
    assert shown.pool.start_with != shown.pool.start_without
    again = item(instance, deep).pool
    assert again is not None
    assert (again.start_with, again.start_without) == (
        shown.pool.start_with,
        shown.pool.start_without,
    )


def test_an_item_is_shown_during_writes_and_in_a_read_only_instance(
    instance: Instance,
) -> None:
    a_pool(instance)
    deep = send_deep(instance, number=20)
    shown = item(instance, deep)
    with instance.writing() as connection:
        connection.exec_driver_sql("UPDATE line SET revision = revision + 1")
        assert item(instance, deep) == shown
    closed = Instance(instance.settings.model_copy(update={"read_only": True}), instance.now)
    with write_lock_held(instance.settings.write_lock_path):
        assert item(closed, deep) == shown
    closed.close()


def test_percentiles_are_those_of_the_other_units(instance: Instance) -> None:
    a_pool(instance)
    percentiles = answered(instance)["percentiles"]
    shown = item(instance, send_deep(instance, number=20))
    assert shown.pool is not None
    assert orjson.loads(orjson.dumps(shown.pool.percentiles)) == percentiles
    assert len(percentiles) == 5


def test_showing_an_item_stores_nothing(instance: Instance) -> None:
    a_pool(instance)
    deep = send_deep(instance, number=20)
    answered(instance)
    before = rows_of(instance)
    item(instance, deep)
    assert rows_of(instance) == before


def test_the_document_and_the_history_are_shown_without_tokens(
    instance: Instance, curator: KeyHolder
) -> None:
    deep = send_deep(instance)
    for word, reason in (("include", "depth_confirmed"), ("undo", "decided_in_error")):
        decide(instance, curator, a_decision(deep, word, reason))
    shown = item(instance, deep)
    assert shown.document["settings"][0]["minutes"] == 65
    assert "contributor_token" not in shown.document
    assert [(seen.decision, seen.reason.code, seen.key_name) for seen in shown.history] == [
        ("include", "depth_confirmed", "evening shift"),
        ("undo", "decided_in_error", "evening shift"),
    ]
    assert all(seen.reason.text and seen.day == "2026-09-15" for seen in shown.history)


def test_numbers_come_with_cautions(instance: Instance) -> None:
    shown = item(instance, send_deep(instance))
    assert "save_first" in {caution.code for caution in shown.cautions}


def test_a_setting_without_an_end_has_no_start_with_it(instance: Instance) -> None:
    setting = a_fixed_clock_setting(stock_mv=...)
    sent = send(instance, a_submission(setting, chip="Osmer Kestrel 640 Laptop Graphics"))
    shown = item(instance, sent)
    assert shown.pool is not None
    assert shown.pool.start_with is None
    assert shown.pool.start_without.start is None
    assert shown.pool.start_without.reason is not None


def test_a_fixed_clock_setting_is_compared_with_its_clock_band(instance: Instance) -> None:
    graphics = "Osmer Kestrel 640 Laptop Graphics"
    for number in range(4):
        for clock in (1800, 2100.5):
            setting = a_fixed_clock_setting(clock_mhz=clock)
            send(
                instance,
                a_submission(setting, number=number, chip=graphics, client=f"clock-script/{clock}"),
            )
    deep = send(
        instance,
        a_submission(
            a_fixed_clock_setting(clock_mhz=2100.5, stable_at=660, unstable_at=650),
            number=9,
            chip=graphics,
        ),
    )
    shown = item(instance, deep)
    assert shown.pool is not None
    assert shown.pool.start_with is not None
    assert (shown.pool.start_without.units, shown.pool.start_with.units) == (4, 5)


def test_settings_that_moved_together_are_compared_with_their_pool(instance: Instance) -> None:
    for number in range(3):
        send(instance, a_submission(a_setting(moved_with=["ring"]), number=number))
    alone = send_deep(instance, number=8)
    together = send(
        instance,
        a_submission(a_setting(stable_at=-200, unstable_at=-210, moved_with=["ring"]), number=9),
    )
    units = []
    for sent in (alone, together):
        shown = item(instance, sent)
        assert shown.pool is not None
        assert shown.pool.start_with is not None
        units.append(shown.pool.start_with.units)
    assert units == [1, 4]


def test_an_unknown_setting_is_an_error(instance: Instance) -> None:
    deep = send_deep(instance)
    for public_id, ordinal in ((deep.id, 1), ("01a21000-8800-736b-8fa7-7e16bf7f60fd", 0)):
        with pytest.raises(SettingUnknown):
            show_item(instance, public_id, ordinal)


def test_an_unrecognised_chip_is_shown_without_its_pool(
    instance: Instance,
) -> None:
    deep = send_deep(instance)
    with instance.writing() as connection:
        connection.exec_driver_sql("UPDATE chip SET key = 'no-chip-at-all'")
    shown = item(instance, deep)
    assert shown.pool is None
    assert shown.setting.chip == "no-chip-at-all"
