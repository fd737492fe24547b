"""Commands of a sender: submit, correct, follow up, list and withdraw, with one file of tokens."""

import json
from pathlib import Path
from typing import Any

import pytest

from kbapi.cli import sending
from kbapi.cli.api_client import RemoteClient
from kbapi.cli.sender_file import SenderFile
from kbapi.client import kbapi_client
from kbapi.errors import ServerUnreachable
from kbapi.vocabulary import FOLLOW_UP_OUTCOMES
from tests.cli.command import run
from tests.cli.test_main import RESULT
from tests.makers import an_instance
from tests.system.server import Server


@pytest.fixture(autouse=True)
def sender_json(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The path of the sender's file for one test."""
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    return tmp_path / "config" / "kbapi" / "sender.json"


@pytest.fixture
def home(tmp_path: Path) -> Path:
    an_instance(tmp_path).close()
    return tmp_path / "home"


def submit(home: Path, document: Any = RESULT, *options: str) -> dict[str, Any]:
    arguments = ("submit", "-", "--json", *options, "--home", str(home))
    sent = run(*arguments, stdin=json.dumps(document))
    assert sent.returncode == 0, sent.stderr
    answer: dict[str, Any] = json.loads(sent.stdout)
    return answer


def a_result(**changes: Any) -> dict[str, Any]:
    return {**RESULT, "settings": [{**RESULT["settings"][0], **changes}]}


def mine(home: Path) -> list[dict[str, Any]]:
    listed = run("my-submissions", "--json", "--home", str(home))
    found: list[dict[str, Any]] = json.loads(listed.stdout)["submissions"]
    return found


def test_a_result_from_a_file_gets_tokens_and_is_found_again(home: Path, sender_json: Path) -> None:
    first = submit(home)
    assert first["warnings"] == []
    kept = json.loads(sender_json.read_text())
    assert kept["version"] == 1
    assert kept["receipts"][first["id"]] == {
        "receipt": first["receipt"],
        "chip": RESULT["chip"],
        "day": kept["receipts"][first["id"]]["day"],
        "server": str(home),
    }
    assert [unit["machine"] for unit in kept["units"]] == [""]
    assert sender_json.stat().st_mode & 0o777 == 0o600
    assert [one["id"] for one in mine(home)] == [first["id"]]
    again = submit(home)
    assert again["duplicate_of"] == first["id"]
    assert json.loads(sender_json.read_text())["units"] == kept["units"]


def test_each_chip_and_machine_has_one_unit_token(home: Path, sender_json: Path) -> None:
    submit(home)
    submit(home, a_result(stable_at=-70) | {"platform": {"machine": "harbour-15"}})
    submit(home, a_result(stable_at=-60) | {"platform": {"machine": "Harbour-15"}})
    submit(home, a_result(stable_at=-50) | {"platform": {"machine": "harbour-17"}})
    submit(home, a_result() | {"chip": "Norvane Sable 7 4800K"})
    units = json.loads(sender_json.read_text())["units"]
    assert [(unit["chip"], unit["machine"]) for unit in units] == [
        ("norvane-sable-7-4820mx", "harbour-15"),
        ("norvane-sable-7-4820mx", "harbour-17"),
        ("norvane-sable-7-4800k", ""),
    ]
    assert len({unit["unit_token"] for unit in units}) == 3
    unclear = run("submit", "-", "--home", str(home), stdin=json.dumps(a_result(stable_at=-40)))
    assert unclear.returncode == 3
    assert "--machine" in unclear.stderr
    submit(home, a_result(stable_at=-40), "--machine", "harbour-17")
    assert json.loads(sender_json.read_text())["units"] == units


def test_tokens_of_the_document_itself_stay(home: Path, sender_json: Path) -> None:
    own = {"contributor_token": "demo-contributor-0004", "unit_token": "k3v9-demo-unit-000017"}
    accepted = submit(home, RESULT | own)
    kept = json.loads(sender_json.read_text())
    assert (kept["units"], list(kept["receipts"])) == ([], [accepted["id"]])
    assert kept["contributor_token"] != own["contributor_token"]
    assert mine(home) == []
    lone = submit(home, a_result(stable_at=-70) | {"contributor_token": own["contributor_token"]})
    assert [one["code"] for one in lone["warnings"]] == ["unit_token_missing"]


def test_a_warning_of_the_server_is_printed(home: Path) -> None:
    lone = a_result() | {"contributor_token": "demo-contributor-0004"}
    sent = run("submit", "-", "--home", str(home), stdin=json.dumps(lone))
    assert "Warning: The result has no unit token." in sent.stdout


def test_a_refused_result_leaves_no_unit_and_shows_a_repeated_key(
    home: Path, sender_json: Path
) -> None:
    machine = "owner@club.example"
    private = a_result() | {"platform": {"machine": machine}}
    refused = run("submit", "-", "--home", str(home), stdin=json.dumps(private))
    assert refused.returncode == 1
    assert not sender_json.exists()
    twice = json.dumps(RESULT)[:-1] + ', "chip": "another"}'
    refused = run("submit", "-", "--home", str(home), stdin=twice)
    assert refused.returncode == 1
    assert "repeated_key" in refused.stderr


@pytest.mark.parametrize("body", ["", "[]", "{}", "7", "{"])
def test_a_body_that_is_no_result_is_refused_by_the_server(home: Path, body: str) -> None:
    refused = run("submit", "-", "--home", str(home), stdin=body)
    assert refused.returncode == 1
    assert "Traceback" not in refused.stderr


def test_a_result_is_corrected_with_the_document_that_was_printed(
    home: Path, tmp_path: Path
) -> None:
    accepted = submit(home, a_result(in_use=-70))
    printed = run("my-submissions", accepted["id"], "--home", str(home))
    document = json.loads(printed.stdout)
    document["settings"][0]["stable_at"] = -75
    file = tmp_path / "corrected.json"
    file.write_text(json.dumps(document))
    corrected = run("correct", accepted["id"], str(file), "--home", str(home))
    assert corrected.returncode == 0, corrected.stderr
    assert f"Corrected {accepted['id']}" in corrected.stdout
    (listed,) = mine(home)
    assert listed["id"] == accepted["id"]
    again = run("my-submissions", accepted["id"], "--json", "--home", str(home))
    assert json.loads(again.stdout)["document"]["settings"][0]["stable_at"] == -75
    file.write_text(json.dumps(document | {"settings": []}))
    assert run("correct", accepted["id"], str(file), "--home", str(home)).returncode == 1
    unknown = run("correct", "0" * 36, str(file), "--home", str(home))
    assert unknown.returncode == 1
    assert "--receipt" in unknown.stderr


def test_a_correction_names_the_follow_ups_that_it_removes(home: Path) -> None:
    both = [RESULT["settings"][0], {**RESULT["settings"][0], "domain": "graphics", "in_use": -70}]
    accepted = submit(home, RESULT | {"settings": both})
    at = (accepted["id"], "--home", str(home))
    followed = run("follow-up", accepted["id"], "given_up", "--domain", "graphics", *at[1:])
    assert followed.returncode == 0, followed.stderr
    corrected = run("correct", at[0], "-", *at[1:], stdin=json.dumps(RESULT))
    assert "Removed follow-up given_up of 20" in corrected.stdout


def test_a_follow_up_finds_its_receipt_and_ends_the_setting_in_use(home: Path) -> None:
    accepted = submit(home, a_result(in_use=-70))
    listed = run("my-submissions", "--home", str(home))
    assert "  in use: core -70 mV" in listed.stdout
    at = ("--days", "40", "--home", str(home))
    output = run("follow-up", accepted["id"], "failed_later", *at)
    assert output.returncode == 0, output.stderr
    assert "core at -70: failed_later, counted" in output.stdout
    listed = run("my-submissions", "--home", str(home))
    assert accepted["id"] in listed.stdout
    assert "no longer in use: core -70 mV" in listed.stdout
    assert max(len(line) for line in listed.stdout.splitlines()) <= 80
    wrong = run("follow-up", accepted["id"], "exploded", "--home", str(home))
    assert wrong.returncode == 2
    assert "OUTCOME" in wrong.stderr


def test_a_follow_up_is_about_the_only_setting_of_its_result(home: Path) -> None:
    setting = {**RESULT["settings"][0], "domain": "graphics", "in_use": -70}
    accepted = submit(home, RESULT | {"settings": [setting]})
    output = run("follow-up", accepted["id"], "still_stable", "--days", "40", "--home", str(home))
    assert output.returncode == 0, output.stderr
    assert "graphics at -70: still_stable" in output.stdout


def test_a_contributor_token_is_enough_to_list(home: Path) -> None:
    token = "demo-contributor-0004"
    submitted = submit(home, RESULT | {"contributor_token": token})
    listed = run("my-submissions", "--contributor-token", token, "--home", str(home))
    assert submitted["id"] in listed.stdout
    without_token = run("my-submissions", "--home", str(home))
    assert without_token.stdout.strip() == "Nothing of yours is here."


def test_a_result_can_be_withdrawn_with_the_saved_receipt(home: Path, sender_json: Path) -> None:
    identifier = submit(home)["id"]
    assert run("withdraw", identifier, "--home", str(home)).returncode == 0
    assert json.loads(sender_json.read_text())["receipts"] == {}
    again = run("withdraw", identifier, "--home", str(home))
    assert again.returncode == 1
    assert "--receipt" in again.stderr
    asked = run("start", "norvane-sable-7-4820mx", "--json", "--home", str(home))
    assert json.loads(asked.stdout)["reason"]["code"] == "no_results"


def test_the_receipt_of_a_result_that_is_gone_is_removed(home: Path, sender_json: Path) -> None:
    accepted = submit(home)
    elsewhere = ("--receipt", accepted["receipt"], "--sender", str(home / "other.json"))
    assert run("withdraw", accepted["id"], *elsewhere, "--home", str(home)).returncode == 0
    assert list(json.loads(sender_json.read_text())["receipts"]) == [accepted["id"]]
    gone = run("withdraw", accepted["id"], "--home", str(home))
    assert gone.returncode == 1
    assert json.loads(sender_json.read_text())["receipts"] == {}


@pytest.mark.parametrize("content", ["{", "[]", '{"version": 2}', '{"version": 1, "more": 1}'])
def test_a_damaged_file_or_one_of_a_later_version_is_never_overwritten(
    home: Path, sender_json: Path, content: str
) -> None:
    sender_json.parent.mkdir(parents=True)
    sender_json.write_text(content)
    for command in (("submit", "-"), ("my-submissions",), ("withdraw", "x")):
        done = run(*command, "--home", str(home), stdin=json.dumps(RESULT))
        assert done.returncode == 3, done.stdout
        assert str(sender_json) in "".join(done.stderr.split("\n"))
        assert sender_json.read_text() == content


def test_a_receipt_that_cannot_be_saved_was_printed(home: Path, tmp_path: Path) -> None:
    own = {"contributor_token": "demo-contributor-0004", "unit_token": "k3v9-demo-unit-000017"}
    (tmp_path / "file").write_text("a file where a folder should be")
    nowhere = str(tmp_path / "file" / "sender.json")
    arguments = ("submit", "-", "--sender", nowhere, "--home", str(home))
    sent = run(*arguments, stdin=json.dumps(RESULT | own))
    assert sent.returncode == 3
    assert "Receipt: kbr_" in sent.stdout
    assert "Traceback" not in sent.stderr


def test_the_file_is_named_by_option_and_variable_and_notes_the_server(
    home: Path, tmp_path: Path, sender_json: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    named = tmp_path / "mine" / "tokens.json"
    monkeypatch.setenv("KBAPI_SENDER", str(named))
    with Server(home, workers=1) as server:
        url = f"http://127.0.0.1:{server.port}"
        sent = run("submit", "-", "--json", "--to", f"{url}/", stdin=json.dumps(RESULT))
        assert sent.returncode == 0, sent.stderr
        listed = run("my-submissions", "--json", "--to", url)
    (identifier,) = json.loads(named.read_text())["receipts"]
    assert json.loads(named.read_text())["receipts"][identifier]["server"] == url
    assert [one["id"] for one in json.loads(listed.stdout)["submissions"]] == [identifier]
    assert not sender_json.exists()


def test_a_result_for_an_absent_server_waits_and_the_next_command_sends_it(
    home: Path, sender_json: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    server = Server(home, workers=1)
    own = SenderFile(sender_json, f"http://127.0.0.1:{server.port}")
    with monkeypatch.context() as hurried:
        hurried.setattr(kbapi_client.time, "sleep", lambda _seconds: None)
        with pytest.raises(ServerUnreachable, match="waits in"):
            sending._send(RemoteClient(own.server), own, json.dumps(RESULT).encode(), "")
    outbox = sender_json.parent / "outbox"
    (waiting,) = outbox.glob("*.json")
    with server:
        other = RESULT | {"measured_in": "2026-05"}
        sent = run("submit", "-", "--json", "--to", own.server, stdin=json.dumps(other))
        refused = run("submit", "-", "--to", own.server, stdin='{"chip": "x", "chip": "y"}')
    assert sent.returncode == 0, sent.stderr
    assert waiting.name in "".join(sent.stderr.split("\n"))
    assert list(outbox.glob("*.json")) == []
    kept = json.loads(sender_json.read_text())
    assert (len(kept["units"]), len(kept["receipts"])) == (1, 2)
    assert refused.returncode == 1
    assert "twice" in refused.stderr or "repeated" in refused.stderr


def test_a_follow_up_without_an_outcome_names_the_outcomes(home: Path) -> None:
    asked = run("follow-up", "some-id", "--home", str(home))
    assert asked.returncode == 2
    assert all(outcome in asked.stderr for outcome in FOLLOW_UP_OUTCOMES)
