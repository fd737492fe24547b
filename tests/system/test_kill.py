"""A real gunicorn with two workers: eight clients at once, repeats, a kill, a restart."""

import sqlite3
import subprocess
import sys
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from pathlib import Path
from typing import Any

from tests.system.server import Reply, Server, is_alive

CHIP = "norvane-sable-7-4820mx"
RESULTS = 200
CLIENTS = 8


def a_result(number: int) -> dict[str, Any]:
    depth = 70 + number * 7 % 30
    return {
        "chip": "Norvane(R) Sable(TM) 7 4820MX @ 2.60GHz",
        "unit_token": f"k3v9-demo-unit-{number:06}",
        "contributor_token": f"demo-contributor-{number:06}",
        "settings": [
            {
                "domain": "core",
                "control": "voltage_offset",
                "stable_at": -depth,
                "unstable_at": -depth - 6,
                "minutes": 65,
                "checked_results": True,
            }
        ],
    }


def send(server: Server, number: int) -> Reply:
    headers = {"Idempotency-Key": f'"result-{number}"'}
    return server.ask("POST", "/v1/submissions", a_result(number), headers)


def counts(home: Path) -> dict[str, int]:
    """The content of the file, read by another program's SQLite after the server has ended."""
    with closing(sqlite3.connect(home / "kbapi.sqlite3")) as database:
        assert database.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert database.execute("PRAGMA foreign_key_check").fetchall() == []
        tables = ("submission", "setting_result", "unit", "idempotency_record")
        return {
            table: database.execute(f"SELECT COUNT(*) FROM {table}").fetchone()[0]
            for table in tables
        }


def test_two_hundred_results_by_eight_clients_are_counted_exactly(tmp_path: Path) -> None:
    # Every fourth result is sent twice under its key, the two often at the same moment.
    numbers = [number for number in range(RESULTS) for _ in range(1 + (number % 4 == 0))]
    with Server(tmp_path / "home") as server:
        with ThreadPoolExecutor(CLIENTS) as clients:
            replies = list(clients.map(lambda number: send(server, number), numbers))
        assert {reply.status for reply in replies} == {201}
        bodies: dict[int, set[bytes]] = {}
        for number, reply in zip(numbers, replies, strict=True):
            bodies.setdefault(number, set()).add(reply.body)
        assert all(len(same) == 1 for same in bodies.values())
        assert len({reply.json["id"] for reply in replies}) == RESULTS
        answer = server.ask("GET", f"/v1/start?chip={CHIP}").json
        assert answer["evidence"]["units"] == answer["evidence"]["failures"] == RESULTS
        assert answer["start"] is not None
        assert server.end() == 0
    # One file: nothing that was acknowledged is left in a log beside it.
    assert [file.name for file in server.home.glob("kbapi.sqlite3*")] == ["kbapi.sqlite3"]
    assert set(counts(tmp_path / "home").values()) == {RESULTS}


def test_a_kill_in_the_middle_loses_no_acknowledged_result(tmp_path: Path) -> None:
    acknowledged: dict[int, dict[str, Any]] = {}
    enough = threading.Event()

    def send_until_the_end(first: int) -> None:
        for number in range(first, RESULTS, CLIENTS):
            try:
                reply = send(server, number)
            except OSError:
                return
            if reply.status == 201:
                acknowledged[number] = reply.json
            if len(acknowledged) >= RESULTS // 4:
                enough.set()

    with Server(tmp_path / "home") as server:
        with ThreadPoolExecutor(CLIENTS) as clients:
            for first in range(CLIENTS):
                clients.submit(send_until_the_end, first)
            assert enough.wait(timeout=60)
            server.kill()
        assert RESULTS // 4 <= len(acknowledged) < RESULTS
        server.start()
        for answer in acknowledged.values():
            receipt = {"Authorization": f"Bearer {answer['receipt']}"}
            assert server.ask("GET", answer["links"]["self"], headers=receipt).status == 200
        for number in range(RESULTS):
            reply = send(server, number)
            assert reply.status == 201
            if number in acknowledged:
                assert reply.json == acknowledged[number]
        assert server.ask("GET", f"/v1/start?chip={CHIP}").json["evidence"]["units"] == RESULTS
        server.end()
    assert set(counts(tmp_path / "home").values()) == {RESULTS}


def test_a_restart_keeps_answers_to_the_byte(tmp_path: Path) -> None:
    with Server(tmp_path / "home") as server:
        for number in range(40):
            send(server, number)
        before = server.ask("GET", f"/v1/start?chip={CHIP}")
        server.end()
        server.start()
        after = server.ask("GET", f"/v1/start?chip={CHIP}")
    assert (before.body, before.headers["ETag"]) == (after.body, after.headers["ETag"])


def test_the_server_logs_neither_addresses_nor_tokens(tmp_path: Path) -> None:
    with Server(tmp_path / "home") as server:
        sent = send(server, 1).json
        server.ask("GET", sent["links"]["self"], headers={"Authorization": "Bearer kbr_wrong"})
        server.ask("GET", "/v1/start?chip=secret-question")
        server.end()
    log = server.log.read_text()
    requests = [line for line in log.splitlines() if '"event":"request"' in line]
    assert len(requests) >= 3
    assert not any("127.0.0.1" in line for line in requests)
    for forbidden in ("demo-contributor", "k3v9", "kbr_", "secret-question", sent["id"]):
        assert forbidden not in log


def test_an_empty_or_broken_request_leaves_no_address_in_the_log(tmp_path: Path) -> None:
    import socket

    with Server(tmp_path / "home") as server:
        with socket.create_connection(("127.0.0.1", server.port)) as raw:
            raw.sendall(b"NONSENSE\r\n\r\n")
            raw.recv(100)
        server.end()
    log = server.log.read_text()
    assert f"Listening at: http://127.0.0.1:{server.port}" in log
    lines = [line for line in log.splitlines() if '"event":"no_request"' in line]
    assert lines
    assert not any("127.0.0.1" in line for line in lines)


def test_a_process_is_alive_until_its_last_thread_has_ended() -> None:
    program = """
import ctypes, sys, threading
threading.Thread(target=sys.stdin.read).start()
ctypes.CDLL(None).pthread_exit(None)
"""
    with subprocess.Popen([sys.executable, "-c", program], stdin=subprocess.PIPE) as process:
        stat = Path(f"/proc/{process.pid}/stat")
        while stat.read_text().rpartition(")")[2].split()[0] != "Z":
            time.sleep(0.01)
        assert is_alive(process.pid)
        assert process.stdin is not None
        process.stdin.close()
        process.wait()
        assert not is_alive(process.pid)
