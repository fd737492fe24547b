"""`POST /v1/next-step`: what is proposed, what never is, and how one's own runs are read."""

import re
from typing import Any

import numpy as np
import pytest
from flask import Flask
from flask.testing import FlaskClient

from kbapi.advice.evidence_found import find_evidence
from kbapi.advice.next_step.query import Search
from kbapi.advice.next_step.search import search_state
from kbapi.instance.instance import Instance
from tests.api.reading import row_counts
from tests.makers import (
    CHIP,
    COUNT_CHIP,
    GRAPHICS,
    Unreviewed,
    a_count_submission,
    a_fixed_clock_setting,
    a_question,
    a_setting,
    a_submission,
    send,
)

STEP_MV = 125 / 128
RAILS = ("core", "ring")


@pytest.fixture
def pool(instance: Instance) -> None:
    """Sixty units of core with ring whose limits lie evenly from 71 to 130 mV."""
    for number in range(60):
        limit = 71 + (number * 37) % 60
        setting = a_setting(stable_at=-limit, unstable_at=-limit - 2, moved_with=["ring"])
        send(instance, a_submission(setting, number=number))


def a_run(value: float, outcome: str = "stable", **changes: Any) -> dict[str, Any]:
    rails = changes.pop("rails", RAILS)
    in_force = [{"domain": rail, "control": "voltage_offset", "value": value} for rail in rails]
    return {"settings": in_force, "outcome": outcome, **changes}


def ask(client: FlaskClient, *trials: dict[str, Any], **changes: Any) -> dict[str, Any]:
    answer = client.post("/v1/next-step", json={"chip": CHIP, "trials": list(trials), **changes})
    assert answer.status_code == 200, answer.get_json()
    shown: dict[str, Any] = answer.get_json()
    return shown


def refusals(client: FlaskClient, *trials: dict[str, Any], **changes: Any) -> set[tuple[str, str]]:
    answer = client.post("/v1/next-step", json={"chip": CHIP, "trials": list(trials), **changes})
    assert answer.status_code == 422, answer.get_json()
    assert answer.mimetype == "application/problem+json"
    return {(error["pointer"], error["code"]) for error in answer.get_json()["errors"]}


def limits_of(answer: dict[str, Any]) -> tuple[int | None, int | None]:
    own = answer["own_bracket"]
    return tuple(own[end] and own[end]["grid_steps"] for end in ("stable", "unstable"))


@pytest.mark.usefixtures("pool")
def test_the_bracket_has_the_numbers_that_were_entered(client: FlaskClient) -> None:
    own = ask(client, a_run(-90), a_run(-97, "failed"))["own_bracket"]
    assert (own["stable"]["value_to_enter"], own["unstable"]["value_to_enter"]) == (-90, -97)
    # On the grid of 1/1024 V both lie a part of a step from what was entered.
    assert (own["stable"]["setting_mv"], own["unstable"]["setting_mv"]) == (-89.84, -96.68)


@pytest.mark.usefixtures("pool")
def test_a_search_begins_with_a_setting_that_is_stable_on_nine_in_ten(client: FlaskClient) -> None:
    answer = ask(client)
    assert (answer["basis"], answer["control"], answer["moved_with"]) == (
        "pool",
        "voltage_offset",
        ["ring"],
    )
    assert 0.9 <= answer["next_step"]["chance_stable"] < 1
    assert answer["next_step"]["setting_mv"] == round(
        -answer["next_step"]["grid_steps"] * STEP_MV, 2
    )
    assert answer["next_step"]["setting_mv"] <= answer["next_step"]["value_to_enter"] < 0
    assert answer["recommended_in_use"]["setting"] is None
    assert answer["expected_search"]["minutes"] < answer["fixed_step_search"]["minutes"]
    assert answer["expected_search"]["failures"] < answer["fixed_step_search"]["failures"]
    assert answer["cautions"][0]["code"] == "save_first"
    codes = [caution["code"] for caution in answer["cautions"]]
    assert {"one_group_at_a_time", "one_pass_is_no_proof"} < set(codes)
    assert str(answer["next_step"]["value_to_enter"]) in answer["summary"]


@pytest.mark.usefixtures("pool")
def test_no_part_of_a_question_is_stored(app: Flask, client: FlaskClient) -> None:
    before = row_counts(app)
    ask(client, a_run(-60), a_run(-75, "failed", failure="system_hang"))
    assert row_counts(app) == before


@pytest.mark.usefixtures("pool")
@pytest.mark.parametrize("max_risk", [0.05, 0.10, 0.25])
def test_a_unit_that_passes_everything_ends_at_the_bound(
    client: FlaskClient, max_risk: float
) -> None:
    trials: list[dict[str, Any]] = []
    deepest_allowed = -160
    while True:
        answer = ask(client, *trials, max_risk=max_risk)
        if answer["next_step"] is None:
            break
        assert answer["next_step"]["chance_stable"] >= 1 - max_risk - 1e-4
        assert answer["next_step"]["setting_mv"] >= deepest_allowed
        own = answer["own_bracket"]["stable"]
        if own is not None:
            assert own["setting_mv"] - answer["next_step"]["setting_mv"] <= 20
        trials.append(a_run(answer["next_step"]["value_to_enter"]))
        assert len(trials) < 40
    assert answer["reason"]["code"] in ("too_risky", "deepest_allowed_reached")
    assert (
        answer["recommended_in_use"]["setting"]["grid_steps"]
        == answer["own_bracket"]["stable"]["grid_steps"] - 11
    )


@pytest.mark.usefixtures("pool")
def test_the_plan_equals_the_answers_after_those_runs(client: FlaskClient) -> None:
    answer = ask(client)
    shown = {tuple(line["outcomes"]): line for line in answer["plan"]}
    assert set(shown) >= {("stable",), ("failed",), ("stable", "stable")}
    for after, line in shown.items():
        runs: list[dict[str, Any]] = []
        for outcome in after:
            runs.append(a_run(ask(client, *runs)["next_step"]["value_to_enter"], outcome))
        later = ask(client, *runs)
        assert later["next_step"] == line["next_step"]
        now, then = later["recommended_in_use"], line["recommended_in_use"]
        assert (now["setting"], now["margin"]) == (then["setting"], then["margin"])
        value = None if now["setting"] is None else now["setting"]["value_to_enter"]
        in_use = r"\bstock\b" if value is None else rf"use {value}(?![0-9.])"
        assert re.search(in_use, now["text"].lower())
        assert re.search(in_use, then["text"])


@pytest.mark.usefixtures("pool")
def test_a_failure_outweighs_a_pass_at_the_same_setting_or_deeper(client: FlaskClient) -> None:
    same = ask(client, a_run(-60), a_run(-80), a_run(-80, "failed"))
    assert limits_of(same) == (61, 82)
    later = ask(client, a_run(-60), a_run(-80), a_run(-70, "failed"))
    assert limits_of(later) == (61, 72)
    for answer in (same, later):
        assert [(one["trial"], one["code"]) for one in answer["unused_trials"]] == [
            (1, "contradicted_by_failure")
        ]
    again = ask(client, a_run(-80, "failed"), a_run(-60), a_run(-80))
    assert limits_of(again) == limits_of(same)


@pytest.mark.usefixtures("pool")
def test_a_pass_beyond_an_earlier_failure_is_a_contradiction(client: FlaskClient) -> None:
    trials = a_run(-60), a_run(-80, "failed"), a_run(-82), a_run(-90)
    assert refusals(client, *trials) == {
        ("/trials/2", "passes_beyond_failure"),
        ("/trials/3", "passes_beyond_failure"),
    }


@pytest.mark.usefixtures("pool")
@pytest.mark.parametrize("failure", ["wrong_result", "corrected_machine_check", "clock_stretch"])
def test_a_failure_without_a_crash_is_a_failure(client: FlaskClient, failure: str) -> None:
    answer = ask(client, a_run(-60), a_run(-75, "stable", failure=failure))
    assert limits_of(answer) == (61, 77)
    assert answer["own_bracket"]["failures"] == 1


@pytest.mark.usefixtures("pool")
def test_a_failure_is_the_domains_own_only_with_all_others_at_stock_or_proven(
    client: FlaskClient,
) -> None:
    graphics = {"domain": "graphics", "control": "voltage_offset", "value": -40}
    both = a_run(-80, "failed")
    both["settings"].append(graphics)
    shared = ask(client, both)
    assert limits_of(shared) == (None, None)
    assert [one["code"] for one in shared["unused_trials"]] == ["failure_not_isolated"]
    alone = {"settings": [graphics], "outcome": "stable"}
    proven = ask(client, alone, both)
    assert limits_of(proven) == (None, 82)
    assert [one["code"] for one in proven["unused_trials"]] == ["other_domains"]
    moved = {tuple(group["domains"]): group["has_been_moved"] for group in proven["domain_order"]}
    assert moved == {("core", "ring"): True, ("graphics",): True, ("system_agent",): False}
    assert [group["is_requested"] for group in proven["domain_order"]] == [True, False, False]


@pytest.mark.usefixtures("pool")
def test_a_failure_of_some_domains_is_one_of_all_and_a_pass_of_some_is_none(
    client: FlaskClient,
) -> None:
    assert limits_of(ask(client, a_run(-50, "failed", rails=["ring"]))) == (None, 51)
    passed = ask(client, a_run(-50, rails=["ring"]))
    assert limits_of(passed) == (None, None)
    assert [one["code"] for one in passed["unused_trials"]] == ["other_domains"]


@pytest.mark.usefixtures("pool")
def test_a_machine_that_fails_at_stock_gets_a_stop(client: FlaskClient) -> None:
    for at_stock in ({"settings": [], "outcome": "failed"}, a_run(0, "failed")):
        answer = ask(client, at_stock, a_run(0))
        assert (answer["next_step"], answer["plan"], answer["expected_search"]) == (None, [], None)
        assert answer["reason"]["code"] == "fails_at_stock"
        assert (answer["recommended_in_use"]["setting"], answer["own_bracket"]["unstable"]) == (
            None,
            None,
        )
        assert "qualified people" in answer["summary"]


@pytest.mark.usefixtures("pool")
def test_a_bracket_as_fine_as_wanted_ends_the_search(client: FlaskClient) -> None:
    runs = a_run(-80), a_run(-84, "failed"), a_run(-80, seconds=3600)
    answer = ask(client, *runs)
    assert (answer["next_step"], answer["reason"]["code"]) == (None, "bracketed")
    assert answer["expected_search"]["trials"] == 0
    assert answer["recommended_in_use"]["setting"]["setting_mv"] == round(-71 * STEP_MV, 2)
    finer = ask(client, *runs, resolution_mv=2, max_risk=0.25)
    assert finer["reason"] is None or finer["reason"]["code"] == "too_risky"


@pytest.mark.usefixtures("pool")
def test_the_end_of_a_search_is_confirmed_by_a_long_run_of_a_stated_length(
    client: FlaskClient,
) -> None:
    bracket = a_run(-80), a_run(-84, "failed")
    confirm = ask(client, *bracket)
    following = confirm["next_step"]
    assert (following["purpose"], following["minutes"], following["value_to_enter"]) == (
        "confirm",
        60,
        -80,
    )
    assert confirm["reason"] is None
    for part in ("-80 mV", "60 minutes"):
        assert part in confirm["summary"]
    busy = ask(client, *bracket, a_run(-80, seconds=3600, load="vector_heavy"))
    assert (busy["next_step"], busy["reason"]["code"]) == (None, "bracketed")
    # Idle hours show less than hours under load, and minutes less than hours.
    for weak in ({"seconds": 2400, "load": "idle_resume"}, {"seconds": 60}):
        again = ask(client, *bracket, a_run(-80, **weak))["next_step"]
        assert (again["purpose"], again["minutes"]) in {("confirm", 30), ("confirm", 60)}
    failed = ask(client, a_run(-60), *bracket, a_run(-80, "failed", seconds=900))
    assert limits_of(failed) == (61, 82)


@pytest.mark.usefixtures("pool")
@pytest.mark.parametrize("max_risk", [0.10, 0.25])
def test_a_search_without_own_runs_begins_at_the_start(
    client: FlaskClient, max_risk: float
) -> None:
    start = client.get(f"/v1/start?chip={CHIP}&domain=core").get_json()["start"]
    first = ask(client, max_risk=max_risk)["next_step"]
    for name in ("setting_mv", "grid_steps", "value_to_enter"):
        assert first[name] == start[name]


@pytest.mark.usefixtures("pool")
def test_a_search_begins_at_the_start_though_it_counts_newest_results_later(
    client: FlaskClient, instance: Instance
) -> None:
    before = client.get(f"/v1/start?chip={CHIP}&domain=core").get_json()["start"]
    for number in range(900, 903):
        failed = a_setting(stable_at=-10, unstable_at=-15, failure="os_panic", moved_with=["ring"])
        send(instance, a_submission(failed, number=number))
    start = client.get(f"/v1/start?chip={CHIP}&domain=core").get_json()["start"]
    delayed = client.get(f"/v1/start?chip={CHIP}&domain=core&detail=percentiles").get_json()
    assert start["grid_steps"] < before["grid_steps"] == delayed["start"]["grid_steps"]
    assert ask(client)["next_step"]["grid_steps"] == start["grid_steps"]


def test_a_search_begins_at_no_depth_that_the_start_does_not_name(
    client: FlaskClient, instance: Instance
) -> None:
    for number in range(40):
        setting = a_setting(stable_at=-6, unstable_at=-7)
        send(instance, a_submission(setting, number=number))
    assert client.get(f"/v1/start?chip={CHIP}").get_json()["start"] is None
    question = a_question(instance, chip=CHIP)
    with instance.reading() as connection:
        found = find_evidence(connection, question, instance)
    assert search_state(question, Search(chip=question.chip), found).terms.start_steps == 0


@pytest.mark.usefixtures("pool")
def test_a_search_that_risk_ends_says_what_is_left_and_what_going_on_takes(
    client: FlaskClient,
) -> None:
    trials: list[dict[str, Any]] = []
    while (following := (answer := ask(client, *trials))["next_step"]) is not None:
        trials.append(a_run(following["value_to_enter"], seconds=60 * following["minutes"]))
    assert answer["reason"]["code"] == "too_risky"
    assert answer["reason"]["text"].startswith("No setting has failed")
    left = answer["going_on"]
    low, high = left["interval"]
    assert 0 <= low < left["left"] < high
    assert f"{round(left['left'])} mV deeper" in left["text"]
    assert f"Left, at a higher risk: about {round(left['left'])} mV." in answer["summary"]
    assert left["max_risk"] == 0.25
    bolder = ask(client, *trials, max_risk=0.25)
    assert left["next_step"] == bolder["next_step"]
    assert left["expected_search"] == bolder["expected_search"]
    assert left["expected_search"]["failures"] > 0
    assert left["expected_search"]["stable_at"] < answer["own_bracket"]["stable"]["setting_mv"]
    assert (bolder["going_on"], ask(client)["going_on"]) == (None, None)


def test_without_evidence_steps_are_small_and_the_answer_states_it(client: FlaskClient) -> None:
    answer = ask(client)
    assert (answer["basis"], answer["level"]) == ("no_evidence", "none")
    assert (answer["next_step"]["value_to_enter"], answer["next_step"]["chance_stable"]) == (
        -19,
        None,
    )
    assert (answer["expected_search"], answer["fixed_step_search"]) == (None, None)
    assert "no results show where this chip fails" in answer["summary"]
    assert len(answer["stop_rules"]) >= 3
    core = {"rails": ["core"], "seconds": 3600}
    failed = ask(client, a_run(-20, **core), a_run(-25, "failed", **core))
    assert (failed["next_step"], failed["reason"]["code"]) == (None, "bracketed")
    assert failed["going_on"] is None
    deep = ask(client, a_run(-159, **{**core, "seconds": 14_400}))
    assert (deep["next_step"], deep["reason"]["code"]) == (None, "deepest_allowed_reached")


@pytest.mark.parametrize(
    ("resolution_mv", "most_trials"), [(5, 9), (10, 7), (20, 7)], ids=lambda value: str(value)
)
def test_without_evidence_the_search_follows_the_resolution(
    client: FlaskClient, resolution_mv: int, most_trials: int
) -> None:
    trials: list[dict[str, Any]] = []
    while True:
        answer = ask(client, *trials, resolution_mv=resolution_mv)
        if (following := answer["next_step"]) is None:
            break
        value = following["value_to_enter"]
        outcome = "stable" if value >= -80 else "failed"
        run = a_run(value, outcome, rails=["core"], seconds=60 * following["minutes"])
        trials.append(run)
    assert len(trials) <= most_trials
    assert answer["reason"]["code"] == "bracketed"
    assert -80 <= answer["own_bracket"]["stable"]["setting_mv"] <= -80 + min(resolution_mv, 10) + 1


def test_counts_are_whole_steps_with_their_own_widths(
    instance: Instance, client: FlaskClient
) -> None:
    for number in range(40):
        send(instance, a_count_submission(16 + number % 9, 17 + number % 9, number))
    answer = ask(client, chip=COUNT_CHIP)
    assert answer["control"] == "count_offset"
    assert (
        answer["next_step"]["setting_counts"]
        == answer["next_step"]["value_to_enter"]
        == -answer["next_step"]["grid_steps"]
    )
    assert (answer["resolution"], answer["max_step"], answer["recommended_in_use"]["margin"]) == (
        1,
        4,
        2,
    )
    assert refusals(client, chip=COUNT_CHIP, resolution_mv=5) == {("/resolution_mv", "invalid")}
    assert refusals(client, chip=COUNT_CHIP, max_step=9) == {("/max_step", "invalid")}


def test_at_a_fixed_clock_settings_are_below_the_units_own_stock(
    instance: Instance, client: FlaskClient
) -> None:
    for number in range(30):
        passed = 790 + 5 * (number % 6)
        setting = a_fixed_clock_setting(stable_at=passed, unstable_at=passed - 5)
        send(instance, a_submission(setting, number=number, chip=GRAPHICS))
    asked = {"chip": GRAPHICS, "control": "fixed_clock_voltage"}
    assert refusals(client, **asked) == {("/clock_mhz", "required"), ("/stock_mv", "required")}
    asked |= {"clock_mhz": 1800, "stock_mv": 910}
    answer = ask(client, **asked)
    assert answer["clock_band_mhz"] == 1800
    assert answer["next_step"]["at_clock_mv"] == 910 + answer["next_step"]["setting_mv"]

    def at(value: float, outcome: str = "stable", clock_mhz: float = 1800) -> dict[str, Any]:
        rail = {"domain": "gpu_core", "control": "fixed_clock_voltage", "value": value}
        return {"settings": [rail], "outcome": outcome, "clock_mhz": clock_mhz}

    assert limits_of(ask(client, at(850), at(800, "failed"), **asked)) == (10, 18)
    elsewhere = ask(client, at(850, clock_mhz=1500), **asked)
    assert [one["code"] for one in elsewhere["unused_trials"]] == ["other_domains"]
    assert refusals(client, at(930), **asked) == {("/trials/0/settings", "above_stock")}
    # One of several rails above stock is no failure of all of them far above it.
    together = {**asked, "chip": "osmer-kestrel-999", "moved_with": ["memory"]}
    for outcome in ("stable", "failed"):
        refused = refusals(client, at(930, outcome), **together)
        assert refused == {("/trials/0/settings", "above_stock")}
    # No proposal is below the lowest voltage at which a chip computes.
    low = ask(client, **{**asked, "stock_mv": 402})
    assert (low["next_step"], low["reason"]["code"]) == (None, "deepest_allowed_reached")


LOCKED = "norvane-sable-7-4880s"


@pytest.mark.parametrize(
    ("changes", "pointer", "detail"),
    [
        (
            {"domain": "io"},
            "/domain",
            "Norvane Sable 7 4820MX has no io. It has: core, graphics, ring, system_agent.",
        ),
        (
            {"moved_with": ["ring", "memory"]},
            "/moved_with",
            "Norvane Sable 7 4820MX has no memory. It has: core, graphics, ring, system_agent.",
        ),
        (
            {"control": "count_offset"},
            "/control",
            "Norvane Sable 7 4820MX has no count_offset. "
            "It has: voltage_offset, power_limit, load_line.",
        ),
        (
            {"trials": [a_run(-40, rails=("io",))]},
            "/trials/0/settings/0/domain",
            "Norvane Sable 7 4820MX has no io. It has: core, graphics, ring, system_agent.",
        ),
        (
            {"chip": LOCKED, "control": "voltage_offset"},
            "/control",
            "Norvane Sable 7 4880S has no voltage_offset. It has: ",
        ),
    ],
)
def test_a_search_for_what_the_chip_does_not_have_is_refused_with_what_it_has(
    client: FlaskClient, pool: None, changes: dict[str, Any], pointer: str, detail: str
) -> None:
    answer = client.post("/v1/next-step", json={"chip": CHIP, "trials": [], **changes})
    (problem,) = answer.get_json()["errors"]
    assert (answer.status_code, problem["pointer"], problem["code"]) == (
        422,
        pointer,
        "not_on_this_chip",
    )
    assert problem["detail"].startswith(detail)


def test_a_search_for_what_a_doubtful_catalogue_does_not_list_is_answered_and_says_so(
    client: FlaskClient, instance: Instance, monkeypatch: pytest.MonkeyPatch
) -> None:
    doubtful = Unreviewed(instance.catalogue)
    monkeypatch.setattr(Instance, "catalogue", property(lambda _: doubtful))
    answer = ask(client, domain="io")
    assert answer["next_step"] is not None
    assert "The catalogue lists no io for Norvane Sable 7 4820MX" in answer["summary"]


@pytest.mark.parametrize(
    ("changes", "problem"),
    [
        ({"chip": "not a chip"}, ("/chip", "chip_unreadable")),
        ({"chip": 7}, ("/chip", "invalid")),
        ({"chp": CHIP}, ("/chp", "unknown_field")),
        ({"max_risk": 0.26}, ("/max_risk", "invalid")),
        ({"max_risk": 0}, ("/max_risk", "invalid")),
        ({"max_step": 41}, ("/max_step", "invalid")),
        ({"max_step": 4}, ("/max_step", "invalid")),
        ({"resolution_mv": 1}, ("/resolution_mv", "invalid")),
        ({"resolution_counts": 1}, ("/resolution_counts", "invalid")),
        ({"trial_minutes": 0}, ("/trial_minutes", "invalid")),
        ({"clock_mhz": 1800, "control": "voltage_offset"}, ("/clock_mhz", "invalid")),
        ({"trials": [a_run(80)]}, ("/trials/0/settings/0/value", "above_stock")),
        ({"trials": [a_run(-0.08)]}, ("/trials/0/settings/0/value", "looks_like_volts")),
        ({"trials": [a_run(-301)]}, ("/trials/0/settings/0/value", "beyond_hard_bound")),
        ({"trials": [a_run(-80, "crashed")]}, ("/trials/0/outcome", "invalid")),
        ({"chip": "someone@example.org"}, ("/chip", "personal_data_found")),
    ],
)
def test_impossible_values_are_refused_with_their_pointer(
    client: FlaskClient, changes: dict[str, Any], problem: tuple[str, str]
) -> None:
    assert problem in refusals(client, **changes)


def test_all_problems_come_at_once(client: FlaskClient) -> None:
    found = refusals(client, a_run(80), chip="not a chip", resolution_mv=5, resolution_counts=1)
    assert {pointer for pointer, _ in found} == {
        "/chip",
        "/resolution_counts",
        "/trials/0/settings/0/value",
        "/trials/0/settings/1/value",
    }


def test_the_way_of_asking_is_strict(client: FlaskClient) -> None:
    assert client.get("/v1/next-step").status_code == 405
    assert client.post("/v1/next-step", data="{}").status_code == 415
    assert (
        client.post("/v1/next-step", data="{", content_type="application/json").status_code == 400
    )
    asked = client.post("/v1/next-step?chip=x", json={"chip": CHIP})
    assert asked.status_code == 422


@pytest.mark.usefixtures("pool")
def test_the_same_runs_have_the_same_answer_to_the_byte(client: FlaskClient) -> None:
    body = {"chip": CHIP, "trials": [a_run(-60)]}
    first, second = (client.post("/v1/next-step", json=body).data for _ in range(2))
    assert first == second


def test_a_locked_control_is_stated_before_the_number(
    instance: Instance, client: FlaskClient
) -> None:
    lock = {"domain": "core", "control": "voltage_offset", "status": "firmware_locked"}
    for number in range(20):
        document = a_submission(number=number, locks=[lock])
        send(instance, {**document, "settings": []})
    for number in range(20, 30):
        send(instance, a_submission(number=number))
    answer = ask(client)
    assert answer["locks"]["status"] == "firmware_locked"
    assert answer["summary"].index("locked") < answer["summary"].index("Try")
    assert "locked" not in ask(client, a_run(-30, rails=["core"]))["summary"]


@pytest.mark.usefixtures("pool")
def test_a_bolder_risk_goes_as_deep_or_deeper_and_a_shorter_step_as_shallow_or_shallower(
    client: FlaskClient,
) -> None:
    depths = [ask(client, max_risk=risk)["next_step"]["grid_steps"] for risk in (0.02, 0.1, 0.25)]
    assert depths == sorted(depths)
    near = ask(client, a_run(-60), max_step=6)["next_step"]
    far = ask(client, a_run(-60), max_step=20)["next_step"]
    assert near["grid_steps"] <= far["grid_steps"]


@pytest.mark.usefixtures("pool")
def test_no_runs_lead_to_an_answer_outside_its_bounds(client: FlaskClient) -> None:
    rng = np.random.default_rng(20260920)
    outcomes = {200: 0, 422: 0}
    for _ in range(120):
        risk = float(rng.choice([0.02, 0.1, 0.25]))
        trials = [
            a_run(
                -float(rng.integers(0, 300)) / rng.choice([1, 2, 4]),
                str(rng.choice(["stable", "failed"], p=[0.7, 0.3])),
                rails=[RAILS, ("core",), ("ring",), ("graphics", *RAILS)][rng.integers(0, 4)],
            )
            for _ in range(rng.integers(0, 5))
        ]
        wish = {"max_risk": risk, "resolution_mv": int(rng.integers(2, 20))}
        body = {"chip": CHIP, "trials": trials, **wish}
        reply = client.post("/v1/next-step", json=body)
        outcomes[reply.status_code] += 1
        if reply.status_code == 422:
            continue
        answer = reply.get_json()
        stable, unstable = limits_of(answer)
        for shown in (answer["next_step"], *(line["next_step"] for line in answer["plan"])):
            if shown is not None:
                assert shown["setting_mv"] < 0
                if shown["purpose"] == "confirm":
                    # It has passed already, so its risk is that of a false pass.
                    assert shown["minutes"] >= 30
                    continue
                assert -160 <= shown["setting_mv"] <= shown["value_to_enter"] < 0
                assert shown["chance_stable"] >= 1 - risk - 1e-4
        if answer["next_step"] is not None:
            assert (stable or 0) <= answer["next_step"]["grid_steps"] < (unstable or 1 << 30)
        assert (answer["next_step"] is None) is (answer["reason"] is not None)
        settled = answer["recommended_in_use"]["setting"]
        assert settled is None or settled["grid_steps"] < (stable or 0)
    assert min(outcomes.values()) > 20
