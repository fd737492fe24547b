"""Commands: exit status, output, 80 columns."""

import json
import subprocess
import sys
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import Any

import click
import pytest
from click.testing import CliRunner

from kbapi.access.keys import give_key
from kbapi.cli.main import COMMANDS, main
from kbapi.instance.instance import open_instance
from kbapi.pages.views import GUIDES_FOLDER
from kbapi.settings import Settings
from tests.api.measured import a_measured, a_reading
from tests.cli.command import commands_of, run
from tests.makers import CHIP, a_setting, a_submission, an_instance, send
from tests.processes import free_port
from tests.system.server import Server

RESULT = {
    "chip": "norvane-sable-7-4820mx",
    "settings": [
        {
            "domain": "core",
            "control": "voltage_offset",
            "stable_at": -80,
            "unstable_at": -85,
            "minutes": 15,
        }
    ],
}


@pytest.fixture(autouse=True)
def sender_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A settings folder for one test."""
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    return tmp_path / "config" / "kbapi"


@pytest.fixture
def home(tmp_path: Path) -> Path:
    an_instance(tmp_path).close()
    return tmp_path / "home"


def test_the_list_of_commands_says_what_each_command_says() -> None:
    inside = commands_of(main)
    assert list(inside) == list(COMMANDS)
    for name, command in inside.items():
        assert COMMANDS[name][1] == command.get_short_help_str(200), name


def test_the_list_of_commands_loads_none_of_them() -> None:
    """The modules that `kbapi --help` loads, in a process of its own."""
    shown = "import sys; from kbapi.cli.main import main; main(['--help'], standalone_mode=False)"
    loaded = "print('\\n'.join(m for m in sys.modules if m.startswith('kbapi.') or '.' not in m))"
    done = subprocess.run(
        [sys.executable, "-c", f"{shown}; {loaded}"], capture_output=True, text=True, check=True
    )
    modules = set(done.stdout.split())
    assert {"kbapi.cli.main", "click"} <= modules
    assert not modules & {"kbapi.cli.questions", "numpy", "pydantic", "sqlalchemy", "flask"}


def test_a_question_to_a_server_loads_no_library_of_the_server(home: Path) -> None:
    with Server(home, 1, 4) as server:
        asked = ["start", CHIP, "--to", f"http://127.0.0.1:{server.port}"]
        code = (
            "import sys; from kbapi.cli.main import main; "
            f"main({asked!r}, standalone_mode=False); "
            "libraries = {'numpy', 'scipy', 'pydantic', 'sqlalchemy', 'flask'}; "
            "print(sorted(libraries & set(sys.modules)))"
        )
        done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    assert done.stdout.splitlines()[-1] == "[]"


def test_upgrade_creates_an_instance_that_only_its_owner_reads(tmp_path: Path) -> None:
    home = tmp_path / "a" / "home"
    done = run("db", "upgrade", "--home", str(home))
    assert done.returncode == 0
    assert "schema none -> " in done.stdout
    assert home.stat().st_mode & 0o777 == 0o700
    assert (home / "kbapi.sqlite3").stat().st_mode & 0o077 == 0
    assert (home / "secret.key").stat().st_mode & 0o777 == 0o600
    again = run("db", "upgrade", "--home", str(home))
    before, after = again.stdout.split("schema ")[1].split(" -> ")
    assert before == after.strip()


def test_a_result_is_sent_from_standard_input_and_changes_the_start(home: Path) -> None:
    sent = run("submit", "-", "--home", str(home), stdin=json.dumps(RESULT))
    assert sent.returncode == 0
    assert "counted" in sent.stdout
    assert "kbr_" in sent.stdout
    asked = run("start", "norvane-sable-7-4820mx", "--home", str(home))
    assert asked.returncode == 0
    assert "1 machine of this chip" in asked.stdout
    assert "Cautions:" in asked.stdout
    assert max(len(line) for line in asked.stdout.splitlines()) <= 80


def test_a_start_prints_its_chance_and_on_request_the_options(tmp_path: Path) -> None:
    instance = an_instance(tmp_path)
    for number in range(12):
        setting = a_setting(stable_at=-80 - 4 * number, unstable_at=-85 - 4 * number)
        send(instance, a_submission(setting, number=number))
    instance.close()
    asked = ["start", CHIP, "--home", str(tmp_path / "home")]
    assert "of 100 machines like these are expected to hold it" in " ".join(
        run(*asked).stdout.split()
    )
    shown = run(*asked, "--options", "--value-per-mv-minutes", "2").stdout
    for line in ("Cautious: begin at -", "Usual: begin at -", "Bold: begin at -"):
        assert line in shown
    assert "search costs you least: begin at -" in " ".join(shown.split())
    both = run(*asked, "--options", "--percentiles")
    assert both.returncode == 2
    assert "Choose one of --percentiles and --options." in both.stderr


def test_json_output_is_the_answer_of_http(home: Path, tmp_path: Path) -> None:
    file = tmp_path / "result.json"
    file.write_text(json.dumps(RESULT))
    sent: dict[str, Any] = json.loads(
        run("submit", str(file), "--json", "--home", str(home)).stdout
    )
    assert sent["screening"]["status"] == "counted"
    asked = run("start", "norvane-sable-7-4820mx", "--json", "--home", str(home))
    assert json.loads(asked.stdout)["reason"]["code"] == "too_few_units"


def test_a_refused_result_prints_every_problem_and_exits_with_1(home: Path) -> None:
    wrong = {**RESULT, "settings": [{**RESULT["settings"][0], "stable_at": 80}]}
    sent = run("submit", "-", "--home", str(home), stdin=json.dumps(wrong))
    assert sent.returncode == 1
    assert "/settings/0/stable_at" in sent.stderr
    assert "Did you mean -80?" in sent.stderr
    assert "Traceback" not in sent.stderr


@pytest.mark.parametrize(
    "arguments",
    [
        ("start", "norvane-sable-7-4820mx"),
        ("submit", "-"),
        ("my-submissions", "--contributor-token", "demo-contributor-0004"),
        ("longevity", "norvane-sable-7-4820mx"),
    ],
)
def test_a_missing_instance_is_reported_with_exit_status_3(
    tmp_path: Path, arguments: tuple[str, ...]
) -> None:
    done = run(*arguments, "--home", str(tmp_path / "nothing"), stdin=json.dumps(RESULT))
    assert done.returncode == 3
    assert "add --to URL" in " ".join(done.stderr.split())
    assert "kbapi db upgrade" in " ".join(done.stderr.split())
    assert "Traceback" not in done.stderr


def test_a_wrong_option_is_a_usage_error(home: Path) -> None:
    assert run("start", "norvane-sable-7-4820mx", "--nonsense").returncode == 2


def test_the_demo_prints_before_and_after_and_can_run_again(tmp_path: Path) -> None:
    home = tmp_path / "demo"
    first = run("demo", "--home", str(home), "--no-serve", "--results", "200")
    assert first.returncode == 0, first.stderr
    for text in ("invented", "--- Before", "--- One more result", "--- After", "Cautions:"):
        assert text in first.stdout
    assert "Sending" not in first.stdout + first.stderr
    assert "were refused: they have a wrong unit" in first.stdout
    assert "\r" not in first.stdout + first.stderr
    assert max(len(line) for line in first.stdout.splitlines()) <= 80
    again = run("demo", "--home", str(home), "--no-serve", "--results", "200")
    assert again.returncode == 0, again.stderr
    assert "was here before" in again.stdout


def test_the_demo_start_moves_toward_stock_with_one_more_failure(tmp_path: Path) -> None:
    shown = run("demo", "--home", str(tmp_path / "demo"), "--no-serve", "--results", "900").stdout
    moved = next(line for line in shown.splitlines() if line.startswith("The start moved from"))
    before, after = (float(word) for word in moved.split() if word.startswith("-"))
    assert before < after < 0


def every_command(
    group: click.Group = main, path: tuple[str, ...] = ()
) -> Iterator[tuple[tuple[str, ...], click.Command]]:
    """All groups and commands with their whole names."""
    yield path, group
    for name, command in commands_of(group).items():
        if isinstance(command, click.Group):
            yield from every_command(command, (*path, name))
        else:
            yield (*path, name), command


def test_help_is_whole_and_fits_eighty_columns() -> None:
    for path, command in every_command():
        shown = CliRunner().invoke(main, [*path, "--help"])
        lines = shown.stdout.splitlines()
        assert shown.exit_code == 0, path
        assert max(len(line) for line in lines) <= 80, path
        assert not any(line.endswith("...") for line in lines[1:]), path
        assert len((command.help or "").split()) >= 3, path


def test_every_command_prints_json_and_every_answer_is_brief() -> None:
    for path, command in every_command():
        options = {name for parameter in command.params for name in parameter.opts}
        if not isinstance(command, click.Group):
            assert "--json" in options, path
        # The options of an answer about one chip.
        if path[:1] and path[0] in ANSWERS:
            assert "--brief" in options, path


ANSWERS = {
    *("start", "stability", "locks", "gains", "power", "longevity", "diagnose"),
    *("next-step", "identify", "before-after"),
}


def test_json_of_a_command_is_one_object_and_nothing_else(
    home: Path, tmp_path: Path, sender_folder: Path
) -> None:
    note, result, backups = tmp_path / "note.md", tmp_path / "result.json", tmp_path / "backups"
    catalogue = tmp_path / "own.toml"
    note.write_text(NOTE)
    result.write_text(json.dumps(RESULT))
    catalogue.write_text("nothing = 1\n")
    at = ("--home", str(home))
    rail = ("--domain", "core", "--control", "voltage_offset")
    commands: list[tuple[int, tuple[str, ...]]] = [
        *((0, (name, CHIP, *at)) for name in ("start", "stability", "locks", "gains", "power")),
        *((0, (name, CHIP, *at)) for name in ("longevity", "next-step")),
        (0, ("diagnose", CHIP, *rail, *at)),
        (0, ("cautions",)),
        (0, ("identify", CHIP, *at)),
        (0, ("chips", *at)),
        (0, ("chips", "search", "sable", *at)),
        (0, ("chips", "rebuild", *at)),
        (0, ("catalogue", "show", CHIP, *at)),
        (3, ("catalogue", "check", str(catalogue))),
        (0, ("import", str(result), *at)),
        (0, ("submit", str(result), *at)),
        (0, ("my-submissions", *at)),
        (1, ("correct", "0" * 36, str(result), "--receipt", "kbr_none", *at)),
        (0, ("notes", "load", str(note), *at)),
        (0, ("notes", "list", *at)),
        (0, ("notes", "reviewed", "harbour-15-menu", *at)),
        (0, ("notes", "history", "harbour-15-menu", *at)),
        (0, ("notes", "retire", "harbour-15-menu", *at)),
        (3, ("notes", "publish", "harbour-15-menu", *at)),
        (0, ("keys", "add", "--scope", "curate", *at)),
        (0, ("keys", "list", *at)),
        (0, ("keys", "revoke", "1", *at)),
        (0, ("review", "list", *at)),
        (0, ("submissions", "list", *at)),
        (0, ("find-outliers", *at)),
        (0, ("db", "upgrade", *at)),
        (0, ("check", *at)),
        (0, ("check", "--repair-clock", *at)),
        (0, ("backup", str(backups), *at)),
        (0, ("demo", "--no-serve", "--results", "20", "--home", str(tmp_path / "demo"))),
    ]
    for status, words in commands:
        done = run(*words, "--json")
        assert done.returncode == status, (words, done.stdout, done.stderr)
        assert isinstance(json.loads(done.stdout), dict), words
    (file,) = backups.glob("*.sqlite3")
    restored = run("restore", str(file), *at, "--json")
    assert json.loads(restored.stdout)["results"] == 1, restored.stderr


def completed(words: str) -> list[str]:
    """What a shell offers after these words, and the libraries of the server that were loaded."""
    code = (
        "import os, sys; "
        "os.environ['_KBAPI_COMPLETE'] = 'bash_complete'; "
        f"os.environ['COMP_WORDS'] = {words!r}; "
        f"os.environ['COMP_CWORD'] = '{len(words.split(' ')) - 1}'; "
        "from kbapi.cli.main import main\n"
        "try: main(prog_name='kbapi')\n"
        "except SystemExit: pass\n"
        "libraries = {'numpy', 'scipy', 'pydantic', 'sqlalchemy', 'flask', 'marshmallow'}\n"
        "print(*sorted(libraries & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    return [line.removeprefix("plain,") for line in done.stdout.splitlines()]


@pytest.mark.parametrize(
    ("words", "offered"),
    [
        ("kbapi st", ["start", "stability"]),
        ("kbapi start x --load me", ["memory_heavy"]),
        ("kbapi start x --moved-with core,s", ["core,soc", "core,system_agent"]),
        ("kbapi review decide in", ["include", "invalidate"]),
    ],
)
def test_a_shell_completes_commands_and_closed_lists_without_the_server(
    words: str, offered: list[str]
) -> None:
    assert completed(words) == [*offered, ""]


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_the_guide_says_how_a_shell_gets_its_completion(
    shell: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    line = f"_KBAPI_COMPLETE={shell}_source kbapi"
    assert line in (GUIDES_FOLDER / "first-steps.md").read_text()
    monkeypatch.setenv("_KBAPI_COMPLETE", f"{shell}_source")
    assert f"_KBAPI_COMPLETE={shell}_complete" in run().stdout


def test_no_command_loads_a_library_of_the_server_before_it_runs() -> None:
    """So completion, help and every question to a server are quick."""
    modules = {f"kbapi.cli.{place.partition(':')[0]}" for place, _ in COMMANDS.values()}
    code = (
        f"import sys, {', '.join(sorted(modules))}; "
        "libraries = {'numpy', 'scipy', 'pydantic', 'sqlalchemy', 'flask', 'marshmallow'}; "
        "print(sorted(libraries & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "[]\n"


def test_brief_answers_are_a_few_lines_with_the_next_step_and_a_caution(tmp_path: Path) -> None:
    instance = an_instance(tmp_path)
    for number in range(12):
        setting = a_setting(stable_at=-80 - 4 * number, unstable_at=-85 - 4 * number)
        send(instance, a_submission(setting, number=number))
    instance.close()
    at = ("--home", str(tmp_path / "home"))
    start = run("start", CHIP, "--brief", *at).stdout
    assert "95 % confidence" in start
    assert f"Next: kbapi next-step {CHIP}" in start
    rail = ("--domain", "core", "--control", "voltage_offset")
    for words in (
        *((name, CHIP) for name in ("start", "stability", "locks", "gains", "power", "longevity")),
        ("next-step", CHIP),
        ("diagnose", CHIP, *rail, "--setting", "-74"),
    ):
        shown = run(*words, "--brief", *at)
        assert shown.returncode == 0, shown.stderr
        assert "\nCaution: " in shown.stdout, words
        assert len(shown.stdout.splitlines()) <= 14, words
        assert max(len(line) for line in shown.stdout.splitlines()) <= 80, words
    named = run("identify", CHIP, "--brief", *at)
    assert named.stdout.splitlines()[-1] == f"  Next: kbapi start {CHIP}"


def test_without_a_terminal_and_a_file_the_command_fails(home: Path) -> None:
    done = run("submit", "--home", str(home))
    assert done.returncode == 2
    assert "FILE" in done.stderr


def test_commands_work_with_a_server_as_with_a_folder(home: Path, sender_folder: Path) -> None:
    run("submit", "-", "--home", str(home), stdin=json.dumps(RESULT))
    local = run("stability", "norvane-sable-7-4820mx", "--home", str(home))
    # All cautions are printed again, as on another day.
    (sender_folder / "cautions-printed").unlink()
    with Server(home, workers=1) as server:
        to = ["--to", f"http://127.0.0.1:{server.port}"]
        remote = run("stability", "norvane-sable-7-4820mx", *to)
        refused = run("start", "norvane-sable-7-4820mx", "--confidence", "0.5", *to)
        named = run("identify", "Norvane Sable 7 4820MX", "--json", *to)
    assert remote.stdout == local.stdout
    assert "Results of today wait for five others or for tomorrow." in " ".join(
        local.stdout.split()
    )
    assert max(len(line) for line in local.stdout.splitlines()) <= 80
    assert refused.returncode == 1
    assert "confidence" in refused.stderr
    assert json.loads(named.stdout)["names"][0]["match"] == "exact"


def test_an_unreachable_server_is_reported_with_exit_status_3() -> None:
    for url in (f"http://127.0.0.1:{free_port()}", "no-address"):
        done = run("start", "norvane-sable-7-4820mx", "--to", url)
        assert done.returncode == 3
        assert "Traceback" not in done.stderr


NOTE = """+++
key = "harbour-15-menu"
machine = "harbour-15"
source = "Tidewater Bench Club, bench note 3"
reviewed = "2026-06"
+++
The entry shows only after a cold start.
"""


def test_notes_are_stored_and_listed_and_html_is_refused(home: Path, tmp_path: Path) -> None:
    good, bad = tmp_path / "good.md", tmp_path / "bad.md"
    good.write_text(NOTE)
    bad.write_text(NOTE.replace("cold", "<b>cold</b>"))
    refused = run("notes", "load", str(good), str(bad), "--home", str(home))
    assert refused.returncode != 0
    assert "HTML" in refused.stderr
    assert run("notes", "list", "--home", str(home)).stdout == ""
    assert run("notes", "load", str(good), "--home", str(home)).returncode == 0
    assert "harbour-15-menu" in run("notes", "list", "--home", str(home)).stdout


def test_a_draft_is_published_and_reviewed_and_its_history_shown(
    home: Path, tmp_path: Path
) -> None:
    file, at = tmp_path / "note.md", ("--home", str(home))
    for text, options in ((NOTE, ()), (NOTE.replace("cold", "warm"), ("--draft",))):
        file.write_text(text)
        assert run("notes", "load", str(file), *options, *at).returncode == 0
    assert "harbour-15-menu (draft, not in answers)" in run("notes", "list", *at).stdout
    assert (
        "This note has no earlier text." in run("notes", "history", "harbour-15-menu", *at).stdout
    )
    assert run("notes", "publish", "harbour-15-menu", *at).returncode == 0
    assert "reviewed in 20" in run("notes", "reviewed", "harbour-15-menu", *at).stdout
    shown = run("notes", "history", "harbour-15-menu", *at).stdout
    assert "reviewed in 2026-06" in shown
    assert "cold start" in shown
    assert "is retired" in run("notes", "retire", "harbour-15-menu", *at).stdout
    assert "harbour-15-menu (retired, not in answers)" in run("notes", "list", *at).stdout
    bundled = run("notes", "list", "--catalogue", *at).stdout
    assert bundled.count("reviewed in 2026-11.") > 100
    again = run("notes", "publish", "harbour-15-menu", *at)
    assert again.returncode != 0
    assert "No draft has this key" in again.stderr


def test_locks_are_printed_in_eighty_columns(home: Path) -> None:
    lock = {"domain": "core", "control": "voltage_offset", "status": "open"}
    document = {"chip": RESULT["chip"], "locks": [lock]}
    assert run("submit", "-", "--home", str(home), stdin=json.dumps(document)).returncode == 0
    output = run("locks", "norvane-sable-7-4820mx", "--home", str(home))
    assert output.returncode == 0
    assert "voltage_offset on core\n  Can be set on " in output.stdout
    assert "Possible without voltage control" in output.stdout
    assert max(len(line) for line in output.stdout.splitlines()) <= 80


def test_gains_power_and_longevity_are_printed_in_eighty_columns(home: Path) -> None:
    instance = open_instance(Settings(home=home))
    for number in range(12):
        readings = [
            a_reading(
                state,
                power_w=share * power + number / 10,
                performance=(40 if state == "stock" else 42) * share**0.5,
                **({} if share == 1 else {"power_cap_w": share * power}),
            )
            for share in (1, 0.75, 0.5)
            for state, power in (("stock", 60), ("tuned", 60))
        ]
        send(instance, a_measured(number, *readings))
    instance.close()
    for command, text in (
        ("gains", "performance: 5.0 % more"),
        ("power", "keeps 95 % of stock performance"),
        ("longevity", "Too few follow-ups"),
    ):
        output = run(command, CHIP, "--home", str(home))
        assert output.returncode == 0, output.stderr
        assert text.casefold() in " ".join(output.stdout.split()).casefold()
        assert ("Cautions:" if command == "gains" else "\nCaution: ") in output.stdout
        assert max(len(line) for line in output.stdout.splitlines()) <= 80


def test_all_cautions_are_printed_once_a_day_and_the_first_one_always(
    home: Path, sender_folder: Path
) -> None:
    ask = ("start", CHIP, "--home", str(home))
    cautions = json.loads(run(*ask, "--json").stdout)["cautions"]
    state = sender_folder / "cautions-printed"
    assert not state.exists()
    first, second = (" ".join(run(*ask).stdout.split()) for _ in range(2))
    assert all(caution["text"] in first for caution in cautions)
    assert f"Caution: {cautions[0]['text']} {len(cautions) - 1} more cautions" in second
    assert second.endswith("kbapi cautions")
    assert not any(caution["text"] in second for caution in cautions[1:])
    assert state.read_text() == f"{date.today()}\n"
    state.write_text("2020-01-01\n")
    assert " ".join(run(*ask).stdout.split()) == first
    everything = " ".join(run("cautions").stdout.split())
    assert all(caution["text"] in everything for caution in cautions)


@pytest.mark.parametrize("is_damaged", [False, True])
def test_if_the_day_cannot_be_saved_all_cautions_are_printed(
    home: Path, sender_folder: Path, is_damaged: bool
) -> None:
    state = sender_folder / "cautions-printed"
    if is_damaged:
        state.mkdir(parents=True)
    else:
        sender_folder.parent.mkdir(exist_ok=True)
        sender_folder.write_text("a file where the folder should be")
    for _ in range(2):
        output = run("locks", CHIP, "--home", str(home))
        assert output.returncode == 0, output.stderr
        assert "Cautions:" in output.stdout
        assert output.stderr == ""


def test_json_output_always_has_all_cautions(home: Path, sender_folder: Path) -> None:
    ask = ("start", CHIP, "--home", str(home), "--json")
    assert run(*ask).stdout == run(*ask).stdout
    assert not (sender_folder / "cautions-printed").exists()


def test_a_diagnosis_lists_checks_first_and_then_actions(home: Path) -> None:
    rail = ("--domain", "core", "--control", "voltage_offset")
    output = run(
        *("diagnose", CHIP, *rail, "--setting", "-74", "--changed", "firmware"),
        *("--read-back", "-74", "--shown-by", "less_power", "--home", str(home)),
    )
    assert output.returncode == 0, output.stderr
    assert "Does it fail at stock too" in output.stdout
    assert "Step back by 10 mV to -64 mV." in " ".join(output.stdout.split())
    assert max(len(line) for line in output.stdout.splitlines()) <= 80
    refused = run("diagnose", CHIP, *rail, "--changed", "weather", "--home", str(home))
    assert refused.returncode == 2
    assert "'weather' is not one of: firmware, " in " ".join(refused.stderr.split())


def test_the_month_since_which_reports_are_locked_is_printed(home: Path) -> None:
    lines = [json.dumps(_a_lock(number)) for number in range(40)]
    (home / "locks.ndjson").write_text("\n".join(lines))
    assert run("import", str(home / "locks.ndjson"), "--home", str(home)).returncode == 0
    output = run("locks", "norvane-sable-7-4820mx", "--home", str(home))
    assert "locked on most machines since firmware month 2026-03" in " ".join(output.stdout.split())
    assert max(len(line) for line in output.stdout.splitlines()) <= 80


def _a_lock(number: int) -> dict[str, Any]:
    """Reports of twenty open machines, and of twenty locked ones with newer firmware."""
    is_newer = number >= 20
    lock = {"status": "firmware_locked" if is_newer else "open"}
    lock |= {"domain": "core", "control": "voltage_offset", "found_by": "written_and_read_back"}
    return {
        "chip": RESULT["chip"],
        "unit_token": f"k3v9-demo-unit-{number:06}",
        "contributor_token": f"demo-contributor-{number:06}",
        "locks": [lock],
        "platform": {
            "machine": "harbour-15",
            "firmware_month": "2026-03" if is_newer else "2025-09",
        },
    }


def test_many_results_are_sent_from_a_file_and_refusals_are_counted(
    home: Path, tmp_path: Path
) -> None:
    good = json.dumps(RESULT)
    bad = json.dumps({**RESULT, "settings": [{**RESULT["settings"][0], "stable_at": 80}]})
    file = tmp_path / "results.ndjson"
    file.write_text(f"{good}\n\n{bad}\n{good}\n")
    sent = run("import", str(file), "--json", "--home", str(home))
    assert sent.returncode == 1, sent.stderr
    output = json.loads(sent.stdout.splitlines()[-1])
    assert (output["counts"]["stored"], output["counts"]["refused"]) == (2, 1)
    assert "above_stock" in output["refused_for"]
    file.write_text(f"{bad}\n")
    assert run("import", str(file), "--home", str(home)).returncode == 1
    assert run("import", "--home", str(home)).returncode == 2


def test_an_import_into_a_folder_vouches_for_no_contributor(
    home: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The host's own commands have no key, and so no key that vouches, whatever is set."""
    instance = open_instance(Settings(home=home))
    monkeypatch.setenv("KBAPI_KEY", give_key(instance, "", ("admin",)).key)
    file = tmp_path / "results.ndjson"
    file.write_text(json.dumps(RESULT | {"contributor_token": "tidewater-member-000001"}))
    assert run("import", str(file), "--home", str(home)).returncode == 0
    with instance.reading() as connection:
        flags = connection.exec_driver_sql("SELECT is_vouched FROM contributor").scalars().all()
    assert flags == [0]
    instance.close()


def test_results_of_the_club_and_of_attackers_can_be_sent(home: Path) -> None:
    with Server(home, workers=1) as server:
        to = ["--to", f"http://127.0.0.1:{server.port}"]
        sent = run("import", "--club", "40", "--attackers", "10", "--json", *to)
    assert sent.returncode == 0, sent.stderr
    counts = json.loads(sent.stdout.splitlines()[-1])["counts"]
    assert counts["items"] == 50
    assert counts["stored"] >= 40


def test_chips_are_read_again_and_right_results_stay(home: Path) -> None:
    assert run("submit", "-", "--home", str(home), stdin=json.dumps(RESULT)).returncode == 0
    done = run("chips", "rebuild", "--home", str(home))
    assert done.returncode == 0
    assert "Nothing moves." in done.stdout


def given_key(home: Path, *options: str) -> str:
    done = run("keys", "add", "--scope", "curate", *options, "--home", str(home))
    assert done.returncode == 0, done.stderr
    return done.stdout.strip()


def test_keys_are_printed_once_listed_without_their_text_and_revoked(home: Path) -> None:
    key = given_key(home, "--name", "evening shift")
    assert key.startswith("kbk_")
    listed = run("keys", "list", "--home", str(home))
    assert "1: evening shift (curate)" in listed.stdout
    output = json.loads(run("keys", "list", "--json", "--home", str(home)).stdout)
    assert key[4:] not in listed.stdout + json.dumps(output)
    fields = {"id", "name", "scopes", "created_day", "revoked_day", "fits_secret"}
    assert set(output["keys"][0]) == fields
    waiting = ("review", "list", "--key", key, "--home", str(home))
    assert run(*waiting).returncode == 0
    assert run("keys", "revoke", "1", "--home", str(home)).returncode == 0
    assert "revoked" in run("keys", "list", "--home", str(home)).stdout
    refused = run(*waiting)
    assert refused.returncode == 1
    assert key not in refused.stdout + refused.stderr
    assert run("keys", "revoke", "2", "--home", str(home)).returncode == 1
    assert run("keys", "add", "--scope", "everything", "--home", str(home)).returncode == 2
    named = run("keys", "add", "--scope", "curate", "--name", "a@b.example", "--home", str(home))
    assert named.returncode == 1


def test_a_curator_lists_shows_decides_and_undoes(
    home: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    deep = {**RESULT["settings"][0], "stable_at": -200, "unstable_at": -210}
    instance = open_instance(Settings(home=home))
    sent = send(instance, {**RESULT, "client": "broken-script/0.1", "settings": [deep]})
    instance.close()
    setting = f"{sent.id}/0"
    assert setting in run("review", "list", "--home", str(home)).stdout
    monkeypatch.setenv("KBAPI_KEY", given_key(home))
    with Server(home, workers=1) as server:
        to = ["--to", f"http://127.0.0.1:{server.port}"]
        listed = run("review", "list", *to)
        shown = run("review", "show", setting, *to)
        why = ("--reason", "depth_confirmed")
        decided = run("review", "decide", "include", setting, *why, *to)
        empty = run("review", "list", *to)
    assert setting in listed.stdout
    assert "passed at 200 mV, failed at 210 mV below stock" in listed.stdout
    assert "contributor 1, shared by all senders without a token, 0 other results" in listed.stdout
    assert "Without it: no start" in shown.stdout
    assert "If it counts: no start (too_few_units), from 1 units" in shown.stdout
    assert "Cautions:" in shown.stdout
    assert f"{setting}: excluded -> counted" in decided.stdout
    assert empty.stdout.strip() == "No setting and no pool waits for a decision."
    undone = run("review", "undo", setting, "--home", str(home))
    assert f"{setting}: counted -> excluded" in undone.stdout
    bulk = ("--client", "broken-script/0.1", "--reason", "script_error", "--yes")
    bulk += ("--home", str(home))
    decided = run("review", "decide", "invalidate", *bulk)
    assert "1 of 1 settings got this decision" in decided.stdout
    again = run("review", "show", setting, "--home", str(home))
    assert "invalidate, script_error (key 1, without a name)" in again.stdout
    for done in (listed, shown, decided, undone, again):
        assert done.returncode == 0, done.stderr
        assert max(len(line) for line in done.stdout.splitlines()) <= 80


def test_an_impossible_decision_is_reported(home: Path) -> None:
    key = ("--key", given_key(home), "--home", str(home))
    nothing = run("review", "decide", "include", "--reason", "depth_confirmed", *key)
    assert nothing.returncode == 2
    unnamed = run("review", "undo", "no-ordinal", *key)
    assert unnamed.returncode == 2
    unknown = run(
        "review", "decide", "invalidate", f"{'0' * 36}/0", "--reason", "depth_confirmed", *key
    )
    assert unknown.returncode == 1
    assert "setting_unknown" in unknown.stderr
    assert "reason_does_not_fit" in unknown.stderr
    assert run("review", "show", f"{'0' * 36}/0", *key).returncode == 1


def test_pools_are_checked_for_outliers_and_stored_only_with_apply(home: Path) -> None:
    lines = []
    for number in range(14):
        depth = 158 if number == 13 else 80 + number
        setting = RESULT["settings"][0] | {"stable_at": -depth, "unstable_at": -depth - 2}
        tokens = {
            "unit_token": f"tidewater-unit-{number:06}",
            "contributor_token": f"tidewater-member-{number:06}",
        }
        lines.append(json.dumps(RESULT | tokens | {"settings": [setting]}))
    (home / "results.ndjson").write_text("\n".join(lines))
    assert run("import", str(home / "results.ndjson"), "--home", str(home)).returncode == 0
    found = json.loads(run("find-outliers", "--json", "--home", str(home)).stdout)
    assert [(one["chip"], one["units_excluded"]) for one in found["changed"]] == [
        (RESULT["chip"], {"outlier_deep": 1})
    ]
    for arguments in ((), ("--apply",)):
        output = run("find-outliers", *arguments, "--home", str(home))
        assert output.returncode == 0, output.stderr
        assert "Excluded now: 1 units that are outliers on the deep side." in output.stdout
        flat = " ".join(output.stdout.split())
        assert "No contributor is established: new contributors count in full." in flat
        assert all(len(line) <= 80 for line in output.stdout.splitlines())
    assert "0 of 1 pools" in run("find-outliers", "--home", str(home)).stdout
