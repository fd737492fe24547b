"""Laws of intake: any order, any grouping, adding and taking away; eras and filters."""

import tempfile
from pathlib import Path
from typing import Any

import orjson
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from kbapi.advice.start.answer import advise_start
from kbapi.evidence.units import Filters
from kbapi.instance.instance import Instance
from kbapi.intake.batch import accept_batch
from kbapi.intake.my_submissions import withdraw_own_result
from tests.evidence.makers import load_intervals
from tests.intake.evidence_text import evidence_text, instances_of_one_secret
from tests.makers import a_body, a_question, a_setting, a_submission, send

FEW = settings(
    max_examples=20, deadline=None, suppress_health_check=[HealthCheck.too_slow], database=None
)


@st.composite
def documents(draw: st.DrawFn) -> dict[str, Any]:
    stable = draw(st.integers(10, 120))
    failed = draw(st.one_of(st.none(), st.integers(1, 20)))
    setting = a_setting(
        stable_at=-stable,
        unstable_at=None if failed is None else -stable - failed,
        read_back=-stable,
        minutes=draw(st.sampled_from([5, 15, 65])),
        moved_with=draw(st.sampled_from([[], ["ring"]])),
    )
    platform = {
        "firmware": draw(st.sampled_from([None, "1.14", "1.15"])),
        "microcode": draw(st.sampled_from([None, "0x2b"])),
        "supply": draw(st.sampled_from([None, "mains", "battery"])),
    }
    month = draw(st.sampled_from(["2026-07", "2026-08"]))
    return a_submission(
        setting, number=draw(st.integers(1, 4)), platform=platform, measured_in=month
    )


MANY = st.lists(documents(), min_size=2, max_size=10, unique_by=orjson.dumps)


def read_of(instance: Instance) -> list[Any]:
    """Every pool as text, with and without filters."""
    found = []
    with instance.reading() as connection:
        pools = connection.exec_driver_sql("SELECT id, domains FROM pool ORDER BY domains").all()
        for pool_id, domains in pools:
            for filters in (Filters(), Filters(supply="mains"), Filters(grade="long")):
                groups = load_intervals(connection, pool_id, filters)
                found.append((domains, groups))
    return found


@FEW
@given(MANY, st.randoms(use_true_random=False))
def test_any_order_and_any_grouping_give_the_same_evidence(sent: list[Any], rng: Any) -> None:
    shuffled = rng.sample(sent, len(sent))
    cut = rng.randint(1, len(sent) - 1)
    with tempfile.TemporaryDirectory() as folder:
        one, other, grouped = instances_of_one_secret(Path(folder), "one", "other", "grouped")
        for document in sent:
            send(one, document)
        for document in shuffled:
            send(other, document)
        for part in (shuffled[:cut], shuffled[cut:]):
            accept_batch(grouped, a_body(part))
        assert evidence_text(one) == evidence_text(other) == evidence_text(grouped)
        assert read_of(one) == read_of(other) == read_of(grouped)
        for made in (one, other, grouped):
            made.close()


@FEW
@given(MANY, st.data())
def test_adding_and_withdrawing_restores_evidence_and_answer(
    sent: list[Any], data: st.DataObject
) -> None:
    *kept, passing = sent
    with tempfile.TemporaryDirectory() as folder:
        (instance,) = instances_of_one_secret(Path(folder), "one")
        for document in kept:
            send(instance, document)
        before, answer = evidence_text(instance), answer_of(instance)
        result = send(instance, passing)
        answer_of(instance)
        withdraw_own_result(instance, result.id, result.receipt)
        assert evidence_text(instance) == before
        assert answer_of(instance) == answer
        instance.close()


def answer_of(instance: Instance) -> dict[str, Any]:
    answer: dict[str, Any] = orjson.loads(advise_start(instance, a_question(instance)).body)
    answer["evidence"].pop("revision", None)
    answer.pop("revision", None)
    return answer


def test_the_latest_firmware_era_decides_and_ties_have_a_fixed_order(tmp_path: Path) -> None:
    def firmware_era(firmware: str, month: str, stable: int) -> dict[str, Any]:
        setting = a_setting(stable_at=-stable, unstable_at=-stable - 10)
        return a_submission(setting, platform={"firmware": firmware}, measured_in=month)

    old, new, tied = (
        firmware_era("1.9", "2026-07", 100),
        firmware_era("1.10", "2026-08", 60),
        firmware_era("1.2", "2026-08", 40),
    )
    one, other = instances_of_one_secret(tmp_path, "one", "other")
    for instance, order in ((one, (old, new, tied)), (other, (tied, new, old))):
        for document in order:
            send(instance, document)
        with instance.reading() as connection:
            (group,) = load_intervals(connection, 1)
            (filtered,) = load_intervals(connection, 1, Filters(firmware="1.9"))
        assert (group.stable_steps, group.latest_month) == (41, "2026-08")
        assert filtered.stable_steps == 102
        instance.close()


def test_filters_select_rows_before_they_are_merged(tmp_path: Path) -> None:
    (instance,) = instances_of_one_secret(tmp_path, "one")
    mains = a_submission(a_setting(stable_at=-80, unstable_at=-90), platform={"supply": "mains"})
    battery = a_submission(
        a_setting(stable_at=-50, unstable_at=-60, loads=["light_bursts"], minutes=15),
        platform={"supply": "battery", "cooling": ["pad", "cleaned"], "machine": "harbour-15"},
    )
    for document in (mains, battery):
        send(instance, document)

    def failing_at(**filters: str) -> list[int]:
        with instance.reading() as connection:
            groups = load_intervals(connection, 1, Filters(**filters))
        return [group.unstable_steps for group in groups]

    assert failing_at() == [61]
    assert failing_at(supply="mains") == [92]
    assert failing_at(load="vector_heavy") == [92]
    assert failing_at(load="light_bursts") == [61]
    assert failing_at(cooling="pad") == failing_at(cooling="cleaned") == [61]
    assert failing_at(machine="harbour-15") == [61]
    assert failing_at(grade="long") == [92]
    assert failing_at(grade="short") == [61]
    assert failing_at(firmware="1.14") == []
    instance.close()
