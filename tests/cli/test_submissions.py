"""The host's commands on all results, on a folder without a key and on a server with one."""

import json
from pathlib import Path
from typing import Any

import pytest

from kbapi.access.keys import give_key
from tests.cli.command import run
from tests.makers import a_setting, a_submission, an_instance, send
from tests.system.server import Server

MEMBER = "tidewater-member-000077"
ALL = ("--contributor", "7", "--reason", "asked_by_sender")
EXCLUDE = ("review", "decide", "exclude", "--contributor", "7", "--reason", "testing_doubted")


@pytest.fixture(autouse=True)
def no_key(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("KBAPI_KEY", raising=False)


@pytest.fixture
def home(tmp_path: Path) -> Path:
    """Six honest results, and two of contributor 7 that are far shallower."""
    made = an_instance(tmp_path)
    for number in range(6):
        send(made, a_submission(number=number))
    for number in (70, 71):
        setting = a_setting(stable_at=-60, unstable_at=-65)
        send(made, a_submission(setting, number=number, contributor_token=MEMBER))
    made.close()
    return tmp_path / "home"


def answered(*arguments: str) -> Any:
    done = run(*arguments, "--json")
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def test_a_host_finds_excludes_undoes_and_erases_on_the_folder_without_a_key(home: Path) -> None:
    at = ("--home", str(home))
    listed = run("submissions", "list", "--order", "influence", *at)
    assert listed.stdout.startswith("Contributor 7: without these 2 units, the start of")
    assert "passed at -60, failed at -65" in listed.stdout
    shown = run("submissions", "show", "--contributor", "7", *at)
    assert "Contributor 7: 2 results since 2026-09-15" in shown.stdout
    assert "the middle unit lies deeper than 0 % of the others" in shown.stdout
    decided = run(*EXCLUDE, "--yes", *at)
    assert "2 of 2 settings would get this decision" in decided.stderr
    assert "2 of 2 settings got this decision" in decided.stdout
    assert "counted -> excluded" in decided.stdout
    assert "start of norvane-sable-7-4820mx (core, voltage_offset): -" in decided.stdout
    undone = run("review", "undo", "--contributor", "7", "--yes", *at)
    assert "excluded -> counted" in undone.stdout
    (one, other) = answered("submissions", "list", "--contributor", "7", *at)["submissions"]
    whole = run("submissions", "show", one["id"], *at)
    assert "undo, decided_in_error (on the host's folder)" in whole.stdout
    erased = run("submissions", "erase", one["id"], "--reason", "personal_data", "--yes", *at)
    assert "1 result of contributor 7 was erased." in erased.stdout
    gone = run("submissions", "show", one["id"], *at)
    assert (gone.returncode, "does not exist" in gone.stderr) == (1, True)
    last = run("submissions", "erase", *ALL, "--yes", *at)
    assert other["id"] in last.stdout
    assert len(answered("submissions", "list", *at)["submissions"]) == 6
    for done in (listed, shown, decided, undone, whole, erased, last):
        assert done.returncode == 0, done.stderr
        assert max(len(line) for line in done.stdout.splitlines()) <= 80


@pytest.mark.parametrize("command", [EXCLUDE, ("submissions", "erase", *ALL)])
def test_nothing_is_done_without_an_answer_to_the_question(
    home: Path, command: tuple[str, ...]
) -> None:
    at = ("--home", str(home))
    asked = run(*command, *at)
    assert asked.returncode == 2
    assert "Add --yes" in asked.stderr
    shown = run(*command, "--dry-run", *at)
    assert (shown.returncode, "would " in shown.stdout) == (0, True)
    found = answered("submissions", "list", "--status", "counted", *at)["submissions"]
    assert len(found) == 8


def test_a_server_wants_a_key(home: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    made = an_instance(tmp_path)
    key = give_key(made, "", ("curate",)).key
    made.close()
    with Server(home, workers=1) as server:
        to = ("--to", f"http://127.0.0.1:{server.port}")
        refused = run("submissions", "list", *to)
        assert (refused.returncode, "access key" in refused.stderr) == (1, True)
        monkeypatch.setenv("KBAPI_KEY", key)
        assert len(answered("submissions", "list", "--limit", "3", *to)["submissions"]) == 3
        erased = answered("submissions", "erase", *ALL, "--yes", *to)
    assert (erased["results"], erased["dry_run"]) == (2, False)


@pytest.mark.parametrize(
    "command", [("submissions", "list"), ("review", "list"), ("submissions", "show", "0" * 36)]
)
def test_a_refusal_is_json_where_json_is_asked_for(home: Path, command: tuple[str, ...]) -> None:
    wrong = () if "show" in command else ("--code", "foo")
    refused = run(*command, *wrong, "--json", "--home", str(home))
    assert refused.returncode == 1
    problem = json.loads(refused.stdout)
    assert problem["type"] in ("/problems/query_invalid", "/problems/not_found")
    if wrong:
        assert "beyond_soft_bound" in problem["errors"][0]["detail"]
    assert refused.stderr == ""


def test_a_missing_instance_is_json_as_well(tmp_path: Path) -> None:
    refused = run("submissions", "list", "--json", "--home", str(tmp_path / "nothing"))
    assert refused.returncode == 3
    assert json.loads(refused.stdout)["title"] == "Setup problem"


def test_a_command_names_one_result_or_one_contributor(home: Path) -> None:
    at = ("--home", str(home))
    assert run("submissions", "show", *at).returncode == 2
    assert run("submissions", "show", "0" * 36, "--contributor", "1", *at).returncode == 2
    assert run("submissions", "erase", "--contributor", "1", *at).returncode == 2
