"""What SQLite reads of locks that were tried, against a plain second way."""

from itertools import groupby
from random import Random
from typing import Any

import pytest

from kbapi.instance.instance import Instance
from kbapi.storage.locks import load_tried_locks
from kbapi.vocabulary import LOCKS_FOUND_BY
from tests.makers import CHIP, send

MACHINES = ("harbour-15", "harbour-17")


def a_report(rng: Random) -> dict[str, Any]:
    lock = {"domain": "core", "control": "voltage_offset"}
    lock |= {"status": rng.choice(["open", "firmware_locked", "unknown"])}
    lock |= {"found_by": rng.choice(LOCKS_FOUND_BY)}
    number = rng.randrange(12)
    return {
        "chip": CHIP,
        "unit_token": f"tidewater-unit-{number:06}",
        "contributor_token": f"tidewater-member-{number // 2:06}",
        "locks": [lock],
        "measured_in": f"2026-0{rng.randrange(3, 9)}",
        "platform": {
            "machine": rng.choice(MACHINES),
            "firmware_month": f"2025-{rng.randrange(1, 13):02}",
            "microcode": rng.choice(["0x2b", "0x2c"]),
        },
    }


def plainly(documents: list[dict[str, Any]], machine: str) -> list[tuple[str, ...]]:
    """By the rule as it is written: latest month, best proven, then by what was found."""

    def unit(document: dict[str, Any]) -> str:
        token: str = document["unit_token"]
        return token

    def rank(document: dict[str, Any]) -> tuple[Any, ...]:
        lock, platform = document["locks"][0], document["platform"]
        values = (platform["machine"], platform["firmware_month"], platform["microcode"])
        proven = LOCKS_FOUND_BY.index(lock["found_by"])
        return (-int(document["measured_in"][-2:]), proven, lock["status"], *values)

    kept = [one for one in documents if machine in ("", one["platform"]["machine"])]
    first = [min(some, key=rank) for _, some in groupby(sorted(kept, key=unit), unit)]
    return sorted(
        (one["locks"][0]["status"], one["measured_in"], *one["platform"].values())
        for one in first
        if one["locks"][0]["status"] != "unknown"
        and one["locks"][0]["found_by"] == "written_and_read_back"
    )


@pytest.mark.parametrize("machine", ["", *MACHINES])
def test_the_latest_report_of_each_unit_is_read_if_the_control_was_tried(
    instance: Instance, machine: str
) -> None:
    rng = Random(5)
    documents = [a_report(rng) for _ in range(60)]
    for document in documents:
        send(instance, document)
    with instance.reading() as connection:
        read = load_tried_locks(connection, CHIP, machine)
    found = [(r.status, r.measured_month, r.machine, r.firmware_month, r.microcode) for r in read]
    assert sorted(found) == plainly(documents, machine)
    assert len(found) > 1
