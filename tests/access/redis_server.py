"""A Redis server of a test's own: on a socket in its folder, keeping nothing, gone afterwards."""

import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from tests.needs import program


@contextmanager
def a_redis_server(folder: Path) -> Iterator[str]:
    """The URL of a running server."""
    socket = folder / "redis.sock"
    command = [
        program("redis-server"),
        "--port",
        "0",
        "--unixsocket",
        str(socket),
        "--dir",
        str(folder),
    ]
    command += ["--save", "", "--appendonly", "no"]
    log = (folder / "redis.log").open("wb")
    with (
        log,
        subprocess.Popen(command, stdout=log) as server,
    ):
        try:
            deadline = time.monotonic() + 20
            while not socket.exists():
                assert server.poll() is None, (folder / "redis.log").read_text()
                assert time.monotonic() < deadline, "the Redis server did not start"
                time.sleep(0.02)
            yield f"redis+unix://{socket}"
        finally:
            server.terminate()
