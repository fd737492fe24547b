"""Without a program its tests are skipped with what to do; in CI, where it must be, they fail."""

import re
from pathlib import Path

import pytest

from tests.needs import DEBIAN_PACKAGES, program

ROOT = Path(__file__).parents[2]
CI = (ROOT / ".ci" / "run").read_text()
README = (ROOT / "README.md").read_text()


@pytest.fixture(params=DEBIAN_PACKAGES)
def missing(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> str:
    monkeypatch.setenv("PATH", "")
    monkeypatch.delenv("CI", raising=False)
    return str(request.param)


def what_to_do(name: str) -> str:
    package = DEBIAN_PACKAGES[name]
    command = f"apt-get install --no-install-recommends {package}"
    return f"{re.escape(name)} is not on this machine: {command}$"


def test_a_test_without_its_program_is_skipped(missing: str) -> None:
    with pytest.raises(pytest.skip.Exception, match=what_to_do(missing)):
        program(missing)


def test_a_test_without_its_program_fails_in_ci(
    missing: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("CI", "true")
    with pytest.raises(pytest.fail.Exception, match=what_to_do(missing)):
        program(missing)


def test_a_program_that_is_there_is_found(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "curl").touch(mode=0o755)
    monkeypatch.setenv("PATH", str(tmp_path))
    assert program("curl") == str(tmp_path / "curl")


def test_ci_installs_every_program_and_sets_ci() -> None:
    brought = dict(re.findall(r"^needs (\S+) (\S+)$", CI, re.MULTILINE))
    assert DEBIAN_PACKAGES.items() <= brought.items()
    assert "\nexport CI=true\n" in CI


def test_the_readme_names_the_programs_and_their_packages() -> None:
    sentence = README.partition("**Pass the tests**")[2].partition("```sh")[0]
    (packages,) = re.findall(r"install --no-install-recommends ([^`]*)`", sentence)
    assert set(packages.split()) >= set(DEBIAN_PACKAGES.values())
    assert set(re.findall(r"`([^` ]+)`", sentence)) >= set(DEBIAN_PACKAGES)
