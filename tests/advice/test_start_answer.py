"""The answer about a start: when there is one, when not, and what comes with it."""

from datetime import timedelta
from typing import Any

import numpy as np
import orjson
import pytest
from scipy.stats import beta

from kbapi.advice.stability.answer import advise_stability
from kbapi.advice.start.answer import advise_start
from kbapi.advice.start.query import Question
from kbapi.errors import QueryInvalid
from kbapi.instance.instance import Instance
from kbapi.intake.follow_up import accept_follow_up
from tests.curation.makers import a_curator, a_decision, decide
from tests.makers import (
    COUNT_CHIP,
    GRAPHICS,
    HandMovedClock,
    Unreviewed,
    a_body,
    a_count_submission,
    a_fixed_clock_setting,
    a_line_of_units,
    a_question,
    a_setting,
    a_submission,
    send,
)


def answer_to(instance: Instance, question: Question) -> dict[str, Any]:
    answer: dict[str, Any] = orjson.loads(advise_start(instance, question).body)
    return answer


def count_answer(instance: Instance, **parameters: str) -> dict[str, Any]:
    return answer_to(instance, a_question(instance, chip=COUNT_CHIP, **parameters))


def reason_of(answer: dict[str, Any]) -> str | None:
    assert (answer["start"] is None) is (answer["reason"] is not None)
    return None if answer["reason"] is None else str(answer["reason"]["code"])


def test_a_chip_without_results_has_no_start(instance: Instance) -> None:
    answer = answer_to(instance, a_question(instance))
    assert reason_of(answer) == "no_results"
    assert (answer["evidence"]["units"], answer["related_chips"]) == (0, [])
    assert answer["summary"] == "No start yet: there are too few results."
    assert answer["reason"]["text"].startswith("No counted results exist for ")


def searches(instance: Instance, stops: int, *, planned: bool) -> None:
    """Twelve units that failed from 21 counts on, and some that stopped at 12 without a failure."""
    for number in range(12):
        send(instance, a_count_submission(20 + number % 4, 21 + number % 4, number))
    for number in range(12, 12 + stops):
        stop = a_count_submission(12, None, number)
        stop["settings"][0]["planned_end"] = -12 if planned else None
        send(instance, stop)


def test_an_answer_counts_stops_without_a_stated_end_and_says_what_they_would_change(
    instance: Instance,
) -> None:
    searches(instance, 8, planned=False)
    answer = count_answer(instance)
    start, evidence = answer["start"], answer["evidence"]
    assert (evidence["units"], evidence["failures"]) == (20, 12)
    assert evidence["untold_stops"] == 0.4
    assert start["setting_counts"] <= start["setting_if_untold_failed"]
    tipping = start["setting_if_untold_failed"]
    assert tipping - start["setting_counts"] > 2
    codes = [one["code"] for one in answer["warnings"]]
    assert codes[-1] == "untold_stops"
    then = "there would be no start" if tipping == 0 else f"the start would be {tipping:.0f} counts"
    text = f"Some stops have no stated reason: if they were failures, {then}."
    assert answer["warnings"][-1]["text"] == text
    assert answer["summary"].endswith(text)


@pytest.mark.parametrize(("stops", "planned"), [(8, True), (0, False)])
def test_without_such_stops_an_answer_says_nothing_of_them(
    instance: Instance, stops: int, planned: bool
) -> None:
    searches(instance, stops, planned=planned)
    answer = count_answer(instance)
    assert answer["evidence"]["untold_stops"] is None
    assert answer["start"]["setting_if_untold_failed"] is None
    assert "untold_stops" not in [one["code"] for one in answer["warnings"]]


def test_a_start_gives_the_chance_of_one_more_machine_beside_its_bound(instance: Instance) -> None:
    searches(instance, 0, planned=False)
    answer = count_answer(instance)
    chance = answer["start"]["chance_stable"]
    assert round(chance, 2) == chance
    assert 0.9 < chance <= 0.99
    text = (
        f"{100 * chance:.0f} of 100 machines like these are expected to hold it; "
        "with 95 % confidence at most 1 in 10 fails here."
    )
    assert text in answer["summary"]


def test_the_chance_falls_with_the_share_that_is_asked_for(instance: Instance) -> None:
    searches(instance, 0, planned=False)
    chances = [
        count_answer(instance, stable_share=share)["start"]["chance_stable"]
        for share in ("0.9", "0.75", "0.5")
    ]
    assert chances == sorted(chances, reverse=True)
    assert chances[0] > chances[-1] > 0.5
    fail = count_answer(instance, stable_share="0.87", confidence="0.9")["summary"]
    assert "with 90 % confidence at most 13 in 100 fail here." in fail


def test_options_lie_on_both_sides_of_the_start_and_say_what_a_search_takes(
    instance: Instance,
) -> None:
    a_spread_pool(instance)
    answer = answer_to(instance, a_question(instance, detail="options"))
    start, options = answer["start"], answer["options"]
    assert [one["name"] for one in options] == ["cautious", "usual", "bold"]
    usual = options[1]
    for name in ("setting_mv", "setting_counts", "grid_steps", "value_to_enter"):
        assert usual[name] == start[name]
    # In hundredths like the chance of the start: more digits would show more of a new result.
    assert usual["chance_fails"] == round(1 - start["chance_stable"], 2)
    assert all(one["chance_fails"] == round(one["chance_fails"], 2) for one in options)
    for name, least in (("grid_steps", 5), ("chance_fails", 0.001), ("max_risk", 0.05)):
        one, two, three = (option[name] for option in options)
        assert two - one >= least - 1e-9
        assert three - two >= least - 1e-9
    searches_from = [one["expected_search"] for one in options]
    assert all(0 < one["failures"] < one["trials"] < 10 for one in searches_from)
    for one in searches_from:
        assert one["minutes"] == pytest.approx(20 * one["trials"] + 10 * one["failures"], abs=0.2)
    depths = [-one["stable_at"] for one in searches_from]
    assert depths == sorted(depths)
    assert options[0]["text"].startswith(f"Cautious: begin at {options[0]['value_to_enter']} mV, ")
    assert answer["options_least_cost"] is None
    assert answer["percentiles"] is None


def a_spread_pool(instance: Instance) -> None:
    """Sixty units with limits from 60 to 130 mV, most of them in the middle."""
    for number in range(60):
        depth = 95 + round(float(np.sin(number * 2.4)) * 35)
        setting = a_setting(stable_at=-depth, unstable_at=-depth - 5)
        send(instance, a_submission(setting, number=number))


def test_the_option_of_the_least_cost_follows_what_failures_and_depth_are_worth(
    instance: Instance,
) -> None:
    a_spread_pool(instance)

    def chosen(**values: str) -> tuple[str, str]:
        answer = answer_to(instance, a_question(instance, detail="options", **values))
        return answer["options_least_cost"], answer["summary"]

    careful, summary = chosen(failure_minutes="600", value_per_mv_minutes="0")
    assert careful == "cautious"
    assert "The cautious search costs you least: begin at -" in summary
    assert chosen(failure_minutes="0", value_per_mv_minutes="30")[0] == "bold"
    assert chosen(failure_minutes="30")[0] is None


def test_an_option_of_counts_has_a_value_of_counts(instance: Instance) -> None:
    searches(instance, 0, planned=False)
    answer = count_answer(instance, detail="options", value_per_count_minutes="10")
    assert {one["setting_mv"] for one in answer["options"]} == {None}
    assert [one["setting_counts"] for one in answer["options"]] == [
        one["value_to_enter"] for one in answer["options"]
    ]
    assert answer["options_least_cost"] in ("cautious", "usual", "bold")
    with pytest.raises(QueryInvalid) as caught:
        count_answer(instance, detail="options", value_per_mv_minutes="10")
    (problem,) = caught.value.problems
    assert problem.pointer == "value_per_mv_minutes"
    assert problem.detail == "count_offset wants value_per_count_minutes."


def test_without_a_start_or_unless_asked_for_there_are_no_options(instance: Instance) -> None:
    none = answer_to(instance, a_question(instance, detail="options"))
    assert none["start"] is None
    assert (none["options"], none["options_least_cost"]) == (None, None)
    searches(instance, 0, planned=False)
    assert count_answer(instance)["options"] is None


def test_a_small_difference_by_such_stops_is_a_number_and_no_warning(instance: Instance) -> None:
    searches(instance, 0, planned=False)
    for number in (30, 31):
        send(instance, a_count_submission(24, None, number))
    # Two numbers would show more of the latest result than the start alone: it waits for others.
    assert count_answer(instance)["start"]["setting_if_untold_failed"] is None
    send(instance, a_count_submission(24, None, 32))
    answer = count_answer(instance)
    start = answer["start"]
    assert abs(start["setting_if_untold_failed"] - start["setting_counts"]) <= 2
    assert "untold_stops" not in [one["code"] for one in answer["warnings"]]


def test_evidence_counts_the_units_whose_first_setting_failed(instance: Instance) -> None:
    searches(instance, 0, planned=False)
    for number in range(20, 24):
        send(instance, a_count_submission(None, 18, number))
    evidence = count_answer(instance)["evidence"]
    assert (evidence["failures"], evidence["failures_at_first_setting"]) == (16, None)
    for number in range(24, 28):
        send(instance, a_count_submission(None, 18, number))
    evidence = count_answer(instance)["evidence"]
    assert (evidence["failures"], evidence["failures_at_first_setting"]) == (20, 8)


def test_how_the_latest_units_ended_is_not_shown_by_a_count(instance: Instance) -> None:
    searches(instance, 8, planned=False)
    evidence = count_answer(instance)["evidence"]
    assert (evidence["untold_stops"], evidence["failures_at_first_setting"]) == (0.4, None)
    # The ninth stop, and then first failures, wait for five more contributors.
    stop = a_count_submission(12, None, 30)
    stop["settings"][0]["planned_end"] = None
    send(instance, stop)
    for number in range(31, 34):
        send(instance, a_count_submission(None, 18, number))
        evidence = count_answer(instance)["evidence"]
        assert evidence["untold_stops"] == 0.4
    send(instance, a_count_submission(None, 18, 34))
    evidence = count_answer(instance)["evidence"]
    # Two digits: the count of units is not in it.
    assert (evidence["units"], evidence["untold_stops"]) == (25, 0.36)


def test_a_unit_that_failed_later_has_failed_at_first_in_neither_count(
    instance: Instance,
) -> None:
    for number in range(8):
        sent = send(instance, a_count_submission(4, 6, number))
        later = {"domain": "core", "control": "count_offset", "outcome": "failed_later"}
        body = a_body({**later, "setting": -3, "days": 12})
        accept_follow_up(instance, sent.id, sent.receipt, body)
    answer = count_answer(instance)
    assert answer["reason"]["code"] == "fails_near_stock"
    assert answer["evidence"]["failures"] == 8
    assert answer["evidence"]["failures_at_first_setting"] is None
    assert answer["reason"]["units_failed_at_first"] is None


def test_a_domain_that_the_chip_lacks_has_no_start_and_the_answer_names_what_it_has(
    instance: Instance,
) -> None:
    # Desktop chips of the line have this domain: their units must not be borrowed.
    for number in range(8):
        clusters = a_setting(domain="ecore_cluster")
        send(instance, a_submission(clusters, chip="norvane-sable-7-4800k", number=number))
    lacks = "Norvane Sable 7 4820MX has no ecore_cluster."
    has = "It has: core, graphics, ring, system_agent."
    question = a_question(instance, domain="ecore_cluster")
    answer = answer_to(instance, question)
    assert reason_of(answer) == "not_on_this_chip"
    assert answer["reason"]["text"] == f"{lacks} {has}"
    assert answer["summary"] == f"No start: {lacks}"
    assert answer["evidence"]["borrowed_units"] == 0
    curve = orjson.loads(advise_stability(instance, question).body)
    assert (curve["own_curve"], curve["borrowed_curve"]) == (None, None)
    assert curve["summary"] == f"No curve: {lacks} {has}"
    other = answer_to(instance, a_question(instance, control="count_offset"))
    assert reason_of(other) == "not_on_this_chip"
    assert "has no count_offset. It has: voltage_offset" in other["reason"]["text"]


def test_a_locked_chip_has_no_start_and_the_answer_names_what_is_left(instance: Instance) -> None:
    # Open chips of the line have results: they must not be borrowed.
    for number in range(8):
        send(instance, a_submission(number=number))
    answer = answer_to(instance, a_question(instance, chip="norvane-sable-7-4880s"))
    assert reason_of(answer) == "no_known_control"
    assert "A lower power limit can help" in answer["reason"]["text"]
    asked = a_question(instance, chip="norvane-sable-7-4880s", control="voltage_offset")
    answer = answer_to(instance, asked)
    assert reason_of(answer) == "not_on_this_chip"
    assert answer["reason"]["text"] == (
        "Norvane Sable 7 4880S has no voltage_offset. It has: power_limit."
    )


def test_results_weigh_more_than_a_catalogue_that_may_be_wrong(
    instance: Instance, monkeypatch: pytest.MonkeyPatch
) -> None:
    doubtful = Unreviewed(instance.catalogue)
    monkeypatch.setattr(Instance, "catalogue", property(lambda _: doubtful))
    question = a_question(instance, domain="io")
    answer = answer_to(instance, question)
    assert reason_of(answer) == "not_on_this_chip"
    assert answer["reason"]["text"].startswith("The catalogue lists no io for Norvane Sable 7 ")
    sent = send(instance, a_submission(a_setting(domain="io")))
    assert [one.code for one in sent.settings[0].reasons] == ["not_on_this_chip"]
    assert sent.screening.status == "excluded"
    decide(instance, a_curator(instance), a_decision(sent, "include", "rule_does_not_fit"))
    assert reason_of(answer_to(instance, question)) == "too_few_units"


def test_unverified_results_give_no_start_and_are_counted_as_unverified(
    instance: Instance,
) -> None:
    send(instance, a_submission(a_setting(unstable_at=None)))
    answer = answer_to(instance, a_question(instance))
    assert reason_of(answer) == "no_results"
    assert (answer["evidence"]["units"], answer["evidence"]["units_unverified"]) == (0, 1)


def test_related_chips_with_results_are_listed(instance: Instance) -> None:
    send(instance, a_submission(chip="norvane-sable-5-4610mx", number=1))
    send(instance, a_submission(chip="norvane-sable-7-4800k", number=2))
    send(instance, a_count_submission(14, 15, 3))
    answer = answer_to(instance, a_question(instance))
    # Those of the series come first; another line is no relative.
    assert answer["related_chips"] == ["norvane-sable-5-4610mx", "norvane-sable-7-4800k"]


def test_one_or_two_units_are_too_few(instance: Instance) -> None:
    a_line_of_units(instance, [20])
    assert reason_of(count_answer(instance)) == "too_few_units"
    send(instance, a_count_submission(21, 22, 99))
    answer = count_answer(instance)
    assert reason_of(answer) == "too_few_units"
    assert answer["evidence"]["units"] == 2


def test_three_units_that_count_in_part_are_not_said_to_be_enough(instance: Instance) -> None:
    a_line_of_units(instance, [20, 21])
    unproven = a_count_submission(None, 18, 50)
    send(instance, {**unproven, "stock_passed": []})
    answer = count_answer(instance)
    assert reason_of(answer) == "too_few_units"
    text = answer["reason"]["text"]
    assert text.startswith("3 machines of this chip, ")
    assert "Not all of them count in full: " in text
    assert "A start takes three; 1 more is needed." in text


def test_many_units_of_one_contributor_give_no_model_free_start(
    instance: Instance,
) -> None:
    for number in range(40):
        document = a_count_submission(20, 21, number)
        send(instance, {**document, "contributor_token": "tidewater-member-flood"})
    flooded = count_answer(instance)["start"]
    other = count_answer(instance, confidence="0.9")["start"]
    assert flooded is None or flooded["method"] != "model_free"
    assert other is None or other["method"] != "model_free"


def test_enough_units_give_a_start_below_stock(instance: Instance) -> None:
    a_line_of_units(instance, [20] * 40)
    start = count_answer(instance)["start"]
    assert 1 <= start["grid_steps"] <= 20
    assert start["value_to_enter"] == start["setting_counts"] == -start["grid_steps"]
    assert (start["stable_share"], start["confidence"], start["level"]) == (0.9, 0.95, "chip")


def test_many_failures_at_the_first_step_give_no_start(instance: Instance) -> None:
    a_line_of_units(instance, [0] * 60 + [20] * 60)
    answer = count_answer(instance)
    assert reason_of(answer) == "fails_near_stock"
    assert (answer["evidence"]["units"], answer["evidence"]["failures"]) == (120, 120)
    reason = answer["reason"]
    assert (reason["units_failed_at_first"], reason["start_for_lower_share"]) == (60, None)
    assert "60 of 120 machines failed at their first setting." in reason["text"]
    assert reason["text"].endswith("Lower shares have no start either: stay at stock.")


def test_where_too_many_fail_near_stock_the_start_for_a_lower_share_is_given(
    instance: Instance,
) -> None:
    a_line_of_units(instance, [0] * 8 + [20] * 22)
    answer = count_answer(instance, detail="percentiles")
    assert reason_of(answer) == "fails_near_stock"
    reason = answer["reason"]
    lower = reason["start_for_lower_share"]
    assert (reason["units_needed"], reason["units_failed_at_first"]) == (None, 8)
    asked = count_answer(instance, stable_share="0.75")
    assert (lower, answer["meaning"]) == (asked["start"], asked["meaning"])
    assert lower["stable_share"] == 0.75
    text = f"For 75 % of machines the start is {lower['value_to_enter']} counts (95 % confidence)."
    assert text in reason["text"]


@pytest.mark.parametrize("parameters", [{}, {"confidence": "0.9"}])
def test_the_usual_share_names_a_lower_one_without_its_deeper_start(
    instance: Instance, parameters: dict[str, str]
) -> None:
    a_line_of_units(instance, [0] * 8 + [20] * 22)
    answer = count_answer(instance, **parameters)
    assert reason_of(answer) == "fails_near_stock"
    assert (answer["reason"]["start_for_lower_share"], answer["meaning"]) == (None, None)
    text = "A lower share has a start: ask with stable_share=0.75."
    assert answer["reason"]["text"].endswith(text)


def test_the_start_for_a_lower_share_waits_for_others(instance: Instance) -> None:
    a_line_of_units(instance, [0] * 8 + [20] * 22)

    def lower() -> Any:
        answer = count_answer(instance, detail="percentiles")
        return answer["reason"]["start_for_lower_share"]["setting_counts"]

    before = lower()
    for number in range(50, 54):
        send(instance, a_count_submission(3, 4, number))
        assert lower() == before
    send(instance, a_count_submission(3, 4, 54))
    assert lower() > before


def test_cautions_are_those_of_the_start_that_is_given(instance: Instance) -> None:
    a_line_of_units(instance, [20] * 20)
    for number in range(20, 32):
        stop = a_count_submission(10, None, number)
        stop["settings"][0]["planned_end"] = None
        send(instance, stop)
    asked = count_answer(instance, stable_share="0.95")
    answer = count_answer(instance, stable_share="0.99")
    start, lower = asked["start"], answer["reason"]["start_for_lower_share"]
    assert reason_of(answer) == "share_out_of_reach"
    assert lower == start
    assert start["setting_counts"] < start["setting_if_untold_failed"]
    assert answer["warnings"] == asked["warnings"]
    assert "untold_stops" in [one["code"] for one in answer["warnings"]]
    assert answer["meaning"] == asked["meaning"]
    assert answer["meaning"]["text"].startswith("At most 1 in 20 machines fails at this setting")
    given = f"The start for 95 % is {lower['value_to_enter']} counts."
    assert f"{given} {answer['warnings'][-1]['text']}" in answer["summary"]


def test_a_probable_lock_comes_first_without_a_start_too(instance: Instance) -> None:
    a_line_of_units(instance, [0] * 8 + [20] * 22)
    for number in range(60, 72):
        lock = {"domain": "core", "control": "count_offset", "status": "chip_locked"}
        lock["found_by"] = "written_and_read_back"
        send(instance, a_submission(number=number, chip=COUNT_CHIP, settings=..., locks=[lock]))
    answer = count_answer(instance)
    assert answer["locks"]["share_open"] < 0.5
    assert "Probably locked: check this first. No start: " in answer["summary"]


def test_failures_of_all_untold_stops_never_make_a_start_deeper(
    instance: Instance, clock: HandMovedClock
) -> None:
    # All limits lie close together if the stops failed 3 counts beyond their pass.
    for number in range(7):
        stop = a_count_submission(20 + number % 2, None, number)
        stop["settings"][0]["planned_end"] = None
        send(instance, stop)
    for number in range(7, 11):
        limit = 16 + number % 2
        send(instance, a_count_submission(limit, limit + 1, number))
    # Results of the day wait.
    clock.moment += timedelta(days=2)
    for share in ("0.75", "0.9"):
        start = count_answer(instance, stable_share=share)["start"]
        assert start is not None
        assert start["setting_counts"] == start["setting_if_untold_failed"]


def test_a_share_that_takes_more_units_is_out_of_reach(instance: Instance) -> None:
    a_line_of_units(instance, [20] * 40)
    answer = count_answer(instance, stable_share="0.99")
    assert reason_of(answer) == "share_out_of_reach"
    asked = count_answer(instance, stable_share="0.95")
    assert answer["summary"].endswith(
        "No start: there are too few results for 99 % of machines with 95 % confidence. "
        f"The start for 95 % is {asked['start']['value_to_enter']} counts."
    )
    reason = answer["reason"]
    assert (reason["units_needed"], reason["units_failed_at_first"]) == (332, None)
    assert reason["text"].startswith(
        "99 % at 95 % confidence takes results of 332 machines or more; 40 are counted. "
    )
    assert reason["start_for_lower_share"] == asked["start"]


def test_fewer_than_five_first_failures_are_not_counted(instance: Instance) -> None:
    a_line_of_units(instance, [0] * 4 + [20] * 8)
    reason = count_answer(instance)["reason"]
    assert (reason["code"], reason["units_failed_at_first"]) == ("fails_near_stock", None)
    assert "first setting" not in reason["text"]


def deepest_by_clopper_pearson(limits: list[int], share: float, confidence: float) -> int:
    """The start by its definition, on exact data."""
    units, depth = len(limits), 0
    while True:
        stable = sum(limit >= depth + 1 for limit in limits)
        if stable == 0 or beta.ppf(1 - confidence, stable, units - stable + 1) < share:
            return depth
        depth += 1


@pytest.mark.parametrize(
    ("share", "confidence"), [("0.9", "0.95"), ("0.8", "0.95"), ("0.9", "0.9"), ("0.5", "0.99")]
)
def test_on_exact_data_of_many_units_the_start_is_that_of_clopper_and_pearson(
    instance: Instance, share: str, confidence: str
) -> None:
    rng = np.random.default_rng(20260915)
    limits = [int(limit) for limit in np.clip(rng.normal(18, 4, 130), 1, 29)]
    a_line_of_units(instance, limits)
    start = count_answer(instance, stable_share=share, confidence=confidence)["start"]
    assert start["method"] == "model_free"
    # A tenth of what may fail is kept for false results, so the share that is used is larger.
    used = start["stable_share_used"]
    assert used == pytest.approx(1 - 0.9 * (1 - float(share)))
    assert start["grid_steps"] == deepest_by_clopper_pearson(limits, used, float(confidence))


def test_one_more_failure_near_stock_never_makes_the_start_deeper(instance: Instance) -> None:
    a_line_of_units(instance, [18, 20, 22] * 12)
    before = count_answer(instance)["start"]["grid_steps"]
    send(instance, a_count_submission(None, 3, 99))
    after = count_answer(instance)["start"]
    assert (0 if after is None else after["grid_steps"]) <= before


def test_a_stricter_question_never_has_a_deeper_start(instance: Instance) -> None:
    a_line_of_units(instance, [14, 16, 18, 20, 22] * 8)

    def steps(**parameters: str) -> int:
        start = count_answer(instance, **parameters)["start"]
        return 0 if start is None else int(start["grid_steps"])

    by_confidence = [steps(confidence=confidence) for confidence in ("0.9", "0.95", "0.99")]
    by_share = [steps(stable_share=share) for share in ("0.5", "0.75", "0.9", "0.99")]
    assert by_confidence == sorted(by_confidence, reverse=True)
    assert by_share == sorted(by_share, reverse=True)
    assert by_share[0] > by_share[-1]


def test_the_value_to_enter_is_rounded_toward_stock(instance: Instance) -> None:
    for number in range(40):
        setting = a_setting(stable_at=-80 - number % 5, unstable_at=-90 - number % 5)
        send(instance, a_submission(setting, number=number))
    question = a_question(instance)
    start = answer_to(instance, question)["start"]
    step = float(instance.catalogue.grid_for(question.chip, "voltage_offset").step)
    assert start["setting_mv"] == round(-start["grid_steps"] * step, 2)
    assert start["setting_mv"] <= start["value_to_enter"] < start["setting_mv"] + 1
    assert start["value_to_enter"] < 0


def test_a_start_carries_its_evidence(instance: Instance) -> None:
    a_line_of_units(instance, [20] * 35)
    claim = a_setting(control="count_offset", stable_at=-25, unstable_at=None)
    send(instance, a_submission(claim, number=98, chip=COUNT_CHIP))
    deep = a_setting(control="count_offset", stable_at=-40, unstable_at=-41)
    send(instance, a_submission(deep, number=99, chip=COUNT_CHIP))
    answer = count_answer(instance)
    evidence = answer["evidence"]
    assert (evidence["units"], evidence["failures"]) == (35, 35)
    assert (evidence["units_unverified"], evidence["units_excluded"]) == (1, 1)
    assert (evidence["latest_month"], evidence["borrowed_units"]) == ("2026-08", 0)
    assert answer["meaning"]["loads"] == ["all_core", "vector_heavy"]
    assert answer["meaning"]["grade"] == "long"
    assert "Only reported machines are counted." in answer["meaning"]["text"]
    assert "Based on 35 machines of this chip" in answer["summary"]


def test_the_largest_pool_is_used_and_the_domains_moved_with_it_are_listed(
    instance: Instance,
) -> None:
    for number in range(4):
        send(instance, a_submission(a_setting(moved_with=["ring"]), number=number))
    send(instance, a_submission(number=9))
    assert answer_to(instance, a_question(instance))["moved_with"] == ["ring"]
    alone = answer_to(instance, a_question(instance, moved_with=""))
    assert (alone["moved_with"], alone["evidence"]["units"]) == ([], 1)


@pytest.mark.parametrize(
    ("clock_mhz", "band_mhz"),
    [("1800", 1800), ("1851", 1800), ("1899.9", 1800), ("1900", 1900), ("2600", 1900)],
)
def test_a_clock_is_answered_from_the_band_that_it_lies_in(
    instance: Instance, clock_mhz: str, band_mhz: int
) -> None:
    for number, at_mhz in enumerate((1700, 1700, 1800, 1900, 1900)):
        setting = a_fixed_clock_setting(clock_mhz=at_mhz)
        send(instance, a_submission(setting, number=number, chip=GRAPHICS))
    answer = answer_to(instance, a_question(instance, chip=GRAPHICS, clock_mhz=clock_mhz))
    assert (answer["control"], answer["clock_band_mhz"]) == ("fixed_clock_voltage", band_mhz)


@pytest.mark.parametrize("limits", [[], [20], [20] * 40, [0] * 60 + [20] * 60])
def test_every_answer_has_cautions(instance: Instance, limits: list[int]) -> None:
    a_line_of_units(instance, limits)
    answer = count_answer(instance)
    codes = [caution["code"] for caution in answer["cautions"]]
    assert codes[:2] == ["counts_are_not_mv", "save_first"]
    assert len(codes) == len(set(codes)) >= 9
    assert all(caution["text"].endswith(".") for caution in answer["cautions"])
    assert "picture_faults" not in codes


def test_graphics_have_their_own_caution_first(instance: Instance) -> None:
    answer = answer_to(instance, a_question(instance, chip=GRAPHICS))
    assert "picture_faults" in [caution["code"] for caution in answer["cautions"]]
