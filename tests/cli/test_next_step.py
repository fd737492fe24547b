"""`kbapi next-step` in a terminal: killed in the middle, resumed, sent."""

import json
from pathlib import Path
from subprocess import CompletedProcess
from typing import Any

import pytest

from kbapi.cli.search_record import closing_card, step_card
from tests.cli import command
from tests.cli.command import Person

CHIP = "norvane-sable-7-4820mx"
PASSED = ["passed", "20", "vector_heavy", "y"]
FAILED = ["failed", "3", "vector_heavy", "wrong_result"]
STOCK = ["vector_heavy", "20"]


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    home = tmp_path_factory.mktemp("search") / "home"
    made = command.run("demo", "--home", str(home), "--no-serve", "--results", "900")
    assert made.returncode == 0, made.stderr
    return home


@pytest.fixture(autouse=True)
def sender_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    return tmp_path / "config" / "kbapi"


def kept_in(record: Path) -> dict[str, Any]:
    return json.loads(record.read_text()) if record.exists() else {}


def document_in(output: str) -> dict[str, Any]:
    return json.JSONDecoder().raw_decode(output[output.index('{\n  "chip"') :])[0]


def test_after_a_kill_the_next_run_asks_for_the_result_of_the_saved_step(
    filled: Path, tmp_path: Path
) -> None:
    record = tmp_path / "search.json"
    arguments = (CHIP, "--home", str(filled), "--record", str(record))
    first = Person("next-step", *arguments)
    first.types(*STOCK, "begin")
    first.is_killed_once(lambda: kept_in(record).get("under_way"))
    kept = kept_in(record)
    begun = kept["under_way"]["settings"]
    assert [one["domain"] for one in begun] == ["core", "ring"]
    assert begun[0]["value"] < 0
    assert (kept["trials"], kept["stock_passed"]) == ([], {"load": "vector_heavy", "minutes": 20})
    assert record.stat().st_mode & 0o777 == 0o600

    output = Person("next-step", *arguments).ends(*PASSED, "begin", *FAILED, "finish", "", "", "n")
    assert "was under way" in output
    assert f"core and ring at {begun[0]['value']:g}" in output.replace("\n", " ")
    document = document_in(output)
    setting = document["settings"][0]
    assert setting["stable_at"] == setting["first_tried"] == begun[0]["value"]
    assert setting["unstable_at"] < setting["stable_at"]
    assert (setting["failure"], setting["minutes"]) == ("wrong_result", 20)
    assert [run["outcome"] for run in document["trials"]] == ["stable", "failed"]
    assert document["stock_passed"] == [{"load": "vector_heavy", "minutes": 20}]
    # Nothing was sent: the record stays.
    assert len(kept_in(record)["trials"]) == 2
    assert kept_in(record)["under_way"] is None


def test_a_search_that_was_sent_still_knows_its_failure(filled: Path, sender_folder: Path) -> None:
    record = sender_folder / f"next-step-{CHIP}.json"
    output = Person("next-step", CHIP, "--home", str(filled), "--max-step", "20").ends(
        *STOCK, "begin", *PASSED, "begin", *FAILED, "finish", "", "", "y"
    )
    assert "core with ring, voltage_offset: counted" in output
    assert "Receipt: kbr_" in output
    assert json.loads((sender_folder / "sender.json").read_text())["receipts"]
    assert kept_in(record)["sent_trials"] == 2
    failed = kept_in(record)["trials"][-1]["settings"][0]["value"]
    again = json.loads(run(CHIP, "--home", str(filled), "--max-risk", "0.25", "--json").stdout)
    following = again["next_step"]
    assert following is None or following["value_to_enter"] > failed
    assert again["own_bracket"]["failures"] == 1
    # Nothing new was tried, so nothing is offered to be sent.
    output = Person("next-step", CHIP, "--home", str(filled)).ends(
        "finish" if following else "later"
    )
    assert "All steps were sent." in output


def test_a_search_never_goes_deeper_than_a_failure_and_ends_by_itself(
    filled: Path, tmp_path: Path
) -> None:
    record = tmp_path / "search.json"
    arguments = (CHIP, "--home", str(filled), "--record", str(record), "--max-risk", "0.25")
    typed = [*STOCK]
    values = []
    while (following := json.loads(run(*arguments, "--json").stdout)["next_step"]) is not None:
        values.append(following["value_to_enter"])
        assert following["chance_stable"] >= 0.75
        # After the last step nothing is left to try, and "later" is not an answer to "Send this?".
        output = Person("next-step", *arguments).ends(*typed, "begin", *FAILED, "later", "n")
        typed = []
    assert 1 <= len(values) < 12
    assert values == sorted(set(values))
    assert "No setting passed, so stay at stock." in output
    assert document_in(output)["settings"][0]["stable_at"] is None
    assert document_in(output)["settings"][0]["unstable_at"] == values[-1]


def test_a_setting_to_use_must_have_passed_and_a_failure_may_be_unknown(
    filled: Path, tmp_path: Path
) -> None:
    arguments = (CHIP, "--home", str(filled), "--record", str(tmp_path / "search.json"))
    output = Person("next-step", *arguments).ends(
        *STOCK, "begin", *PASSED, "begin", "failed", "3", "vector_heavy", "?",
        "finish", "-200", "-5", "", "n",
    )  # fmt: skip
    assert "That never passed." in output
    assert "  - system_hang: The machine stopped reacting" in output
    setting = document_in(output)["settings"][0]
    assert setting["in_use"] == -5
    assert setting["failure"] is None


def test_a_step_that_was_not_tried_adds_no_run(filled: Path, tmp_path: Path) -> None:
    record = tmp_path / "search.json"
    arguments = (CHIP, "--home", str(filled), "--record", str(record))
    output = Person("next-step", *arguments).ends(*STOCK, "begin", "not_tried", "later")
    assert "Run the same command again to continue." in output
    assert (kept_in(record)["trials"], kept_in(record)["under_way"]) == ([], None)


def test_impossible_answers_are_asked_again_and_not_recorded(filled: Path, tmp_path: Path) -> None:
    record = tmp_path / "search.json"
    arguments = (CHIP, "--home", str(filled), "--record", str(record))
    stock = ["vector_heavy", "-20", "nan", "inf", "20"]
    output = Person("next-step", *arguments).ends(
        *stock, "begin", "passed", "-5", "1e9", "nan", *PASSED[1:], "later"
    )
    assert output.count("Enter a number.") == 6
    assert kept_in(record)["stock_passed"]["minutes"] == 20
    assert [trial["seconds"] for trial in kept_in(record)["trials"]] == [1200]
    assert run(*arguments, "--json").returncode == 0


def test_a_search_keeps_its_first_domains(filled: Path, tmp_path: Path) -> None:
    record = tmp_path / "search.json"
    arguments = (CHIP, "--home", str(filled), "--record", str(record))
    Person("next-step", *arguments).ends(*STOCK, "begin", *PASSED, "later")
    rails = {"domain": "core", "control": "voltage_offset", "moved_with": ["ring"]}
    assert kept_in(record)["asked"] == rails
    assert run(*arguments, "--json", "--moved-with", "ring").returncode == 0
    assert run(*arguments, "--json", "--control", "count_offset").returncode == 3


def run(*arguments: str) -> CompletedProcess[str]:
    return command.run("next-step", *arguments)


def test_without_a_terminal_json_shows_the_state_of_the_search(
    filled: Path, tmp_path: Path
) -> None:
    record = tmp_path / "search.json"
    arguments = (CHIP, "--home", str(filled), "--record", str(record))
    assert run(*arguments).returncode == 2
    answer = json.loads(run(*arguments, "--json").stdout)
    assert answer["basis"] == "pool"
    assert not record.exists()
    Person("next-step", *arguments).ends(*STOCK, "begin", *PASSED, "later")
    later = json.loads(run(*arguments, "--json").stdout)
    assert later["own_bracket"]["passes"] == 1
    assert later["next_step"]["grid_steps"] > answer["next_step"]["grid_steps"]


@pytest.mark.parametrize(
    ("code", "max_risk", "is_named"),
    [("too_risky", 0.1, True), ("too_risky", 0.25, False), ("bracketed", 0.1, False)],
)
def test_a_search_that_ends_by_its_risk_names_the_option(
    code: str, max_risk: float, is_named: bool
) -> None:
    shown = closing_card(
        {
            "reason": {"code": code, "text": "Why it ended."},
            "max_risk": max_risk,
            "going_on": {"text": "Your limit is deeper."} if code == "too_risky" else None,
            "recommended_in_use": {"text": "Stay at stock.", "setting": None},
        }
    )
    assert ("--max-risk, up to 0.25" in shown) is is_named
    assert ("Your limit is deeper." in shown) is (code == "too_risky")


def test_a_run_that_confirms_says_so_and_how_long_it_is() -> None:
    shown = step_card(
        {
            "domain": "core",
            "moved_with": [],
            "control": "voltage_offset",
            "next_step": {"purpose": "confirm", "minutes": 60, "chance_stable": 0.98},
            "plan": [],
            "expected_search": None,
        },
        -82,
        60,
    )
    assert "confirms your deepest pass" in shown
    assert "60 minutes" in shown


def test_a_damaged_record_and_one_of_another_chip_are_never_overwritten(
    filled: Path, tmp_path: Path
) -> None:
    record = tmp_path / "search.json"
    arguments = ("--home", str(filled), "--record", str(record), "--json")
    record.write_text("{")
    damaged = run(CHIP, *arguments)
    assert (damaged.returncode, record.read_text()) == (3, "{")
    record.write_text(json.dumps({"chip": CHIP, "asked": {}}))
    other = run("norvane-sable-9-4840mx", *arguments)
    assert other.returncode == 3
    assert "--record" in json.loads(other.stdout)["detail"]
    assert "Traceback" not in damaged.stderr + other.stderr
    refused = run(CHIP, *arguments, "--max-risk", "0.9")
    assert refused.returncode == 1
    assert "max_risk" in refused.stdout
    without_token = run("not a chip", "--home", str(filled), "--json")
    assert without_token.returncode == 1
