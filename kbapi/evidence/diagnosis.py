"""A setting that was stable and is not any more, as its owner tells it."""

from dataclasses import dataclass

from kbapi.chips.chip import ChipName
from kbapi.vocabulary import Domain, LimitControl, YesNoUnknown


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
    fails_at_stock: YesNoUnknown
    in_effect: YesNoUnknown
