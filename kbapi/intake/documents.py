"""A submission after its shape was checked: plain frozen values, nothing judged yet."""

from dataclasses import dataclass

from kbapi.vocabulary import Domain, LimitControl


@dataclass(frozen=True, slots=True)
class Effect:
    """What is said to show that a setting changed anything."""

    shown_by: str
    rail_mv: float | None = None


@dataclass(frozen=True, slots=True)
class SubmittedSetting:
    """One control on one domain, as sent: mV or counts, negative is lower; absolute at a clock."""

    domain: Domain
    control: LimitControl
    first_tried: float | None = None
    stable_at: float | None = None
    unstable_at: float | None = None
    planned_end: float | None = None
    failure: str | None = None
    in_use: float | None = None
    read_back: float | None = None
    effect: Effect | None = None
    moved_with: tuple[Domain, ...] = ()
    loads: tuple[str, ...] = ()
    minutes: float | None = None
    checked_results: bool | None = None
    clock_mhz: float | None = None
    stock_mv: float | None = None

    @property
    def domains(self) -> tuple[Domain, ...]:
        """All domains that moved, this one included, in their fixed order."""
        return tuple(sorted({self.domain, *self.moved_with}))

    def below_stock(self, value: float) -> float | None:
        """How far a setting lies below stock, in mV or counts; None without the stock voltage."""
        if self.control != "fixed_clock_voltage":
            return -value
        return None if self.stock_mv is None else self.stock_mv - value


@dataclass(frozen=True, slots=True)
class StockPass:
    """A load class and for how many minutes it passed at stock."""

    load: str
    minutes: float


@dataclass(frozen=True, slots=True)
class SubmittedResult:
    """One document about one chip."""

    chip: str
    settings: tuple[SubmittedSetting, ...]
    unit_token: str | None = None
    contributor_token: str | None = None
    stock_passed: tuple[StockPass, ...] = ()
    measured_in: str | None = None
    client: str | None = None
