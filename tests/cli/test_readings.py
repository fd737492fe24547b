import subprocess
import sys

import orjson
import pytest
from click.testing import CliRunner

from kbapi.cli.main import main
from tests.api.measured import a_measured, a_reading
from tests.makers import a_submission
from tests.system.server import Server
from tests.telemetry.logs import a_log


@pytest.fixture
def logs(tmp_path):
    return [
        a_log(tmp_path, usual=(power, 3600.0, heat), name=f"{name}.csv")
        for name, power, heat in (("stock", 60.0, 84.0), ("tuned", 52.0, 76.0))
    ]


def run(*arguments: object):
    return CliRunner().invoke(main, [str(one) for one in arguments])


def test_a_log_becomes_a_reading_without_a_subcommand(logs):
    asked = ("--state", "stock", "--load", "all_core", "--performance", "41.2:jobs_per_h")
    for words in (("reading",), ("reading", "from-logs")):
        result = run(*words, logs[0], *asked, "--json")
        assert result.exit_code == 0, result.output
        reading = orjson.loads(result.stdout)
        assert (reading["power_w"], reading["performance"]) == (60.0, 41.2)


def test_a_question_leaves_with_1_and_says_what_to_type(tmp_path):
    log = a_log(tmp_path, usual=(60.0, 3600.0, 190.0))
    result = run("reading", log, "--state", "stock", "--load", "all_core", "--json")
    assert result.exit_code == 1
    assert "--column temp_c='CPU temperature [°C]:°f'" in " ".join(result.stderr.split())
    answered = run("reading", log, "--state", "stock", "--load", "all_core", "--json",
                   "--column", "temp_c=CPU temperature [°C]:°f")  # fmt: skip
    assert answered.exit_code == 0
    assert orjson.loads(answered.stdout)["temp_avg_c"] == 87.778


def test_columns_in_use_are_saved_and_used_again(logs, tmp_path):
    asked = ("--state", "stock", "--load", "all_core")
    saved = tmp_path / "columns.json"
    run("reading", logs[0], *asked, "--columns-to", saved)
    assert orjson.loads(saved.read_bytes())["power_w"] == "CPU package power [W]:w"
    assert run("reading", logs[1], *asked, "--columns-from", saved).exit_code == 0


@pytest.mark.parametrize(
    ("more", "message"),
    [
        (("--column", "watts=x"), "watts is no quantity"),
        (("--column", "power_w=No such"), "has no column named"),
        (("--performance", "fast"), "41.2:jobs_per_h"),
    ],
)
def test_what_was_typed_wrong_is_said(logs, more, message):
    result = run("reading", logs[0], "--state", "stock", "--load", "all_core", *more)
    assert result.exit_code == 1
    assert message in result.output


def test_before_after_writes_a_document_and_pictures(logs, tmp_path):
    for picture in ("runs.png", "runs.svg"):
        wanted = ("--write", tmp_path / "result.json", "--picture", tmp_path / picture)
        result = run("before-after", "--stock", logs[0], "--tuned", logs[1], *wanted)
        assert result.exit_code == 0, result.output
    assert "noise between runs is unknown" in " ".join(result.output.split())
    assert (tmp_path / "runs.png").read_bytes().startswith(b"\x89PNG")
    svg = (tmp_path / "runs.svg").read_text()
    assert "<title>Tuned: power -13.3 %" in svg
    assert [one["state"] for one in orjson.loads((tmp_path / "result.json").read_bytes())[
        "readings"]] == ["stock", "tuned"]  # fmt: skip


def test_other_commands_do_not_load_what_logs_need():
    code = "import sys, kbapi.cli.readings; print([n for n in sys.modules if 'telemetry' in n])"
    loaded = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    )
    assert loaded.stdout == "[]\n"


@pytest.fixture
def runs(tmp_path):
    """Logs of three runs at stock and three tuned, as options of the command."""
    found = []
    for side, powers in (("stock", (60.1, 59.8, 60.0)), ("tuned", (52.2, 51.9, 52.0))):
        for power in powers:
            log = a_log(tmp_path, usual=(power, 3600.0, 80.0), name=f"{side}-{power}.csv")
            found += [f"--{side}", log]
    return found


def test_before_after_shows_where_the_own_change_lies_among_others(runs, tmp_path):
    with Server(tmp_path / "home", workers=1) as server:
        for number, percent in enumerate((2, 4, 6, 8, 10, 14, 16, 18, 20)):
            reply = server.ask(
                "POST",
                "/v1/submissions",
                a_measured(
                    number,
                    a_reading("stock"),
                    a_reading(
                        "tuned", power_w=60 * (1 - percent / 100), temp_avg_c=84 - 0.62 * percent
                    ),
                ),
            )
            assert reply.status == 201, reply.body
        url = f"http://127.0.0.1:{server.port}"
        result = run("before-after", *runs, "--to", url, "--chip", a_submission()["chip"], "--json")
        assert result.exit_code == 0, (result.output, result.exception)
        shown = orjson.loads(result.stdout)
        unknown = run("before-after", *runs, "--to", url, "--chip", "no such chip")
        unnamed = run("before-after", *runs, "--to", url)
    unreached = run("before-after", *runs, "--to", url, "--chip", a_submission()["chip"])
    assert shown["others"] == [
        "Your power: 13.2 % less; the ratio is lower on 4 of 9 machines.",
    ]
    for refused, status, message in (
        (unknown, 1, "query is invalid"),
        (unnamed, 1, "Name the chip with --chip."),
        (unreached, 3, "server cannot be reached"),
    ):
        assert refused.exit_code == status
        assert message in " ".join(refused.output.split())
