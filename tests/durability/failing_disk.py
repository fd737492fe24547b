"""A disk that fails under a running server: health reports it, reads go on, nothing is lost."""

import errno
import json
import tempfile
import time
from pathlib import Path
from typing import Any

from tests.durability._clients import CHIP, Promises, ask_once, clients, kbapi, read_database
from tests.durability._faults import FAILING_KBAPI, Fault, a_disk_image, repair, turn_read_only
from tests.report import Row, measured, not_measured
from tests.system.server import Server

START = f"/v1/start?chip={CHIP}"
LOOKS = 12
"""Requests on connections of their own, so that both workers answer some."""


def measure(*, short: bool = False) -> list[Row]:
    """Rows for each way a disk can fail."""
    rounds = 1 if short else 10
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        return [
            *_failing_writes(folder / "eio", "I/O errors", errno.EIO, rounds, spare=short),
            *_failing_writes(
                folder / "erofs", "read-only for SQLite", errno.EROFS, rounds, spare=short
            ),
            *_failing_reads(folder / "reads", spare=short),
            *_read_only_by_itself(folder / "own", spare=short),
        ]


def _ready(server: Server) -> Any:
    return ask_once(server.port, "GET", "/health/ready").body


def _states(server: Server) -> set[str]:
    return {_ready(server)["writes"] for _ in range(LOOKS)}


def _asked(server: Server) -> int:
    """How many of 20 questions were answered, some of them from nothing stored."""
    paths = [f"{START}&stable_share=0.{50 + number}" for number in range(20)]
    return [ask_once(server.port, "GET", path).status for path in paths].count(200)


def _wait_for(reached: Any) -> float:
    """How long it took, in seconds; the row of the outcome says whether it was reached."""
    begun = time.monotonic()
    while not reached() and time.monotonic() < begun + 60:
        time.sleep(0.05)
    return time.monotonic() - begun


def _troubles(server: Server) -> list[tuple[str, str]]:
    """Begin and end of each trouble that the log has, all of them at level ERROR."""
    lines = [json.loads(line) for line in server.log.read_text().splitlines() if line[:1] == "{"]
    return [
        (line["event"], line.get("problem", ""))
        for line in lines
        if line["event"].startswith("trouble") and line["level"] == "ERROR"
    ]


def _failing_writes(folder: Path, what: str, number: int, rounds: int, *, spare: bool) -> list[Row]:
    folder.mkdir()
    promises, fault = Promises(), Fault(folder / "fault")
    seen: set[str] = set()
    asked = resumed = 0
    seconds = 0.0
    with Server(folder / "home", program=FAILING_KBAPI, DRILL_FAULT=str(fault.file)) as server:
        workers = server.all_workers()
        for _ in range(rounds):
            with clients(server.port, promises, spare=spare):
                goal = len(promises.acknowledged) + 50
                _wait_for(lambda goal=goal: len(promises.acknowledged) >= goal)
                fault.begin("write", number)
                refused = promises.refused.total() + 50
                _wait_for(lambda refused=refused: promises.refused.total() >= refused)
                seen |= _states(server)
                asked += _asked(server)
                fault.end()
                goal = len(promises.acknowledged) + 50
                _wait_for(lambda goal=goal: len(promises.acknowledged) >= goal)
                resumed += _states(server) == {"accepted"}
        troubles = _troubles(server)
        fault.begin("write", number)  # without any client: health finds it by itself
        seconds = _wait_for(lambda: _ready(server)["writes"] != "accepted")
        alone = _states(server)
        fault.end()
        _wait_for(lambda: _ready(server)["writes"] == "accepted")
        alone_again = _states(server)
        died = len(workers - server.worker_processes())
        server.end()
    found = read_database(server.home / "kbapi.sqlite3")
    return [
        measured(f"{what}: states of writes seen", len(seen), "states", "== 1", ", ".join(seen)),
        measured(f"{what}: that say accepted", "accepted" in seen, "states", "== 0"),
        measured(f"{what}: questions answered", asked, "questions", f"== {20 * rounds}"),
        measured(f"{what}: answers that should not be", len(promises.odd), "answers", "== 0"),
        measured(f"{what}: rounds after which writing went on", resumed, "", f"== {rounds}"),
        measured(f"{what}: first line of the log", len(troubles[:1]), "lines", "== 1"),
        measured(f"{what}: lines of the log", len(troubles), "lines", f"<= {2 * rounds}"),
        measured(f"{what}: found without clients", "accepted" not in alone, "", "== 1"),
        measured(f"{what}: found after", seconds, "s", ""),
        measured(f"{what}: its end was found", alone_again == {"accepted"}, "", "== 1"),
        measured(f"{what}: workers that died", died, "", "== 0"),
        measured(f"{what}: acknowledged results lost", found.lost(promises), "results", "== 0"),
        measured(f"{what}: results stored twice", found.doubled, "results", "== 0"),
        measured(f"{what}: the file is sound", found.is_sound, "", "== 1"),
    ]


def _failing_reads(folder: Path, *, spare: bool) -> list[Row]:
    folder.mkdir()
    promises, fault = Promises(), Fault(folder / "fault")
    with Server(folder / "home", program=FAILING_KBAPI, DRILL_FAULT=str(fault.file)) as server:
        with clients(server.port, promises, spare=spare):
            _wait_for(lambda: len(promises.acknowledged) >= 50)
        fault.begin("read", errno.EIO)
        codes: set[str] = set()

        def is_met() -> bool:
            answer = ask_once(server.port, "GET", f"{START}&stable_share=0.{60 + len(codes)}")
            codes.add(answer.body.get("type", "answered"))
            return "/problems/disk_error" in codes

        _wait_for(is_met)
        live = ask_once(server.port, "GET", "/health/live").status
        fault.end()
        conditions = [_ready(server)["conditions"] for _ in range(LOOKS)]
        asked = _asked(server)
        server.reload()
        after = [_ready(server)["conditions"] for _ in range(LOOKS)]
        troubles = _troubles(server)
        server.end()
    steps = (
        ("/problems/disk_error" in codes)
        + (live == 200)
        + (conditions == [["storage_damaged"]] * LOOKS)
        + (asked == 20)
        + (after == [[]] * LOOKS)
        + (troubles == [("trouble_began", "storage_damaged")])
    )
    return [measured("unreadable pages: reported until a reload, reads go on", steps, "", "== 6")]


def _read_only_by_itself(folder: Path, *, spare: bool) -> list[Row]:
    what = "a file system that turns read-only by itself"
    promises = Promises()
    with a_disk_image(folder) as disk:
        if disk is None:
            why = "it takes the super-user, mkfs.ext4, a loop device and sysfs"
            return [not_measured(what, "steps", "== 8", why)]
        with Server(disk / "home", KBAPI_MIN_FREE_BYTES="0") as server:
            server.log = folder / "server.log"
            server.end()
            server.start()
            with clients(server.port, promises, spare=spare):
                _wait_for(lambda: len(promises.acknowledged) >= 50)
                turn_read_only(disk)
                refused = promises.refused.total() + 50
                _wait_for(lambda: promises.refused.total() >= refused)
                states, asked = _states(server), _asked(server)
            metrics = server.ask("GET", "/metrics").body.decode()
            check = kbapi("check", "--home", str(server.home), KBAPI_MIN_FREE_BYTES="0")
            troubles = _troubles(server)
            server.kill()
        repair(folder)
        found = read_database(disk / "home" / "kbapi.sqlite3")
        with Server(disk / "home", KBAPI_MIN_FREE_BYTES="0") as server:
            again = _states(server)
            server.end()
    is_shown = 'kbapi_writes{state="storage_unwritable"} 1' in metrics
    steps = {
        "state": states == {"storage_unwritable"},
        "answers": asked == 20,
        "trouble": troubles == [("trouble_began", "storage_unwritable")],
        "metrics": is_shown,
        "check": check.returncode == 1 and "Read-only file system" in check.stdout,
        "sound": found.is_sound and promises.odd == [],
        "kept": found.lost(promises) == 0,
        "again": again == {"accepted"},
    }
    wrong = ", ".join(step for step, is_right in steps.items() if not is_right)
    return [measured(what, sum(steps.values()), "steps", "== 8", wrong and f"wrong: {wrong}")]
