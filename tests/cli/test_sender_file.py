"""The sender's file: one token for each chip and machine, and no change is lost."""

import json
import os
import threading
from pathlib import Path

import pytest

from kbapi.cli.sender_file import SenderFile, save_private_file
from kbapi.client import kbapi_client
from kbapi.documents.sender import Sender
from kbapi.errors import UnsafeSetup

CHIP = "norvane-sable-7-4820mx"


@pytest.fixture
def file(tmp_path: Path) -> SenderFile:
    return SenderFile(tmp_path / "kbapi" / "sender.json", "https://club.example")


def test_a_file_that_is_read_is_not_created(file: SenderFile) -> None:
    assert file.read() is None
    assert file.find_receipt("some-id") is None
    file.remove_receipt("some-id")
    assert not file.path.parent.exists()


def test_tokens_are_on_the_disk_when_they_are_returned(file: SenderFile) -> None:
    tokens = file.tokens_for(CHIP, "harbour-15")
    kept = json.loads(file.path.read_text())
    assert tokens == {
        "contributor_token": kept["contributor_token"],
        "unit_token": kept["units"][0]["unit_token"],
    }
    assert file.tokens_for(CHIP, "harbour-15") == tokens
    assert file.path.stat().st_mode & 0o777 == 0o600
    assert file.path.parent.stat().st_mode & 0o777 == 0o700


def test_a_unit_without_a_name_takes_the_first_name(file: SenderFile) -> None:
    lone = file.tokens_for(CHIP, "")
    assert file.tokens_for(CHIP, "harbour-15") == lone
    assert file.tokens_for(CHIP, "") == lone
    assert file.tokens_for(CHIP, "harbour-17") != lone
    with pytest.raises(UnsafeSetup, match="harbour-15, harbour-17"):
        file.tokens_for(CHIP, "")


def test_changes_of_many_commands_at_once_are_all_kept(file: SenderFile) -> None:
    def send(number: int) -> None:
        file.tokens_for(CHIP, f"harbour-{number:02}")
        file.save_receipts({f"id-{number}": (f"kbr_{number}", CHIP)})

    threads = [threading.Thread(target=send, args=(number,)) for number in range(16)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    kept = file.read()
    assert kept is not None
    assert (len(kept["units"]), len(kept["receipts"])) == (16, 16)
    assert file.find_receipt("ID-7") == "kbr_7"


def test_a_change_is_complete_or_not_there(
    file: SenderFile, monkeypatch: pytest.MonkeyPatch
) -> None:
    file.save_receipts({"one": ("kbr_1", CHIP)})
    before = file.path.read_bytes()

    def fails(_descriptor: int) -> None:
        raise OSError("no space left")

    monkeypatch.setattr(os, "fsync", fails)
    with pytest.raises(UnsafeSetup, match="cannot be written"):
        file.save_receipts({"two": ("kbr_2", CHIP)})
    assert file.path.read_bytes() == before
    assert sorted(path.name for path in file.path.parent.iterdir()) == [
        "sender.json",
        "sender.json.lock",
    ]


def test_file_and_folder_are_flushed_before_the_command_goes_on(
    file: SenderFile, monkeypatch: pytest.MonkeyPatch
) -> None:
    steps: list[str] = []
    fsync, replace, flush = os.fsync, Path.replace, kbapi_client.flush_folder
    file.path.parent.mkdir()
    monkeypatch.setattr(os, "fsync", lambda descriptor: (steps.append("file"), fsync(descriptor)))
    monkeypatch.setattr(
        Path, "replace", lambda path, to: (steps.append("replace"), replace(path, to))[1]
    )
    monkeypatch.setattr(
        kbapi_client, "flush_folder", lambda path: (steps.append("folder"), flush(path))
    )
    file.save_receipts({"one": ("kbr_1", CHIP)})
    assert [step for step in steps if step != "file"] == ["replace", "folder"]
    assert steps[0] == "file"


def test_a_link_stays_a_link(file: SenderFile, tmp_path: Path) -> None:
    target = tmp_path / "elsewhere.json"
    file.path.parent.mkdir()
    save_private_file(target, Sender().model_dump_json())
    file.path.symlink_to(target)
    file.save_receipts({"one": ("kbr_1", CHIP)})
    assert file.path.is_symlink()
    assert json.loads(target.read_text())["receipts"]["one"]["server"] == "https://club.example"


def test_a_file_that_others_could_read_becomes_private(file: SenderFile) -> None:
    file.save_receipts({"one": ("kbr_1", CHIP)})
    file.path.chmod(0o644)
    file.save_receipts({"two": ("kbr_2", CHIP)})
    assert file.path.stat().st_mode & 0o777 == 0o600
