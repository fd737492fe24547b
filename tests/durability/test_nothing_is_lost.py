"""The short ways to lose something: each row says what must hold, and must be met."""

from importlib import import_module

import pytest

from tests.report import Row


def measured(name: str) -> list[Row]:
    rows: list[Row] = import_module(f"tests.durability.{name}").measure(short=True)
    return rows


OF_SQLITE = {
    "disk": "the disk of its file; the drill `postgres` fills that of a server",
    "failing_disk": "the disk of its file",
    "restore": "kbapi copies its file; PostgreSQL makes its own backups",
    "flips": "kbapi finds changed bits in its file; PostgreSQL has checksums of its own",
}


@pytest.mark.parametrize(
    "name",
    [
        *("kill", "postgres", "reload", "client"),
        *(pytest.param(name, marks=pytest.mark.sqlite(why)) for name, why in OF_SQLITE.items()),
    ],
)
def test_no_write_is_lost_or_half_done_and_every_failure_is_reported(name: str) -> None:
    rows = measured(name)
    assert rows
    # Steps that need root or mounts are left out elsewhere, with a note.
    assert [row for row in rows if not row.met and row.value is not None] == []


def test_slow_clients_do_not_disturb_fast_ones() -> None:
    # What they cost is a figure of the full run: a time is never a reason to fail here.
    figures = {row.what: row.value for row in measured("slow")}
    assert figures["fast requests that failed"] == 0
    assert figures["answers a second, alone"] > 0
