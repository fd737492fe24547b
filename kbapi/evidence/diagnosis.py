"""A setting that was stable and is not any more, as its owner tells it."""

from dataclasses import dataclass
from typing import Final, Literal

from kbapi.chips.chip import ChipName
from kbapi.vocabulary import Domain, LimitControl

Told = Literal["yes", "no", "unknown"]
TOLD: Final[tuple[Told, ...]] = ("yes", "no", "unknown")


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """A setting that was stable and is not any more, as its owner tells it."""

    chip: ChipName
    domain: Domain
    control: LimitControl
    setting: float | None
    days: int | None
    changed: frozenset[str]
    failure: str | None
    load: str | None
    fails_at_stock: Told
    in_effect: Told
