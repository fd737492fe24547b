"""Evidence as it can be compared between instances: names and hashes instead of numbers."""

from pathlib import Path
from typing import Any

from kbapi.instance.instance import Instance
from kbapi.storage.sql import find_rows
from tests.evidence.makers import evidence_of
from tests.makers import an_instance

_NAMES = {
    "unit": "SELECT id, token_hash FROM unit",
    "contributor": "SELECT id, token_hash FROM contributor",
    "conditions": "SELECT id, loads, grade, firmware, microcode, machine, cooling, supply "
    "FROM conditions",
    "pool": "SELECT pool.id, chip.key, control, domains, clock_band_mhz "
    "FROM pool JOIN chip ON chip.id = pool.chip_id",
}


def evidence_text(instance: Instance) -> list[tuple[Any, ...]]:
    """Every merged row with its place spelled out, in a fixed order; hashes stay as they are."""
    with instance.reading() as connection:
        names = {
            table: {row[0]: tuple(row[1:]) for row in find_rows(connection, statement, ())}
            for table, statement in _NAMES.items()
        }
        rows = evidence_of(connection)
    spelled_out = [
        (
            *names["pool"][pool],
            *names["unit"][unit],
            *names["conditions"][conditions],
            *ends,
            *names["contributor"][contributor],
            month,
            confirmed,
        )
        for pool, unit, conditions, *ends, contributor, month, confirmed in rows
    ]
    return sorted(spelled_out, key=repr)


def instances_of_one_secret(folder: Path, *names: str) -> list[Instance]:
    """Empty instances whose hashes can be compared, because they share one secret."""
    return [an_instance(folder / name, secret="ab" * 32) for name in names]
