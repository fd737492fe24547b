"""Every example of the README and of the guides is run, sent or compared, as printed."""

import json
import os
import re
import shlex
import shutil
import subprocess
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from kbapi.cli.main import main
from kbapi.documents.sender import Sender
from kbapi.instance.instance import open_instance
from kbapi.pages.views import GUIDES_FOLDER
from kbapi.settings import Settings
from tests.house.test_hosting_examples import OF_CONTAINERS
from tests.house.texts import BLOCKS, README, ROOT, Block
from tests.house.write_readme import (
    PICTURES,
    between_marks,
    fill_demo,
    guide_pictures,
    start_of,
)
from tests.needs import program
from tests.postgres import execute, shared_server_url
from tests.processes import kbapi_of_a_shell, run_kbapi
from tests.system.server import Server
from tests.telemetry.logs import HEADER, a_log

SHELL = [block for block in BLOCKS if block.language == "sh"]
ON_SERVERS = [block.text for block in SHELL if "postgresql://" in block.text]
CURLS = [block.text for block in SHELL if block.text.startswith("curl")]
(OF_SCRIPTS,) = [block for block in SHELL if "kbapi_client.py send" in block.text]
OF_LOGS = [block.text for block in SHELL if re.match("kbapi (reading|before-after) ", block.text)]
(OF_WINDOWS,) = [block for block in BLOCKS if block.language == "ps1"]
(IN_PYTHON,) = [block for block in BLOCKS if block.language == "python"]
SENT = [block for block in BLOCKS if block.language == "json" and block.request]
COMPARED = [block for block in BLOCKS if block.language == "json" and not block.request]
MEMBER = "tidewater-reader-of-guides"


def shell_with(words: str) -> str:
    """The one example on a folder that holds these words."""
    (text,) = {block.text for block in SHELL if words in block.text} - {*ON_SERVERS}
    return text


CHECK, CHECK_BACKUP, REPAIR_CLOCK = (
    shell_with(words) for words in ("kbapi check\n", "kbapi check --backup", "check --repair-clock")
)


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    home = tmp_path_factory.mktemp("readme") / "home"
    fill_demo(home)
    return home


@pytest.fixture(scope="module")
def small_demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """For commands whose answers do not depend on how many results there are."""
    home = tmp_path_factory.mktemp("readme") / "home"
    fill_demo(home, "--results", "700")
    return home


# The first to see the demo: examples that follow change it.
def test_the_start_in_the_readme_is_the_answer_of_the_demo(demo: Path) -> None:
    assert between_marks(README, start_of(demo)) == README, (
        "run python -m tests.house.write_readme and look at the difference"
    )


def test_the_pictures_of_the_first_steps_show_the_demo(demo: Path) -> None:
    stored = {path.name: path.read_bytes() for path in PICTURES.iterdir()}
    assert guide_pictures(demo) == stored, "run python -m tests.house.write_readme"
    guide = (GUIDES_FOLDER / "first-steps.md").read_text()
    shown = re.findall(r"!\[([^\]]{20,})\]\(../static/guides/([a-z-]+\.svg)\)", guide)
    assert {name for _, name in shown} == set(stored)


def test_every_curl_gets_the_answer_it_shows(demo: Path) -> None:
    program("curl")
    assert len(CURLS) == 4
    with Server(demo) as server:
        answers = []
        for block in CURLS:
            command = block.replace("127.0.0.1:8080", f"127.0.0.1:{server.port}")
            run = subprocess.run(["bash", "-c", command], capture_output=True, check=True)
            answers.append(json.loads(run.stdout))
    start, accepted, problem, step = answers
    assert start["start"]["setting_mv"] < 0
    assert accepted["screening"]["status"] == "counted"
    assert accepted["receipt"].startswith("kbr_")
    assert step["next_step"]["setting_mv"] < -70
    assert {error["pointer"] for error in problem["errors"]} == {"chp", "chip", "confidence"}


def sent_to(server: Server, block: Block, keys: dict[str, str]) -> tuple[int, dict[str, Any]]:
    """The status and the answer of a document in a guide, sent to the route in the guide."""
    method, path = block.request.split()
    headers = {"Authorization": f"Bearer {keys['curator' if '/review/' in path else 'receipt']}"}
    if path == "/v1/submissions":
        headers = {}
    reply = server.ask(method, path.replace("{id}", keys["id"]), json.loads(block.text), headers)
    return reply.status, reply.json


def test_every_document_of_the_guides_is_accepted(demo: Path) -> None:
    assert [block.request for block in SENT] == [
        "POST /v1/diagnose",
        "POST /v1/review/decisions?dry_run=true",
        "POST /v1/submissions",
        "POST /v1/submissions/{id}/follow-ups",
    ]
    added = run_kbapi(("keys", "add", "--scope", "curate", "--home", str(demo)), os.environ)
    keys = {"curator": added.stdout.strip()}
    diagnose, decide, submit, follow_up = SENT
    with Server(demo) as server:
        status, accepted = sent_to(server, submit, keys | {"id": "", "receipt": ""})
        assert status == 201
        assert accepted["screening"] == {"status": "counted", "reasons": []}
        keys |= {"id": accepted["id"], "receipt": accepted["receipt"]}
        status, followed = sent_to(server, follow_up, keys)
        assert (status, followed["status"]) == (201, "counted")
        reply = server.ask("POST", "/v1/diagnose", json.loads(diagnose.text))
        assert (reply.status, reply.json["level"]) == (200, "chip")
        compared = {one["change"] for one in reply.json["after_changes"] if one["is_yours"]}
        assert compared == {"firmware", "season"}
        status, decided = sent_to(server, decide, keys)
        assert (status, decided["decided"]) == (200, 1)


def test_the_commands_for_a_fresh_machine_name_what_exists() -> None:
    demo, tests = (block.text for block in SHELL if "-m venv" in block.text)
    assert demo.strip().endswith(".venv/bin/kbapi demo")
    assert "pip install --quiet -r tests/constraints.txt" in tests
    assert tests.strip().endswith(".venv/bin/python -m pytest -n auto")
    ci = (ROOT / ".ci" / "run").read_text()
    assert ci.count("README.md") == 1
    (pattern,) = re.findall(r"grep -E '(.*)' README\.md", ci)
    assert re.findall(pattern, README, re.MULTILINE) == [tests.strip()]


def with_kbapi(home: Path, commands: str) -> str:
    """The commands as a script for this instance in which no path of `kbapi` is named."""
    named = commands.replace("sudo -u kbapi /opt/kbapi/bin/kbapi", "kbapi")
    return f"export KBAPI_HOME={home}; set -e; {named}"


def ran(script: str) -> subprocess.CompletedProcess[str]:
    environment = {name: text for name, text in os.environ.items() if name != "KBAPI_KEY"}
    with kbapi_of_a_shell() as definition:
        command = ["bash", "-c", f"{definition}; {script}"]
        return subprocess.run(
            command,
            env=environment,
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            timeout=900,
        )


def found_by(demo: Path, command: str) -> Any:
    """The JSON answer of a command on the demo."""
    done = ran(with_kbapi(demo, command))
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def test_a_curators_first_steps_run_as_printed(small_demo: Path) -> None:
    steps = shell_with("kbapi review list").strip().splitlines()
    waiting = found_by(small_demo, "kbapi review list --json --limit 100")["waiting"]
    deep = next(one for one in waiting if one["reasons"][0]["code"] == "beyond_soft_bound")
    setting = f"{deep['submission']}/{deep['ordinal']}"
    done = ran(with_kbapi(small_demo, "; ".join(steps).replace("ID/0", setting)))
    assert done.returncode == 0, done.stderr
    assert "Without it: start at" in done.stdout
    assert f"{setting}: excluded -> counted" in done.stdout


def test_what_counts_is_found_excluded_and_erased_as_printed(small_demo: Path) -> None:
    steps = [
        *shell_with("--order influence").splitlines(),
        *shell_with("submissions erase").splitlines(),
    ]
    page = found_by(small_demo, "kbapi submissions list --order influence --json")
    first = page["submissions"][0]
    others = [one for one in page["submissions"] if one["contributor"] != first["contributor"]]
    asking = ("review decide", "review undo", "erase")
    agreed = [f"{one} --yes" if any(word in one for word in asking) else one for one in steps]
    named = "; ".join(agreed).replace(" 17", f" {first['contributor']}")
    done = ran(with_kbapi(small_demo, named.replace(" ID", f" {others[0]['id']}")))
    assert done.returncode == 0, done.stderr
    assert f"Contributor {first['contributor']}: without th" in done.stdout
    assert "counted -> excluded" in done.stdout
    assert "excluded -> counted" in done.stdout
    assert f"of contributor {first['contributor']} w" in done.stdout


def test_keys_are_added_listed_and_revoked_as_the_guide_shows(tmp_path: Path) -> None:
    home = tmp_path / "home"
    done = ran(with_kbapi(home, f"kbapi db upgrade; {shell_with('autumn meeting')}"))
    assert done.returncode == 0, done.stderr
    assert "autumn meeting" in done.stdout


def test_a_backup_is_made_checked_and_restored_as_the_guide_shows(
    small_demo: Path, tmp_path: Path
) -> None:
    backup = shell_with("kbapi backup").replace("/srv", str(tmp_path))
    (tmp_path / "backup" / "kbapi").mkdir(parents=True)
    (tmp_path / "other").mkdir()
    upgrade = shell_with("kbapi db upgrade")
    done = ran(with_kbapi(small_demo, f"{backup}{CHECK}{REPAIR_CLOCK}{upgrade}"))
    assert done.returncode == 0, done.stderr
    (copy,) = (tmp_path / "backup" / "kbapi").glob("*.sqlite3")
    assert re.fullmatch(r"kbapi-\d{8}T\d{6}\.\d{6}Z\.sqlite3", copy.name)
    shown = shell_with("bin/kbapi restore").split()[5]
    assert re.fullmatch(r"kbapi-\d{8}T\d{6}\.\d{6}Z\.sqlite3", Path(shown).name)
    checked = ran(with_kbapi(small_demo, CHECK_BACKUP.replace(CHECK_BACKUP.split()[-1], str(copy))))
    assert checked.returncode == 0, checked.stderr
    restore = shell_with("bin/kbapi restore").replace(shown, str(copy))
    done = ran(with_kbapi(small_demo, restore.replace("/var/lib/kbapi", str(small_demo))))
    assert done.returncode == 0, done.stderr
    open_instance(Settings(home=small_demo)).close()
    assert list(small_demo.glob("kbapi.sqlite3.before-*")) != []


def test_an_instance_is_made_on_a_server_and_moved_there_as_the_guides_show(
    small_demo: Path, tmp_path: Path
) -> None:
    assert len(ON_SERVERS) == 2
    for number, text in enumerate(ON_SERVERS):
        url = f"{shared_server_url().rpartition('/')[0]}/guide_{number}"
        execute(shared_server_url(), f"DROP DATABASE IF EXISTS guide_{number} WITH (FORCE)")
        execute(shared_server_url(), f"CREATE DATABASE guide_{number} TEMPLATE template0")
        home = tmp_path / "empty"
        if " move " in text:
            home = tmp_path / "home"
            shutil.copytree(small_demo, home)
        lines = re.sub(r"'?postgresql://[^\s']+'?", url, text).splitlines()
        run = [line for line in lines if "PGPASS" not in line and " serve " not in line]
        script = "\n".join([*run, f"KBAPI_DATABASE={url} kbapi check --home {home}"])
        script = re.sub(r"--home (DIR|/var/lib/kbapi)", f"--home {home}", script)
        done = ran(with_kbapi(home, script))
        wrong = [line.split()[1] for line in done.stdout.splitlines() if "WRONG" in line]
        # The server of the tests has no fsync, and the check says so.
        assert (wrong, done.returncode) == (["server"], 1), done.stdout + done.stderr
        assert "every value is as it was written" in done.stdout
        execute(shared_server_url(), f"DROP DATABASE guide_{number} WITH (FORCE)")


def test_the_evening_of_a_member_runs_as_printed(small_demo: Path, tmp_path: Path) -> None:
    """Without a terminal the search only answers, and a file stands for the questions."""
    lines = [line.partition("#")[0].strip() for line in shell_with("kbapi withdraw").splitlines()]
    setting = {"domain": "core", "control": "voltage_offset", "stable_at": -40, "in_use": -30}
    mine = tmp_path / "mine.json"
    mine.write_text(json.dumps({"chip": "norvane-sable-7-4820mx", "settings": [setting]}))
    with Server(small_demo) as server:
        script = "\n".join(lines).replace("127.0.0.1:8080", f"127.0.0.1:{server.port}")
        script = script.replace("kbapi identify", "kbapi identify 'Norvane Sable 7 4820MX'")
        script = re.sub("kbapi next-step .*", r"\g<0> --json", script)
        sent = f"ID=$(kbapi submit {mine} --json | tee /dev/stderr | {_ID_OF})"
        script = script.replace("kbapi submit\n", f"{sent}\n")
        script = re.sub(r"\bID\b(?!=)", "$ID", script).replace("result.json", str(tmp_path / "r"))
        config = f"export XDG_CONFIG_HOME={tmp_path}; "
        done = ran(config + with_kbapi(small_demo, script))
    assert done.returncode == 0, done.stderr
    for text in ("key norvane-sable-7-4820mx", "in use: core -30 mV", "Corrected ", "Withdrawn: "):
        assert text in done.stdout
    assert json.loads((tmp_path / "kbapi" / "sender.json").read_text())["receipts"] == {}


def test_the_client_is_fetched_and_used_as_the_guide_shows(
    small_demo: Path, tmp_path: Path
) -> None:
    program("curl")
    setting = {"domain": "core", "control": "voltage_offset", "stable_at": -42, "unstable_at": -48}
    result = {"chip": "norvane-sable-7-4820mx", "settings": [setting]}
    (tmp_path / "result.json").write_text(json.dumps(result))
    environment = {**os.environ, "XDG_CONFIG_HOME": str(tmp_path / "config")}
    windows = OF_WINDOWS.text.replace("curl.exe", "curl").replace("py kbapi_", "python3 kbapi_")
    script = f"cat > example.py <<'END'\n{IN_PYTHON.text}END\npython3 example.py"
    with Server(small_demo) as server:
        shown = f"set -e\n{OF_SCRIPTS.text}\n{windows}\n{script}"
        done = subprocess.run(
            ["bash", "-c", shown.replace("127.0.0.1:8080", f"127.0.0.1:{server.port}")],
            env=environment,
            cwd=tmp_path,
            capture_output=True,
            text=True,
        )
    assert done.returncode == 0, done.stderr
    asked, _ = done.stdout.split("result.json: ", 1)
    assert asked.startswith("Norvane Sable 7 4820MX")
    sent = re.findall(
        r"^(?:result.json: )?(?:counted|unverified) ([0-9a-f-]{36})$", done.stdout, re.MULTILINE
    )
    # The shell of Windows sends the same result, and the script another one of the same unit.
    assert len(sent) == 3
    assert len(set(sent)) == 2
    kept = json.loads((tmp_path / "config" / "kbapi" / "sender.json").read_text())
    assert (len(kept["units"]), set(kept["receipts"])) == (1, set(sent))


_ID_OF = "python3 -c 'import json, sys; print(json.load(sys.stdin)[\"id\"])'"


def test_the_senders_file_of_the_guide_is_one() -> None:
    (example,) = [block.text for block in COMPARED if "unit_token" in block.text]
    sender = Sender.model_validate_json(example)
    assert (len(sender.units), len(sender.receipts)) == (1, 1)


def test_the_server_takes_the_options_that_are_shown() -> None:
    from kbapi.cli.serve import serve_command

    _, command, *words = shell_with("kbapi serve").split()
    known = {name for option in serve_command.params for name in option.opts}
    assert command == serve_command.name
    assert {word for word in words if word.startswith("--")} <= known
    assert words[words.index("--port") + 1] == "8080"


def test_the_table_of_a_host_in_the_guide_is_a_sound_catalogue_file(tmp_path: Path) -> None:
    (example,) = [block.text for block in BLOCKS if block.language == "toml"]
    file = tmp_path / "own.toml"
    file.write_text(example)
    command = ("catalogue", "check", str(file))
    checked = run_kbapi(command, os.environ)
    assert checked.returncode == 0, checked.stdout + checked.stderr
    file.write_text(example.replace("voltage_offset", "voltage_offsets"))
    assert run_kbapi(command, os.environ).returncode == 3


def test_logs_become_readings_as_the_guide_shows(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    stock, tuned = (45.0, 3600.0, 71.0), (45.0, 3700.0, 70.0)
    for name, usual in (("stock", stock), ("tuned", tuned)):
        for number in (1, 2, 3):
            values = (usual[0], usual[1] + number, usual[2])
            idle = dict.fromkeys(range(60), (5.0, 800.0, 40.0))
            a_log(tmp_path, changes=idle, usual=values, name=f"{name}{number}.csv")
    for command in OF_LOGS:
        if "Sensor 3" in command:
            header = (*HEADER[:3], "Sensor 3")
            idle = dict.fromkeys(range(60), (5.0, 800.0, 104.0))
            a_log(tmp_path, header, idle, usual=(45.0, 3600.0, 160.0), name="stock1.csv")
        done = CliRunner().invoke(main, shlex.split(command.replace("\\\n", " "))[1:])
        assert done.exit_code == 0, done.output
    assert (tmp_path / "runs.png").read_bytes().startswith(b"\x89PNG")
    assert [one["state"] for one in json.loads((tmp_path / "result.json").read_text())["readings"]]


def test_no_example_is_left_out() -> None:
    """What is neither run nor sent nor compared above, or by the test of the hosting examples."""
    run = [*CURLS, shell_with("kbapi review list"), shell_with("autumn meeting")]
    run += [shell_with("--order influence"), shell_with("submissions erase")]
    run += [shell_with(f"kbapi {name}") for name in ("backup", "db upgrade")]
    run += [shell_with("bin/kbapi restore")]
    run += [CHECK, CHECK_BACKUP, REPAIR_CLOCK]
    run += [shell_with("kbapi serve"), shell_with("kbapi withdraw"), OF_SCRIPTS.text, *OF_LOGS]
    run += [*(one.text for one in SHELL if "-m venv" in one.text), *OF_CONTAINERS]
    run += ON_SERVERS
    assert [block for block in SHELL if block.text not in run] == []
    assert [block.place for block in COMPARED] == ["README", "data-format"]
    assert {block.language for block in BLOCKS} == {
        *("sh", "ps1", "python", "json", "ini", "nginx", "toml", "yaml", "sql")
    }
