"""The description of the image, without building it."""

import re

from tests.outside import container


def test_a_linter_finds_no_fault_in_the_description_of_the_image() -> None:
    assert [row for row in container.measure(short=True) if not row.met] == []


def test_a_fault_would_be_found(tmp_path, monkeypatch) -> None:
    faulty = tmp_path / "Containerfile"
    faulty.write_text(container.CONTAINERFILE.read_text() + "\nRUN cd /tmp && sudo true\n")
    monkeypatch.setattr(container, "CONTAINERFILE", faulty)
    assert any("sudo" in line for line in container.lint())


def test_the_image_has_stages_a_fixed_user_and_one_volume() -> None:
    text = container.CONTAINERFILE.read_text()
    assert len(re.findall("^FROM ", text, re.MULTILINE)) == 2
    assert f"\nUSER {container.USER}:{container.USER}\n" in text
    assert re.findall("^VOLUME (.*)$", text, re.MULTILINE) == ["/data"]
    assert "\nHEALTHCHECK " in text
    assert not re.search("amd64|x86|arm|aarch", text.split("\n", 1)[1])
