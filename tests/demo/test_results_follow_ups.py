"""Follow-ups of the club: as many as its table says, and one update that shortens limits."""

from pathlib import Path
from random import Random
from typing import Any

import orjson
import pytest

from kbapi.advice.diagnosis.answer import diagnose
from kbapi.advice.diagnosis.query import read_diagnosis
from kbapi.demo import truth
from kbapi.demo.results import ClubResult, club_results, draw_follow_up
from kbapi.instance.instance import Instance
from kbapi.intake.follow_up import accept_follow_up
from kbapi.intake.submit import accept_submission

README = (Path(__file__).parents[2] / "kbapi" / "demo" / "README.md").read_text()
CHIP = "norvane-sable-5-4810mx"


@pytest.fixture(scope="module")
def pairs() -> list[tuple[ClubResult, dict[str, Any] | None]]:
    rng = Random(2)
    return [(result, draw_follow_up(rng, result)) for result in club_results(8_000, Random(1))]


def test_honest_settings_in_use_are_followed_up_as_often_as_the_table_says(
    pairs: list[tuple[ClubResult, dict[str, Any] | None]],
) -> None:
    drawn: dict[bool, list[bool]] = {True: [], False: []}
    for result, follow_up in pairs:
        if result.standing == "honest" and result.document["settings"][0].get("in_use") is not None:
            is_there = result.document["platform"]["machine"] == truth.SHORTENED_CLASS
            drawn[is_there].append(follow_up is not None)
        else:
            assert follow_up is None
    for is_there, share in ((True, truth.FOLLOWED_UP_THERE), (False, truth.FOLLOWED_UP)):
        assert sum(drawn[is_there]) / len(drawn[is_there]) == pytest.approx(share, abs=0.06)
    assert f"| followed up on the setting in use | {truth.FOLLOWED_UP} |" in README
    there = (truth.FOLLOWED_UP_THERE, truth.UPDATED, truth.FAILED_AFTER_IT)
    assert ", ".join(f"{share:.2f}" for share in there) in README


def test_the_update_of_one_class_shortens_limits_and_nothing_else_does(
    pairs: list[tuple[ClubResult, dict[str, Any] | None]],
) -> None:
    failed: dict[bool, list[bool]] = {True: [], False: []}
    for result, follow_up in pairs:
        if follow_up is not None:
            of_class = result.document["platform"]["machine"] == truth.SHORTENED_CLASS
            planted = of_class and truth.SHORTENED_BY in follow_up["changed"]
            failed[planted].append(follow_up["outcome"] == "failed_later")
    assert sum(failed[True]) / len(failed[True]) == pytest.approx(truth.FAILED_AFTER_IT, abs=0.17)
    assert sum(failed[False]) / len(failed[False]) == pytest.approx(truth.FAILED_LATER, abs=0.03)


def test_the_planted_update_has_its_day_between_the_last_good_and_the_first_bad_one(
    pairs: list[tuple[ClubResult, dict[str, Any] | None]],
) -> None:
    dated = [one for _, one in pairs if one is not None and "change_days" in one]
    failed = [one for one in dated if one["outcome"] == "failed_later"]
    assert len(dated) > len(failed) > 20
    for one in dated:
        (update,) = one["change_days"]
        assert update["change"] == truth.SHORTENED_BY
        assert one.get("last_stable_day", -1) < update["day"] <= one["days"]
        assert ("last_stable_day" in one) == (one["outcome"] == "failed_later")
    for result, one in pairs:
        if one is not None and one not in dated:
            is_there = result.document["platform"]["machine"] == truth.SHORTENED_CLASS
            assert not (is_there and truth.SHORTENED_BY in one["changed"])


def test_a_diagnosis_finds_the_planted_update(
    instance: Instance, pairs: list[tuple[ClubResult, dict[str, Any] | None]]
) -> None:
    for result, follow_up in pairs:
        if follow_up is None or "Sable 5 4810MX" not in _chip_name(result):
            continue
        sent = accept_submission(instance, orjson.dumps(result.document))
        accept_follow_up(instance, sent.id, sent.receipt, orjson.dumps(follow_up))
    body = {"chip": CHIP, "domain": "core", "control": "voltage_offset"}
    body["changed"] = ["firmware", "season", "os"]
    answer = diagnose(instance, read_diagnosis(orjson.dumps(body), instance.catalogue))
    assert answer.level == "chip"
    assert answer.after_changes[0].change == truth.SHORTENED_BY
    assert answer.after_changes[0].risk_ratio_lower > 1


def _chip_name(result: ClubResult) -> str:
    name: str = result.document["chip"]
    return name.replace("(R)", "").replace("(TM)", "").replace(CHIP, "Sable 5 4810MX")
