"""Two workers, one folder of counters: /metrics tells the same whichever of them answers."""

from pathlib import Path

from tests.system.server import Server

RESULTS = 12


def stored(server: Server) -> float:
    text = server.ask("GET", "/metrics").body.decode()
    (line,) = [one for one in text.splitlines() if 'outcome="stored"' in one]
    return float(line.rsplit(" ", 1)[1])


def test_workers_count_together_and_begin_anew_with_each_run(tmp_path: Path) -> None:
    result = {
        "chip": "norvane-sable-7-4820mx",
        "settings": [
            {"domain": "core", "control": "voltage_offset", "stable_at": -80, "unstable_at": -85}
        ],
    }
    with Server(tmp_path / "home") as server:
        for _ in range(RESULTS):
            assert server.ask("POST", "/v1/submissions", result).status == 201
        assert {stored(server) for _ in range(8)} == {RESULTS}
        # Files that are mapped have all their room: one that grew on a full disk would be fatal.
        files = [file.stat() for file in (tmp_path / "home" / "metrics").glob("*.db")]
        assert len(files) == server.workers
        assert all(512 * file.st_blocks >= file.st_size > 0 for file in files)
        server.end()
        server.start()
        server.ask("POST", "/v1/submissions", result)
        assert stored(server) == 1
