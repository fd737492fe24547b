"""What a worker loads before its first request: nothing that only some requests need."""

import os
import subprocess
import sys
from pathlib import Path

from tests.makers import an_instance

_WORKER = """
import sys
from kbapi.wsgi import application
application()
print(*sorted({name.partition(".")[0] + "." + name.partition(".")[2].partition(".")[0]
               for name in sys.modules}))
"""
HEAVY = {
    *("alembic.", "markdown_it.", "matplotlib.", "redis."),
    *("scipy.special", "scipy.stats", "scipy.optimize"),
}


def test_no_heavy_library_is_loaded_before_it_is_needed(tmp_path: Path) -> None:
    an_instance(tmp_path).close()
    environment = {**os.environ, "KBAPI_HOME": str(tmp_path / "home")}
    ran = subprocess.run(
        [sys.executable, "-c", _WORKER], env=environment, capture_output=True, text=True, check=True
    )
    loaded = set(ran.stdout.split())
    assert "flask.app" in loaded
    assert loaded & HEAVY == set()
