"""The answers of this folder: what a chip is called, and what a text was understood as."""

from dataclasses import dataclass
from typing import Literal

Kind = Literal["cpu", "gpu"]
Form = Literal["laptop", "desktop", "mini", "handheld", "other"]
Match = Literal["exact", "ambiguous", "none"]


@dataclass(frozen=True, slots=True)
class ChipSummary:
    """A chip as it stands in an answer."""

    key: str
    """Its catalogue key, which every question takes."""
    name: str
    """The name as people know it."""
    kind: Kind
    """Processor or graphics."""
    series: str
    """Key of its series: same maker, line, generation and class suffix."""
    line: str
    """Key of its product line."""


@dataclass(frozen=True, slots=True)
class ChipName:
    """One chip model, and where its own name puts it among the others."""

    key: str
    name: str
    kind: Kind
    maker: str
    series: str
    """The siblings: same maker, line, generation and class suffix."""
    line: str
    """Maker and product line."""

    @property
    def summary(self) -> ChipSummary:
        """The chip as it stands in an answer."""
        return ChipSummary(self.key, self.name, self.kind, self.series, self.line)


@dataclass(frozen=True, slots=True)
class ChipIds:
    """Numbers that a system reports beside the name; `pci_id` is written like `10de:2520`."""

    family: int | None = None
    model: int | None = None
    stepping: int | None = None
    pci_id: str | None = None
    pci_revision: str | None = None


@dataclass(frozen=True, slots=True)
class Identification:
    """What a text was understood as; `reason` is one sentence and never repeats the text."""

    match: Match
    chip: ChipName | None
    candidates: tuple[str, ...]
    code: str
    reason: str
    conflict: str | None = None
    """A sentence when the numbers beside the name contradict it."""
