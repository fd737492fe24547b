"""What commands share: progress is on standard error, and lists of values are checked."""

import os
import pty
import sys
from contextlib import suppress

import click
import pytest

from kbapi.cli.common import ListOf, ProgressLines, progress_shown, show_progress


def test_progress_is_a_line_at_begin_and_end_and_every_few_seconds(
    capsys: pytest.CaptureFixture[str],
) -> None:
    moments = iter((0.0, 1.0, 4.9, 5.0, 6.0, 9.9, 10.1, 11.0, 11.5))
    shown = ProgressLines(lambda: next(moments))
    for done in range(1, 9):
        shown("rows", done, 8)
    shown("bytes", 0, 1)
    printed = capsys.readouterr()
    assert printed.out == ""
    assert printed.err.splitlines() == [
        *("rows: 12 %", "rows: 50 %", "rows: 87 %", "rows: 100 %"),
        "bytes: 0 %",
    ]


def test_without_a_terminal_progress_is_shown_only_if_wanted(
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert list(show_progress("ab", 2, "Sending")) == ["a", "b"]
    assert capsys.readouterr() == ("", "")
    assert list(show_progress("ab", 2, "Sending", is_wanted=True)) == ["a", "b"]
    assert capsys.readouterr() == ("", "Sending: 50 %\nSending: 100 %\n")


def test_on_a_terminal_each_step_is_a_bar(monkeypatch: pytest.MonkeyPatch) -> None:
    main, follower = pty.openpty()
    with os.fdopen(follower, "w", encoding="utf-8") as terminal:
        monkeypatch.setattr(sys, "stderr", terminal)
        with progress_shown(False) as progress:
            for done in range(1, 4):
                progress("pages", done, 3)
            progress("rows", 5, 5)
    printed = b""
    # The end of a closed terminal is an error of the system.
    with suppress(OSError):
        while part := os.read(main, 65_536):
            printed += part
    os.close(main)
    pages, _, rows = printed.decode().partition("rows")
    assert "pages" in pages
    assert "100%" in pages
    assert "100%" in rows


def test_each_value_of_a_list_is_one_of_the_known_ones() -> None:
    kind = ListOf(("core", "ring", "firmware"))
    assert kind.convert("core,ring", None, None) == "core,ring"
    assert kind.convert("firmware=41", None, None) == "firmware=41"
    with pytest.raises(click.BadParameter, match=r"'memory' is not one of: core, ring, firmware\."):
        kind.convert("core,memory", None, None)
