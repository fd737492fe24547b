"""Gains over HTTP: ratios with intervals, compared with noise, at equal power and performance."""

from pathlib import Path
from typing import Any

import pytest
from flask.testing import FlaskClient

from kbapi.app import create_app
from kbapi.instance.instance import Instance
from kbapi.vocabulary import CONTROLS
from tests.api.measured import a_measured, a_reading, ask, post
from tests.intake.evidence_text import instances_of_one_secret
from tests.makers import WithoutControls, a_setting, a_submission


def saver(number: int, percent: float = 15.0, **more: Any) -> dict[str, Any]:
    """A unit with power to spare: as fast as before, less power and heat."""
    part = 1 - percent / 100
    tuned = {"power_w": 60 * part, "temp_avg_c": 22 + 62 * part}
    return a_measured(number, a_reading("stock"), a_reading("tuned", **tuned), **more)


def climber(number: int, percent: float = 6.0, **more: Any) -> dict[str, Any]:
    """A unit at its power limit: as hot as before, faster."""
    part = 1 + percent / 100
    tuned = {"clock_mhz": 2700 * part, "performance": 40 * part}
    return a_measured(number, a_reading("stock"), a_reading("tuned", **tuned), **more)


def gains(client: FlaskClient, **asked: Any) -> dict[str, Any]:
    return ask(client, "/v1/gains", **asked)


def gain(block: dict[str, Any], measure: str) -> dict[str, Any]:
    (found,) = [one for one in block["gains"] if one["measure"] == measure]
    return found


def test_without_readings_the_answer_states_it_and_has_no_numbers(client: FlaskClient) -> None:
    answer = gains(client)
    assert answer["by_load"] == []
    assert answer["reason"]["code"] == "no_pairs"
    assert answer["cautions"][0]["code"] == "temperature_alone"


def test_a_chip_without_any_control_is_named_instead_of_too_few_results(
    client: FlaskClient, instance: Instance, monkeypatch: pytest.MonkeyPatch
) -> None:
    without = WithoutControls(instance.catalogue, *CONTROLS)
    monkeypatch.setattr(Instance, "catalogue", property(lambda _: without))
    assert gains(client)["reason"] == {
        "code": "not_on_this_chip",
        "text": "Norvane Sable 7 4820MX has no control. The catalogue lists none.",
    }


@pytest.mark.parametrize("units", [1, 4])
def test_fewer_than_five_units_are_withheld_with_a_reason(client: FlaskClient, units: int) -> None:
    for number in range(units):
        post(client, saver(number))
    answer = gains(client)
    assert answer["by_load"] == []
    assert answer["withheld_groups"] == 1
    assert answer["reason"]["code"] == "too_few_units"
    assert answer["summary"] == "No gains can be shown yet."
    needed = f"{5 - units} more {'is' if units == 4 else 'are'} needed."
    wanted = f"Shown from five known contributors on, so that no one can be recognised; {needed}"
    assert answer["reason"]["text"] == wanted


def test_five_units_reach_a_lower_confidence_which_the_answer_gives(
    client: FlaskClient,
) -> None:
    for number in range(5):
        post(client, saver(number, 12 + number))
    (cell,) = gains(client)["by_load"]
    assert (cell["load"], cell["condition"], cell["units"]) == ("all_core", "uncapped", 5)
    power = gain(cell["overall"], "power")
    assert power["estimate"] == pytest.approx(0.86, abs=0.001)
    assert power["interval"] == pytest.approx([0.84, 0.88], abs=1e-4)
    assert power["attained_confidence"] == 0.9375
    assert "93.8 %" in power["text"]
    # Five coins of one side: one time in sixteen.
    assert power["is_larger_than_noise"] is None
    assert power["text"].endswith("; a comparison takes 6 machines.")


def test_without_noise_of_runs_the_differences_between_machines_are_named(
    client: FlaskClient,
) -> None:
    for number in range(6):
        post(client, saver(number, 12 + number))
    (cell,) = gains(client)["by_load"]
    power = gain(cell["overall"], "power")
    assert (power["noise"], power["is_larger_than_noise"]) == (None, True)
    assert power["text"] == (
        "Power: 14.5 % less (17.0 % less to 12.0 % less, 96.9 % confidence), beyond "
        "chance between machines (run-to-run noise unknown)."
    )


def test_a_skewed_change_is_that_of_the_median_machine(client: FlaskClient) -> None:
    for number, percent in enumerate((1, 1.5, 2, 2.5, 3, 4, 5, 12, 30)):
        post(client, saver(number, percent))
    (cell,) = gains(client)["by_load"]
    power = gain(cell["overall"], "power")
    assert (power["estimate"], power["interval"]) == (0.97, [0.88, 0.985])
    assert power["attained_confidence"] == pytest.approx(1 - 20 / 512, abs=1e-4)


def own_changes(client: FlaskClient, **asked: Any) -> dict[str, dict[str, Any]]:
    return {one["measure"]: one for one in gains(client, **asked)["own_changes"]}


SLOW, FAST = "40.0,40.4,39.6", "42.0,42.4,41.6"


def test_one_person_alone_learns_whether_a_change_exceeds_the_noise_of_own_runs(
    client: FlaskClient,
) -> None:
    asked = {"own_performance_stock": SLOW, "own_performance_tuned": FAST}
    answer = gains(client, **asked)
    (own,) = answer["own_changes"]
    assert (own["ratio"], own["runs_stock"], own["runs_tuned"]) == (1.05, 3, 3)
    # Runs differ by 1 %: 2.999 times the root of two thirds of it, with four degrees of freedom.
    assert own["noise"] == pytest.approx(0.0243, abs=0.0003)
    assert own["is_larger_than_noise"] is True
    assert own["text"] == (
        "Your performance: 5.0 % more, above the noise of your own runs (2.4 %)."
    )
    assert answer["summary"] == (
        "Above the noise of your own runs: performance 5.0 % more. No other gains can be shown yet."
    )
    within = own_changes(client, own_performance_stock=SLOW, own_performance_tuned="40.5,40,41")
    assert within["performance"]["is_larger_than_noise"] is False
    assert "within the noise of your own runs" in within["performance"]["text"]


def test_single_own_runs_are_asked_to_be_repeated(client: FlaskClient) -> None:
    own = own_changes(client, own_performance_stock=40, own_performance_tuned="42,42.2,42.1")
    assert own["performance"]["noise"] is None
    assert own["performance"]["is_larger_than_noise"] is None
    assert "send three runs or more at stock and tuned, in turn." in own["performance"]["text"]


def test_own_performance_per_watt_is_compared_run_by_run(client: FlaskClient) -> None:
    # Runs that draw more do more: the ratio hardly differs between runs.
    asked = {
        "own_performance_stock": SLOW,
        "own_performance_tuned": FAST,
        "own_power_stock_w": "60,60.6,59.4",
        "own_power_tuned_w": "60,60.6,59.4",
    }
    own = own_changes(client, **asked)
    assert list(own) == ["performance", "power", "performance_per_watt"]
    assert own["performance_per_watt"]["noise"] < 0.001 < own["performance"]["noise"]
    uneven = own_changes(client, **asked | {"own_power_tuned_w": "60,60"})
    assert uneven["power"]["noise"] is None
    assert uneven["performance_per_watt"]["noise"] is None
    assert uneven["performance_per_watt"]["ratio"] == 1.05


@pytest.mark.parametrize("runs", ["40,", "40,x", "40;41", "40,-1", ",".join(["40"] * 21), "1,0"])
def test_own_runs_are_numbers_above_zero_separated_by_commas(
    client: FlaskClient, runs: str
) -> None:
    response = client.get(
        "/v1/gains",
        query_string={
            "chip": "norvane-sable-7-4820mx",
            "own_performance_stock": runs,
            "own_performance_tuned": 42,
        },
    )
    assert response.status_code == 422
    pointers = {one["pointer"] for one in response.get_json()["errors"]}
    assert pointers == {"own_performance_stock"}


def test_the_answer_states_that_people_chose_to_send(client: FlaskClient) -> None:
    self_selected = gains(client)["self_selected"]
    assert self_selected["direction"] == "gains_too_large"
    assert self_selected["text"].startswith("People chose to send")
    assert ask(client, "/v1/power")["self_selected"] == self_selected


def test_equal_performance_gives_the_saving_and_equal_power_the_speed(
    client: FlaskClient,
) -> None:
    for number in range(6):
        post(client, saver(number, 14 + number / 10))
        post(client, climber(10 + number, 6 + number / 10))
    (cell,) = gains(client)["by_load"]
    assert cell["units"] == 12
    saving = gain(cell["at_equal_performance"], "power")
    assert saving["estimate"] == pytest.approx(0.8575, abs=0.001)
    assert saving["units"] == 6
    speed = gain(cell["at_equal_power"], "performance")
    assert speed["estimate"] == pytest.approx(1.0625, abs=0.001)
    assert "performance" not in {one["measure"] for one in cell["at_equal_performance"]["gains"]}
    per_watt = gain(cell["overall"], "performance_per_watt")
    assert 1.06 < per_watt["estimate"] < 1.17


def test_a_chip_at_its_power_limit_gains_clock_and_that_counts_as_good(client: FlaskClient) -> None:
    for number in range(7):
        post(client, climber(number, 5 + number / 10))
    (cell,) = gains(client)["by_load"]
    heat = gain(cell["at_equal_power"], "temperature")
    assert (heat["estimate"], heat["is_larger_than_noise"]) == (0, False)
    assert cell["units_at_power_or_heat_limit"] == 7
    assert "a good result" in cell["text"]


def test_temperatures_are_above_ambient_with_what_the_power_explains(
    client: FlaskClient,
) -> None:
    for number in range(6):
        warmer = {"power_w": 48.0, "ambient_c": 26.0, "temp_avg_c": 26 + 49.6 + number / 10}
        document = a_measured(number, a_reading("stock"), a_reading("tuned", **warmer))
        post(client, document)
    (cell,) = gains(client)["by_load"]
    heat = gain(cell["at_equal_performance"], "temperature")
    assert heat["estimate"] == pytest.approx(-12.4 + 0.25, abs=0.02)
    assert heat["expected"] == pytest.approx(-62 * 0.2, abs=0.01)
    assert heat["measure_unit"] == "C"


def test_without_ambient_temperature_or_with_a_regulated_fan_heat_is_not_compared(
    client: FlaskClient,
) -> None:
    for number in range(6):
        readings = [a_reading(state, ambient_c=...) for state in ("stock", "tuned")]
        post(client, a_measured(number, *readings))
        free = [a_reading(state, fan="auto") for state in ("stock", "tuned")]
        post(client, a_measured(10 + number, *free))
    (cell,) = gains(client)["by_load"]
    assert cell["units"] == 12
    shown = {one["measure"]: one["units"] for one in cell["overall"]["gains"]}
    assert "temperature" not in shown
    assert shown["temperature_free_fan"] == 6


def test_noise_is_compared_in_decibels(client: FlaskClient) -> None:
    for number in range(5):
        stock, tuned = a_reading("stock", noise_dba=41), a_reading("tuned", noise_dba=38)
        post(client, a_measured(number, stock, tuned))
    (cell,) = gains(client)["by_load"]
    sound = gain(cell["overall"], "loudness")
    assert (sound["estimate"], sound["measure_unit"]) == (-3, "dB(A)")
    assert sound["text"].startswith("Loudness: 3.0 dB(A) quieter")


def test_time_for_a_job_is_better_when_it_is_less(client: FlaskClient) -> None:
    for number in range(5):
        stock = a_reading("stock", performance=50.0, performance_unit="s_per_job")
        tuned = a_reading("tuned", performance=40.0, performance_unit="s_per_job")
        post(client, a_measured(number, stock, tuned))
    (cell,) = gains(client)["by_load"]
    assert gain(cell["overall"], "performance")["estimate"] == 1.25


def test_caps_loads_and_scopes_are_never_mixed(client: FlaskClient) -> None:
    for number in range(5):
        capped = [
            a_reading(state, power_cap_w=45, load="vector_heavy") for state in ("stock", "tuned")
        ]
        stray = [
            a_reading("tuned", power_cap_w=30, performance=1.0),
            a_reading("tuned", power_scope="wall", power_w=1.0),
            a_reading("tuned", load="gpu_only", power_w=1.0),
        ]
        pair = [a_reading("stock"), a_reading("tuned", performance=42.0)]
        post(client, a_measured(number, *pair, *capped, *stray))
    answer = gains(client)
    shown = [(cell["load"], cell["condition"]) for cell in answer["by_load"]]
    assert shown == [("all_core", "uncapped"), ("vector_heavy", "equal_power_limit")]
    first = answer["by_load"][0]["overall"]
    assert gain(first, "performance")["estimate"] == 1.05
    assert gain(first, "power")["estimate"] == 1.0
    assert [c["load"] for c in gains(client, load="vector_heavy")["by_load"]] == ["vector_heavy"]


def test_the_noise_of_repeated_runs_decides_what_one_owner_can_see(
    client: FlaskClient,
) -> None:
    for number in range(8):
        noisy = [a_reading("stock", performance=40.0 * part) for part in (0.97, 1.0, 1.03)]
        tuned = a_reading("tuned", performance=40.0 * (1.02 + number / 2000), power_w=50.0)
        post(client, a_measured(number, *noisy, tuned))
    (cell,) = gains(client)["by_load"]
    speed = gain(cell["overall"], "performance")
    # Means of three runs differ by 3 %: a single run by 5.2 %, a pair of such means by 8.3 %.
    assert speed["noise_source"] == "repeated_runs"
    assert speed["noise"] == pytest.approx(0.087, abs=0.002)
    assert speed["interval"][0] > 1
    assert not speed["is_larger_than_noise"]
    assert "so one measurement may not show it" in speed["text"]
    power = gain(cell["overall"], "power")
    assert power["is_larger_than_noise"]


def test_a_requested_clock_gives_no_noise_of_runs(client: FlaskClient) -> None:
    for number in range(6):
        asked_for = [a_reading("stock", clock_kind="requested") for _ in range(2)]
        tuned = a_reading("tuned", clock_mhz=2710.0 + number)
        post(client, a_measured(number, *asked_for, a_reading("stock"), tuned))
    (cell,) = gains(client)["by_load"]
    clock = gain(cell["overall"], "clock")
    assert (clock["noise_source"], clock["noise"]) == ("spread_over_units", None)


def test_seconds_for_a_job_are_inverted_before_repeats_are_compared_with_watts(
    client: FlaskClient,
) -> None:
    for number in range(6):
        # As many seconds more as watts: jobs per watt differ by their product.
        noisy = [
            a_reading("stock", performance=40.0 * part, power_w=60 * part, runs=1)
            for part in (0.98, 1.0, 1.02)
        ]
        shown = [one | {"performance_unit": "s_per_job"} for one in noisy]
        tuned = a_reading("tuned", performance=38.0, performance_unit="s_per_job", power_w=55.0)
        post(client, a_measured(number, *shown, tuned | {"runs": 1}))
    (cell,) = gains(client)["by_load"]
    noise = gain(cell["overall"], "performance_per_watt")["noise"]
    # Single runs differ by 4 %, a pair of them by 1.96 times the root of two that.
    assert noise == pytest.approx(0.117, abs=0.002)


def test_the_spread_of_the_clock_is_its_noise_where_it_was_sent(client: FlaskClient) -> None:
    for number in range(7):
        stock = a_reading("stock", clock_spread_mhz=54, runs=1)
        tuned = a_reading("tuned", clock_mhz=2862.0 + number, runs=1)
        post(client, a_measured(number, stock, tuned))
    (cell,) = gains(client)["by_load"]
    clock = gain(cell["overall"], "clock")
    # 2 % of the clock, times 1.96 and the root of two readings.
    assert clock["noise_source"] == "reported_spread"
    assert clock["noise"] == pytest.approx(0.057, abs=0.001)
    assert clock["is_larger_than_noise"]


def test_the_best_of_several_runs_counts_beside_the_best_of_equally_many(
    client: FlaskClient,
) -> None:
    for number in range(6):
        best = {"runs_summary": "best", "runs": 5}
        tuned = a_reading("tuned", performance=42.0 + number / 10, **best)
        mixed = post(client, a_measured(number, a_reading("stock"), tuned))
        assert [one["code"] for one in mixed["reading_ignored"]] == ["best_of_runs"]
    (cell,) = gains(client)["by_load"]
    assert "performance" not in {one["measure"] for one in cell["overall"]["gains"]}
    for number in range(6, 12):
        stock = a_reading("stock", **best)
        tuned = a_reading("tuned", performance=42.0 + number / 10, **best)
        assert post(client, a_measured(number, stock, tuned))["reading_ignored"] == []
    (cell,) = gains(client)["by_load"]
    assert gain(cell["overall"], "performance")["units"] == 6


def test_an_unverified_setting_is_neither_a_gain_nor_the_lack_of_one(client: FlaskClient) -> None:
    unproven = a_setting(unstable_at=..., in_use=-70)
    for number in range(6):
        readings = [a_reading("stock"), a_reading("tuned")]
        post(client, a_submission(unproven, number=number, readings=readings))
    assert gains(client)["reason"]["code"] == "no_pairs"


def test_a_unit_counts_once_by_its_latest_month(client: FlaskClient) -> None:
    for number in range(5):
        post(client, saver(number, 30, measured_in="2026-02"))
        post(client, saver(number, 10, measured_in="2026-08"))
    (cell,) = gains(client)["by_load"]
    power = gain(cell["overall"], "power")
    assert (power["units"], power["estimate"]) == (5, 0.9)


def test_many_results_of_one_contributor_weigh_three_units(client: FlaskClient) -> None:
    for number in range(6):
        post(client, saver(number, 10))
    for number in range(10, 30):
        post(client, saver(number, 40, contributor_token="one-collector-000001"))
    (cell,) = gains(client)["by_load"]
    assert (cell["units"], cell["units_not_used"]) == (9, 17)
    assert gain(cell["overall"], "power")["estimate"] > 0.6 + 0.1


def test_the_own_pair_is_placed_in_the_pool(client: FlaskClient) -> None:
    for number in range(10):
        post(client, climber(number, 1 + number))
    asked = {"own_performance_stock": 40, "own_performance_tuned": 42.2}
    (cell,) = gains(client, **asked)["by_load"]
    own = gain(cell["overall"], "performance")["own"]
    assert (own["ratio"], own["share_below"]) == (1.055, 0.5)
    assert own["text"] == "Your performance: 5.5 % more; the ratio is lower on 5 of 10 machines."
    assert gain(cell["overall"], "power")["own"] is None
    both = gains(client, **asked, own_power_stock_w=60, own_power_tuned_w=50)["by_load"][0]
    assert gain(both["overall"], "performance_per_watt")["own"]["share_below"] == 1
    assert gain(gains(client)["by_load"][0]["overall"], "performance")["own"] is None


def test_a_question_about_gains_is_refused_with_every_problem(client: FlaskClient) -> None:
    response = client.get(
        "/v1/gains?lod=x&load=al_core&own_performance_stock=0&own_power_tuned_w=50"
    )
    assert response.status_code == 422
    pointers = {error["pointer"] for error in response.get_json()["errors"]}
    assert pointers == {
        "chip",
        "lod",
        "load",
        "own_performance_stock",
        "own_performance_tuned",
        "own_power_stock_w",
    }


@pytest.mark.parametrize("name", ["load"])
def test_an_empty_value_is_refused(client: FlaskClient, name: str) -> None:
    response = client.get("/v1/gains", query_string={"chip": "norvane-sable-7-4820mx", name: ""})
    assert response.status_code == 422
    assert [one["pointer"] for one in response.get_json()["errors"]] == [name]


def test_an_answer_is_kept_until_something_changes(client: FlaskClient) -> None:
    for number in range(5):
        shown = post(client, saver(number))
    first = client.get(f"/v1/gains?chip={shown['chip']['key']}")
    again = client.get(
        f"/v1/gains?chip={shown['chip']['key']}", headers={"If-None-Match": first.headers["ETag"]}
    )
    assert again.status_code == 304
    client.delete(
        f"/v1/submissions/{shown['id']}", headers={"Authorization": f"Bearer {shown['receipt']}"}
    )
    assert gains(client)["by_load"] == []


def test_the_order_of_arrival_never_matters(tmp_path: Path) -> None:
    documents = [saver(number, 11 + number / 7) for number in range(9)]
    documents += [climber(n, 3 + n / 9, contributor_token="one-collector-000001") for n in (20, 21)]
    documents += [climber(n, 3 + n / 9, contributor_token=...) for n in range(30, 36)]
    bodies = []
    for instance, sent in zip(
        instances_of_one_secret(tmp_path, "one", "other"),
        (documents, documents[::-1]),
        strict=True,
    ):
        client = create_app(instance).test_client()
        for document in sent:
            post(client, document)
        bodies.append(client.get("/v1/gains?chip=norvane-sable-7-4820mx").data)
        instance.close()
    assert bodies[0] == bodies[1]
