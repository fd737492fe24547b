"""Evidence that can be compared between instances: texts and hashes instead of numbers."""

from pathlib import Path
from typing import Any

from sqlalchemy import text

from kbapi.instance.instance import Instance
from tests.makers import an_instance, empty_database

_EVIDENCE = text(
    """
    SELECT chip.key, pool.control, pool.domains, pool.clock_band_mhz, hex(unit.token_hash),
           conditions.loads, conditions.grade, conditions.firmware, conditions.microcode,
           conditions.machine, conditions.cooling, conditions.supply, level.stable_steps,
           level.unstable_steps, level.early_stop_steps, level.latest_month,
           hex(contributor.token_hash)
    FROM evidence_row AS level
    JOIN pool ON pool.id = level.pool_id JOIN chip ON chip.id = pool.chip_id
    JOIN unit ON unit.id = level.unit_id JOIN conditions ON conditions.id = level.conditions_id
    JOIN contributor ON contributor.id = level.contributor_id
    """
)


def evidence_text(instance: Instance) -> list[tuple[Any, ...]]:
    """Every evidence row with its place spelled out, in a fixed order; hashes stay as they are."""
    with instance.reading() as connection:
        return sorted(map(tuple, connection.execute(_EVIDENCE)), key=repr)


def instances_of_one_secret(folder: Path, *names: str) -> list[Instance]:
    """Empty instances whose hashes can be compared, because they share one secret."""
    for name in names:
        home = folder / name / "home"
        home.mkdir(parents=True, mode=0o700)
        (home / "kbapi.sqlite3").write_bytes(empty_database())
        secret = home / "secret.key"
        secret.write_text("ab" * 32)
        secret.chmod(0o600)
    return [an_instance(folder / name) for name in names]
