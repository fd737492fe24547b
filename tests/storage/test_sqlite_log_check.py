"""A log with a frame that was changed is reported; the end of an unfinished write is not."""

from contextlib import closing
from pathlib import Path

import pytest

from kbapi.errors import StorageBroken
from kbapi.storage.sqlite import log_check
from kbapi.storage.sqlite.driver import dbapi2
from kbapi.storage.sqlite.log_check import find_log_damage, require_sound_log

pytestmark = pytest.mark.sqlite("its log")

PAGE = 4096
FRAME = 24 + PAGE
COMMITS = 4


@pytest.fixture
def log(tmp_path: Path) -> Path:
    """The log of four transactions, each of one frame or more."""
    database = tmp_path / "a.sqlite3"
    with closing(dbapi2.connect(database, isolation_level=None)) as connection:
        connection.execute("PRAGMA journal_mode=WAL").fetchall()
        for number in range(COMMITS):
            connection.execute(f"CREATE TABLE t{number} (a)")
        written = database.with_name("a.sqlite3-wal").read_bytes()
    copy = tmp_path / "kbapi.sqlite3-wal"
    copy.write_bytes(written)
    return copy


@pytest.fixture(autouse=True)
def pauses(monkeypatch: pytest.MonkeyPatch) -> list[float]:
    """The pauses between looks, which take no time here."""
    made: list[float] = []
    monkeypatch.setattr(log_check.time, "sleep", made.append)
    return made


def change(log: Path, place: int, value: bytes) -> None:
    content = bytearray(log.read_bytes())
    content[place : place + len(value)] = value
    log.write_bytes(content)


def test_a_whole_log_and_a_missing_one_are_sound(log: Path, tmp_path: Path) -> None:
    assert find_log_damage(log) == ""
    assert find_log_damage(tmp_path / "none") == ""
    log.write_bytes(b"")
    assert find_log_damage(log) == ""
    require_sound_log(tmp_path / "kbapi.sqlite3")


@pytest.mark.parametrize("bit", range(8))
def test_a_changed_bit_of_any_part_is_found(log: Path, bit: int) -> None:
    written = log.read_bytes()
    parts = [*range(32), *range(32, 32 + 24), 32 + 24, 32 + FRAME - 1, len(written) - 1]
    last = len(written) - FRAME
    # Each part of the last frame but whether it commits: without that it is an unfinished write.
    parts += [*range(last, last + 4), *range(last + 8, last + 24)]
    for place in parts:
        log.write_bytes(written)
        change(log, place, bytes([written[place] ^ 1 << bit]))
        assert find_log_damage(log), place
    change(log, 40, b"xyz")
    with pytest.raises(StorageBroken, match="of the log"):
        require_sound_log(log.with_name("kbapi.sqlite3"))


def test_an_unfinished_write_at_the_end_is_no_damage(log: Path) -> None:
    written = log.read_bytes()
    for kept in (24, 1_000, FRAME - 1):
        log.write_bytes(written + written[-FRAME:][:kept])
        assert find_log_damage(log) == ""
    frame = bytearray(written[-FRAME:])
    frame[4:8] = bytes(4)  # no commit
    log.write_bytes(written + frame)
    assert find_log_damage(log) == ""


def test_a_frame_that_a_writer_completes_meanwhile_is_no_damage(
    log: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = log.read_bytes()
    half = whole[:-PAGE] + bytes(PAGE)
    log.write_bytes(half)
    assert "fails its checksum" in find_log_damage(log)
    monkeypatch.setattr(
        log_check.time, "sleep", lambda pause_s: log.write_bytes(whole if pause_s else half)
    )
    assert find_log_damage(log) == ""


def test_frames_of_before_the_log_began_again_are_no_damage(tmp_path: Path) -> None:
    database = tmp_path / "kbapi.sqlite3"
    log = database.with_name("kbapi.sqlite3-wal")
    with closing(dbapi2.connect(database, isolation_level=None)) as connection:
        connection.execute("PRAGMA journal_mode=WAL").fetchall()
        for number in range(COMMITS):
            connection.execute(f"CREATE TABLE t{number} (a)")
        size = log.stat().st_size
        connection.execute("PRAGMA wal_checkpoint(RESTART)").fetchall()
        connection.execute("INSERT INTO t0 VALUES (1)")
        assert log.stat().st_size == size
        assert find_log_damage(log) == ""
