"""`kbapi import`: a file is checked row by row, sent through the outbox, and never stored twice."""

import json
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from kbapi.cli.import_results import import_command, rows_of
from kbapi.client import kbapi_client
from kbapi.errors import JsonUnreadable
from tests.cli.command import run
from tests.cli.test_main import RESULT
from tests.client.test_kbapi_client import Scripted, an_answer
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


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    with Server(tmp_path_factory.mktemp("import") / "home", workers=1) as server:
        yield server


def a_result(**changes: Any) -> dict[str, Any]:
    return {**RESULT, "settings": [{**RESULT["settings"][0], **changes}]}


def a_file(tmp_path: Path, *documents: Any) -> Path:
    file = tmp_path / "results.ndjson"
    file.write_text("\n".join(map(json.dumps, documents)))
    return file


def mine(*where: str) -> list[dict[str, Any]]:
    listed = run("my-submissions", "--json", *where)
    found: list[dict[str, Any]] = json.loads(listed.stdout)["submissions"]
    return found


def import_lines(home: Path, file: Path, *options: str) -> tuple[int, dict[str, Any]]:
    sent = run("import", str(file), "--json", *options, "--home", str(home))
    answer: dict[str, Any] = json.loads(sent.stdout.splitlines()[-1])
    return sent.returncode, answer


def test_imported_results_get_tokens_and_their_receipts_are_saved_and_listed(
    home: Path, tmp_path: Path, sender_json: Path
) -> None:
    other = RESULT | {"platform": {"machine": "harbour-15"}}
    file = tmp_path / "results.ndjson"
    file.write_text("\n".join(["", json.dumps(a_result(minutes=60)), "", json.dumps(other)]))
    status, answer = import_lines(home, file)
    assert (status, answer["refused"], answer["receipts_in"]) == (0, [], str(sender_json))
    assert [(one["file"], one["line"]) for one in answer["stored"]] == [
        (str(file), 2),
        (str(file), 4),
    ]
    kept = json.loads(sender_json.read_text())
    assert {one["id"]: one["receipt"] for one in answer["stored"]} == {
        known: saved["receipt"] for known, saved in kept["receipts"].items()
    }
    # The first named machine of a chip is the unit that had no name.
    assert [unit["machine"] for unit in kept["units"]] == ["harbour-15"]
    assert {one["id"] for one in mine("--home", str(home))} == {
        one["id"] for one in answer["stored"]
    }
    # What is sent again is recognised by its unit.
    status, again = import_lines(home, file)
    assert (status, again["counts"]["repeated"]) == (0, 2)


def test_imported_results_keep_their_own_tokens(
    home: Path, tmp_path: Path, sender_json: Path
) -> None:
    tokens = {"contributor_token": "demo-contributor-0007", "unit_token": "k3v9-demo-unit-0007"}
    file = tmp_path / "results.ndjson"
    file.write_text(json.dumps(RESULT | tokens))
    status, answer = import_lines(home, file)
    assert (status, len(answer["stored"]), mine("--home", str(home))) == (0, 1, [])
    assert json.loads(sender_json.read_text())["units"] == []
    shown = run(
        "my-submissions", "--contributor-token", tokens["contributor_token"], "--home", str(home)
    )
    assert answer["stored"][0]["id"] in shown.stdout


def test_a_refused_line_is_named_with_its_problems_and_makes_the_status_1(
    home: Path, tmp_path: Path
) -> None:
    file = tmp_path / "results.ndjson"
    bad = json.dumps(a_result(stable_at=80))
    file.write_text(f"{json.dumps(RESULT)}\n{bad}\nno json\n")
    status, answer = import_lines(home, file)
    assert status == 1
    assert [(one["line"], one["errors"][0]["code"]) for one in answer["refused"]] == [
        (2, "above_stock"),
        (3, "json_unreadable"),
    ]
    assert answer["refused"][0]["errors"][0]["pointer"] == "/settings/0/stable_at"
    shown = run("import", str(file), "--home", str(home))
    assert shown.returncode == 1
    rows = shown.stdout.splitlines()
    assert rows[0] == "results.ndjson"
    assert rows[2].split() == ["1", RESULT["chip"], "repeated"]
    assert rows[3].split() == ["2", RESULT["chip"], "refused", "above_stock"]
    assert rows[4].startswith("          /settings/0/stable_at: ")
    assert "Refused lines: results.ndjson:2, results.ndjson:3." in rows
    assert max(len(line) for line in shown.stdout.splitlines()) <= 80
    # All lines of the file are refused.
    file.write_text(f"\n{bad}\n")
    status, answer = import_lines(home, file)
    assert (status, answer["counts"]) == (1, {"items": 1, "refused": 1})
    assert [(one["line"], one["errors"][0]["pointer"]) for one in answer["refused"]] == [
        (2, "/settings/0/stable_at")
    ]


def test_a_dry_run_shows_each_row_and_stores_nothing(home: Path, tmp_path: Path) -> None:
    file = a_file(tmp_path, RESULT, RESULT, a_result(stable_at=-200, unstable_at=-210))
    shown = run("import", str(file), "--dry-run", "--home", str(home))
    assert shown.returncode == 0, shown.stderr
    rows = [line.split() for line in shown.stdout.splitlines()[2:5]]
    assert [(row[0], row[2]) for row in rows] == [
        ("1", "counted"),
        ("2", "repeated"),
        ("3", "excluded"),
    ]
    assert "Nothing was sent." in shown.stdout
    status, answer = import_lines(home, file, "--dry-run")
    assert (status, answer["is_sent"], answer["stored"]) == (0, False, [])
    assert mine("--home", str(home)) == []


def test_the_same_file_sent_again_adds_nothing(home: Path, tmp_path: Path) -> None:
    """Also a document without a unit token, which an instance alone does not recognise."""
    member = {"contributor_token": "demo-contributor-0007"}
    empty = {"contributor_token": None, "unit_token": None}
    receipts = tmp_path / "receipts.ndjson"
    receipts.write_text('{"id": "of another file"}\n')
    file = a_file(tmp_path, RESULT, RESULT | member, a_result(stable_at=-70) | empty)
    options = ("--receipts", str(receipts))
    first = import_lines(home, file, *options)[1]
    written = receipts.read_text()
    again = import_lines(home, file, *options)[1]
    assert (first["counts"]["counted"], again["counts"]["repeated"]) == (3, 3)
    assert "counted" not in again["counts"]
    assert [one["id"] for one in first["stored"]] == [one["id"] for one in again["stored"]]
    assert len(mine("--home", str(home))) == 2
    listed = run("my-submissions", "--contributor-token", *member.values(), "--home", str(home))
    assert listed.stdout.count(RESULT["chip"].title()[:7]) == 1
    lines = [json.loads(line) for line in receipts.read_text().splitlines()]
    assert [line["id"] for line in lines] == [
        json.loads(line)["id"] for line in written.splitlines()
    ]
    assert [line.get("line") for line in lines] == [None, 1, 2, 3]
    assert receipts.stat().st_mode & 0o777 == 0o600


def test_a_list_or_one_object_is_read_with_its_lines(tmp_path: Path) -> None:
    file = tmp_path / "results.json"
    file.write_bytes(b'\xef\xbb\xbf\n[\n  {"chip":\n   "a  b"},\n\n  {"chip": "c"}, 7,\n  [1]\n]\n')
    rows = list(rows_of(file))
    assert [row.line for row in rows] == [3, 6, 6, 7]
    assert [json.loads(row.body) for row in rows] == [{"chip": "a  b"}, {"chip": "c"}, 7, [1]]
    assert not any(b"\n" in row.body for row in rows)
    file.write_text('{\n  "chip": "a"\n}\n')
    assert [json.loads(row.body) for row in rows_of(file)] == [{"chip": "a"}]
    file.write_text('{"chip": "a"}\n\n{"chip": "b"}\nno json')
    assert [row.line for row in rows_of(file)] == [1, 3, 4]
    file.write_text("[]")
    assert list(rows_of(file)) == []
    for text in ("[1,\n2 3]", "[1", "[" * 100_000):
        file.write_text(text)
        with pytest.raises(JsonUnreadable, match=r"results\.json"):
            list(rows_of(file))


def test_a_list_that_is_no_json_is_refused_with_its_line(home: Path, tmp_path: Path) -> None:
    file = tmp_path / "results.json"
    file.write_text("[1,\n2 3]")
    refused = run("import", str(file), "--home", str(home))
    assert refused.returncode == 1
    assert "line 2" in refused.stderr


def test_all_refused_rows_of_a_long_file_have_their_problems(
    server: Server, tmp_path: Path
) -> None:
    """The answer to one batch lists about a hundred problems."""
    file = a_file(tmp_path, *[a_result(stable_at=80, unstable_at=90, minutes=-1)] * 103)
    sent = run("import", str(file), "--json", "--to", f"http://127.0.0.1:{server.port}")
    refused = json.loads(sent.stdout)["refused"]
    assert sent.returncode == 1
    assert [one["line"] for one in refused] == list(range(1, 104))
    assert all(one["errors"] for one in refused)


def imported(file: Path, url: str) -> Result:
    """`kbapi import` in this process, whose pauses a test counts."""
    return CliRunner().invoke(import_command, [str(file), "--to", url, "--json"])


DRY_ROW = {"index": 0, "status": "counted", "id": None, "receipt": None, "warnings": []}
ROW = {**DRY_ROW, "id": "01a21000-8800-736b-8fa7-7e16bf7f60fd", "receipt": "kbr_1"}
COUNTS = {"items": 1, "stored": 1, "refused": 0}
BUSY = an_answer({"title": "It is busy.", "detail": ""}, 503, Retry_After="7")


def test_a_busy_server_is_asked_again_when_it_says(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, sender_json: Path
) -> None:
    pauses: list[float] = []
    monkeypatch.setattr(kbapi_client.time, "sleep", pauses.append)
    chip, dry, done = (
        an_answer({"chip": {"key": RESULT["chip"]}}),
        an_answer({"counts": COUNTS, "items": [DRY_ROW], "not_counted": []}),
        an_answer({"counts": COUNTS, "items": [ROW], "not_counted": []}, 201),
    )
    with Scripted(BUSY, chip, BUSY, dry, BUSY, BUSY, done) as scripted:
        result = imported(a_file(tmp_path, RESULT), scripted.url)
        keys = [headers["Idempotency-Key"] for _, path, headers, _ in scripted.asked[4:]]
    assert result.exit_code == 0, result.output
    assert len(pauses) == 4
    assert all(7 <= pause < 8 for pause in pauses)
    assert len(set(keys)) == 1
    assert list(json.loads(sender_json.read_text())["receipts"]) == [ROW["id"]]
    assert list((sender_json.parent / "outbox").glob("*.json")) == []


def test_rows_that_no_server_acknowledges_wait_and_the_status_is_3(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, sender_json: Path
) -> None:
    monkeypatch.setattr(kbapi_client.time, "sleep", lambda _seconds: None)
    own = {"contributor_token": "demo-contributor-0007", "unit_token": "k3v9-demo-unit-0007"}
    dry = an_answer({"counts": COUNTS, "items": [DRY_ROW], "not_counted": []})
    with Scripted(dry, BUSY) as scripted:
        result = imported(a_file(tmp_path, RESULT | own), scripted.url)
    assert result.exit_code == 3, result.output
    assert json.loads(result.stdout)["not_sent"] == [
        {"file": str(tmp_path / "results.ndjson"), "line": 1}
    ]
    assert "1 wait in the outbox" in " ".join(result.stderr.split())
    assert len(list((sender_json.parent / "outbox").glob("*.json"))) == 1


_KILLED = """
import os, signal, sys
from kbapi.cli.main import main
from kbapi.client.kbapi_client import Client, Outbox, SenderFile
die = lambda *_: os.kill(os.getpid(), signal.SIGKILL)
for owner, name in ((Client, "_send"), (SenderFile, "save_receipts"), (Outbox, "remove")):
    if not (child := os.fork()):
        setattr(owner, name, die)
        main(sys.argv[1:])
    print(owner.__name__, os.WTERMSIG(os.waitpid(child, 0)[1]))
"""


def test_a_kill_at_any_moment_loses_nothing_and_stores_nothing_twice(
    server: Server, tmp_path: Path, sender_json: Path
) -> None:
    """Killed before the request, before its receipts are saved, and before it leaves the outbox."""
    results = [a_result(stable_at=-60 - depth) for depth in range(3)]
    to = ("--to", f"http://127.0.0.1:{server.port}")
    command = ("import", str(a_file(tmp_path, *results)), "--json", *to)
    killed = subprocess.run(
        [sys.executable, "-c", _KILLED, *command], capture_output=True, text=True, check=True
    )
    assert [line.split()[-1] for line in killed.stdout.splitlines()] == ["9", "9", "9"]
    outbox = sender_json.parent / "outbox"
    assert list(outbox.glob("*.json")) != []
    done = run(*command)
    assert done.returncode == 0, done.stderr
    assert list(outbox.glob("*.json")) == []
    stored = {one["id"] for one in json.loads(done.stdout)["stored"]}
    assert len(stored) == 3
    assert {one["id"] for one in mine(*to)} == stored
    assert set(json.loads(sender_json.read_text())["receipts"]) == stored
