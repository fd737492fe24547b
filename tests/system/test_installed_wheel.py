"""A wheel in an empty folder: every command works, nothing is read from the repository."""

import json
import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def installed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with nothing but the unpacked wheel."""
    folder = tmp_path_factory.mktemp("wheel")
    command = [sys.executable, "-m", "pip", "wheel", "--quiet", "--no-deps"]
    command += ["--no-build-isolation", "--wheel-dir", str(folder), str(ROOT)]
    subprocess.run(command, check=True)
    (wheel,) = folder.glob("kbapi-*.whl")
    zipfile.ZipFile(wheel).extractall(folder / "site")
    return folder / "site"


def run(installed: Path, cwd: Path, *words: str) -> subprocess.CompletedProcess[str]:
    code = (
        "import sys, kbapi; from kbapi.cli.main import main;"
        f"assert kbapi.__file__.startswith({str(installed)!r}), kbapi.__file__; main()"
    )
    environment = {**os.environ, "PYTHONPATH": str(installed)}
    return subprocess.run(
        [sys.executable, "-c", code, *words],
        cwd=cwd,
        env=environment,
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )


def test_the_wheel_carries_migrations_seed_data_document_and_pages(installed: Path) -> None:
    for part in (
        "bundled/migrations/env.py",
        "bundled/migrations/versions/0001_first_schema.py",
        "bundled/seed_data/catalogue/README.md",
        "bundled/seed_data/club/catalogue/norvane.toml",
        "bundled/seed_data/club/machines.toml",
        "bundled/seed_data/club/truth.toml",
        "bundled/seed_data/club/notes/harbour-15-firmware-1-14.md",
        "bundled/openapi/openapi.json",
        "pages/static/swagger-ui/swagger-ui-bundle.js",
        "pages/static/swagger-ui/LICENSE",
        "pages/static/simple.css/simple.css",
        "pages/static/simple.css/LICENSE",
        "pages/pictures/fonts/OpenSans-Regular.ttf",
        "pages/pictures/fonts/OpenSans-Semibold.ttf",
        "pages/pictures/fonts/LICENSE",
        "pages/templates/docs.html",
        "pages/guides/index.md",
        "pages/guides/screening.md",
        "py.typed",
    ):
        assert (installed / "kbapi" / part).is_file(), part


def test_the_demo_runs_from_the_wheel_in_an_empty_folder(installed: Path, tmp_path: Path) -> None:
    done = run(installed, tmp_path, "demo", "--no-serve", "--results", "900")
    assert done.returncode == 0, done.stderr
    assert [path.name for path in tmp_path.iterdir()] == ["kbapi-demo"]
    asked = run(
        installed, tmp_path, "start", "norvane-sable-7-4820mx", "--json", "--home", "kbapi-demo"
    )
    assert json.loads(asked.stdout)["start"]["setting_mv"] < 0
