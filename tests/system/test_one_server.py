"""A second server on the same folder is refused, and the first one continues to count."""

import os
import signal
import subprocess
import time
from pathlib import Path

from tests.system.server import KBAPI, Server


def second(home: Path, port: int) -> subprocess.CompletedProcess[str]:
    command = [*KBAPI, "serve", "--home", str(home), "--port", str(port)]
    return subprocess.run(command, capture_output=True, text=True, check=False, timeout=60)


def lives(process: int) -> bool:
    """Whether it runs; one that has ended may still be listed, until its exit is read."""
    try:
        stat = Path(f"/proc/{process}/stat").read_text()
    except OSError:
        return False
    return not stat.rpartition(")")[2].startswith(" Z")


def test_a_second_server_is_refused_and_the_first_loses_no_count(tmp_path: Path) -> None:
    home = tmp_path / "home"
    with Server(home) as server:
        workers = server.all_workers()
        refused = second(home, server.port)
        assert refused.returncode == 3
        assert "Another server uses" in refused.stderr
        assert "Traceback" not in refused.stderr
        metrics = server.ask("GET", "/metrics").body.decode()
        assert 'kbapi_request_seconds_count{method="GET",route="/health/ready"' in metrics
        assert f"kbapi_workers {len(workers)}.0" in metrics
        assert (home / "rates.sqlite3").exists()
        # Workers see that their master is gone and leave; nothing stale is left behind.
        os.kill(server.process.pid, signal.SIGKILL)
        server.process.wait()
        deadline = time.monotonic() + 30
        while any(lives(one) for one in workers):
            assert time.monotonic() < deadline
            time.sleep(0.05)
        server.start()
        assert server.end() == 0
