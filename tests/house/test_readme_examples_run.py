"""The README's commands are run as they stand there, against a demo of their own."""

import json
import re
import shlex
import subprocess
from pathlib import Path

import pytest

from tests.needs import program
from tests.system.server import KBAPI, Server

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text()
BLOCKS = re.findall(r"```sh\n(.*?)```", README, re.DOTALL)
CURLS = [block for block in BLOCKS if block.startswith("curl")]


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    home = tmp_path_factory.mktemp("readme") / "home"
    command = [*KBAPI, "demo", "--home", str(home), "--no-serve", "--results", "900"]
    subprocess.run(command, check=True, timeout=120)
    return home


def test_every_curl_of_the_tour_gets_the_answer_it_shows(demo: Path) -> None:
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


def test_the_commands_for_a_fresh_machine_name_what_exists() -> None:
    demo, tests = BLOCKS[0], BLOCKS[1]
    assert demo.strip().endswith(".venv/bin/kbapi demo")
    assert "pip install --quiet -r tests/constraints.txt" in tests
    assert tests.strip().endswith(".venv/bin/python -m pytest -n auto")
    assert (ROOT / ".ci" / "run").read_text().count("README.md") == 1


def test_a_curators_first_steps_run_as_they_stand(demo: Path) -> None:
    (block,) = (block for block in BLOCKS if "kbapi keys add" in block)
    give, *rest = block.strip().splitlines()
    begin = f'kbapi() {{ {shlex.join(KBAPI)} "$@"; }}; export KBAPI_HOME={demo}; set -e; {give}'
    find = "kbapi review list --json --limit 100"
    found = subprocess.run(
        ["bash", "-c", f"{begin}; {find}"], capture_output=True, check=True, timeout=120
    )
    waiting = json.loads(found.stdout)["waiting"]
    deep = next(one for one in waiting if one["reasons"][0]["code"] == "beyond_soft_bound")
    setting = f"{deep['submission']}/{deep['ordinal']}"
    steps = "; ".join(rest).replace("ID/0", setting)
    ran = subprocess.run(
        ["bash", "-c", f"{begin}; {steps}"], capture_output=True, text=True, timeout=120
    )
    assert ran.returncode == 0, ran.stderr
    assert "Without it: start at" in ran.stdout
    assert f"{setting}: excluded -> counted" in ran.stdout
