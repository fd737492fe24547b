"""The given strings with their wanted answers, and the split that keeps a third of them back."""

import hashlib
import json
from dataclasses import dataclass
from pathlib import Path

DATA = Path(__file__).parent / "data"


@dataclass(frozen=True, slots=True)
class Given:
    """One string as a system printed it, and what it should be understood as."""

    raw: str
    wanted: dict[str, object]

    @property
    def is_held_back(self) -> bool:
        """Whether no rule may be written with this string in view."""
        return int(hashlib.sha256(self.raw.encode()).hexdigest(), 16) % 3 == 0


def load_given() -> list[Given]:
    """All given strings, in the order of the file."""
    lines = (DATA / "chip_strings.jsonl").read_text(encoding="utf-8").splitlines()
    rows = [json.loads(line) for line in lines]
    return [Given(row["raw"], row) for row in rows]


def load_development() -> list[Given]:
    """The two thirds that rules are written from."""
    return [row for row in load_given() if not row.is_held_back]


def load_held_back() -> list[Given]:
    """The third that first scores a grammar which has never seen it."""
    return [row for row in load_given() if row.is_held_back]


def load_near_misses() -> list[dict[str, object]]:
    """The sets of keys that must never become one chip."""
    lines = (DATA / "chip_near_misses.jsonl").read_text(encoding="utf-8").splitlines()
    return [json.loads(line) for line in lines]
