"""The answers of this folder: what a chip is called, and which chip a text names."""

from dataclasses import dataclass
from typing import Literal

from kbapi.vocabulary import ChipKind

Match = Literal["exact", "ambiguous", "none"]
RefusedNameCode = Literal[
    "cut_name",
    "virtual_chip",
    "software_renderer",
    "engineering_sample",
    "placeholder",
    "unnamed_device",
    "not_a_model",
    "other_architecture",
    "too_old",
    "management_graphics",
]
ReadNameCode = Literal[
    "named",
    "key",
    "decided_by_ids",
    "decided_by_form",
    "engineering_sample",
    "shared_name",
    "several",
    "family_name",
    "unreadable",
    "unknown_name",
]
IdentifyCode = Literal[ReadNameCode, RefusedNameCode]


@dataclass(frozen=True, slots=True)
class ChipSummary:
    """A chip with its names and its place among related chips."""

    key: str
    """Catalogue key of the chip, which every question accepts."""
    name: str
    """The usual name of the chip."""
    kind: ChipKind
    """Whether it is a processor or a graphics chip."""
    series: str
    """Key of its series: same maker, line, generation and class suffix."""
    line: str
    """Key of its product line."""


@dataclass(frozen=True, slots=True)
class ChipName:
    """One chip model, with its series and line."""

    key: str
    name: str
    kind: ChipKind
    maker: str
    series: str
    """The siblings: same maker, line, generation and class suffix."""
    line: str
    """Maker and product line."""

    @property
    def summary(self) -> ChipSummary:
        """The chip as an answer shows it."""
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
    """The chip or the candidates that a text names; `reason` is one sentence without the text."""

    match: Match
    chip: ChipName | None
    candidates: tuple[str, ...]
    code: IdentifyCode
    reason: str
    conflict: str | None = None
    """A sentence when the numbers beside the name contradict it."""
