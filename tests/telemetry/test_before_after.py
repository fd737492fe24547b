import orjson
import pytest

from kbapi.telemetry.before_after import compare, to_document, to_json
from tests.makers import a_setting, a_submission, an_instance
from tests.telemetry.logs import a_log, read

POWERS = (60.1, 59.8, 60.0), (52.2, 51.9, 52.0)


@pytest.fixture
def sides(tmp_path):
    return tuple(
        [
            read(a_log(tmp_path, usual=(power, clock, heat), name=f"{power}.csv"))
            for power, clock, heat in zip(powers, clocks, heats, strict=True)
        ]
        for powers, clocks, heats in zip(
            POWERS, ((3600, 3610, 3605), (3602, 3609, 3606)), ((84, 85, 84.5), (76, 77, 76.5)),
            strict=True,
        )
    )  # fmt: skip


def test_a_difference_stands_out_from_the_noise_of_runs(sides):
    result = compare(sides[0], sides[1])
    by_name = {one.quantity: one for one in result.changes}
    assert by_name["power_w"].stands_out
    assert by_name["power_w"].low < by_name["power_w"].change < by_name["power_w"].high < 0
    assert by_name["temp_c"].change == -8.0
    assert not by_name["clock_mhz"].stands_out
    assert result.sentence.startswith("At equal performance: Power: 59.97 at stock, 52.03 tuned")


def test_equal_runs_do_not_stand_out(sides):
    result = compare(sides[0], sides[0])
    assert result.sentence == "There is no difference that stands out from noise."


def test_one_run_each_says_what_it_cannot_know(sides):
    result = compare(sides[0][:1], sides[1][:1])
    assert all(one.stands_out is None and one.low is None for one in result.changes)
    assert "noise between runs is unknown" in result.sentence
    assert "Record at least 3 runs at stock and 3 tuned" in result.sentence


def test_performance_per_watt_needs_a_score_for_each_run(sides):
    scores = (41.2, 41.0, 41.4), (42.4, 42.6, 42.3)
    names = [one.quantity for one in compare(sides[0], sides[1], scores).changes]
    assert names[:2] == ["performance", "work_per_joule"]
    with pytest.raises(ValueError, match="one performance for each run"):
        compare(sides[0], sides[1], ((41.2,), scores[1]))


def test_scores_at_equal_power_are_said_to_be(sides):
    scores = (41.2, 41.0, 41.4), (45.4, 45.6, 45.3)
    assert compare(sides[0], sides[0], scores).sentence.startswith("At equal power: Performance")


def test_the_comparison_is_plain_json(sides):
    shown = orjson.loads(orjson.dumps(to_json(compare(sides[0], sides[1]))))
    assert shown["runs"] == {"stock": 3, "tuned": 3}
    assert {one["unit"] for one in shown["changes"]} == {"share", "c"}


def test_the_document_passes_a_dry_run_once_it_is_completed(sides, tmp_path):
    from kbapi.app import create_app

    scores = (41.2, 41.0, 41.4), (42.4, 42.6, 42.3)
    whole = a_submission(a_setting())
    document = to_document(
        compare(sides[0], sides[1], scores),
        sides[0],
        sides[1],
        "all_core",
        "jobs_per_h",
        whole["chip"],
    )
    assert document["readings"][1]["performance"] == pytest.approx(42.433, abs=1e-3)
    instance = an_instance(tmp_path / "home")
    client = create_app(instance).test_client()
    completed = {**document, "settings": whole["settings"]}
    reply = client.post("/v1/submissions?dry_run=true", json=completed)
    instance.close()
    assert reply.status_code == 200, reply.get_json()
    assert reply.get_json().get("ignored_readings", []) == []
