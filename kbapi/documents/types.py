"""A submission after its shape was checked: plain frozen values, nothing judged yet."""

from dataclasses import dataclass, field

from kbapi.chips.chip import ChipIds
from kbapi.vocabulary import Domain, Form, LimitControl


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
    is_foreign: bool = False
    """Whether the chip is described in the catalogue and has no such rail or control."""

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
class Platform:
    """Machine, firmware and system that a result was found on; None and () where untold."""

    machine: str | None = None
    form: Form | None = None
    firmware: str | None = None
    firmware_month: str | None = None
    microcode: str | None = None
    driver: str | None = None
    os: str | None = None
    platform_profile: str | None = None
    cooling: tuple[str, ...] = ()
    supply: str | None = None
    adapter_w: float | None = None
    virtualization: str | None = None
    hypervisor: str | None = None
    memory_integrity: str | None = None
    kernel_lockdown: str | None = None
    voltage_write_protection: str | None = None


@dataclass(frozen=True, slots=True)
class Lock:
    """Whether a control could be used, how that was found, and what was changed for it."""

    domain: Domain
    control: str
    status: str
    found_by: str | None = None
    changes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class InForce:
    """One control at one value, as it was in force during a trial or a reading."""

    domain: Domain
    control: str
    value: float


@dataclass(frozen=True, slots=True)
class Trial:
    """One run of one load with everything that was in force, and how it ended."""

    settings: tuple[InForce, ...]
    outcome: str
    load: str | None = None
    seconds: float | None = None
    failure: str | None = None
    checked_results: bool | None = None
    power_cap_w: float | None = None
    clock_mhz: float | None = None
    temp_max_c: float | None = None


@dataclass(frozen=True, slots=True)
class PowerLimits:
    """Power limits in use, and those of stock."""

    long_term_w: float | None = None
    long_term_window_s: float | None = None
    short_term_w: float | None = None
    stock_long_term_w: float | None = None
    stock_long_term_window_s: float | None = None
    stock_short_term_w: float | None = None


@dataclass(frozen=True, slots=True)
class Reading:
    """What sensors and a load told at stock or tuned; numbers as sent, sensible or not."""

    state: str
    settings: tuple[InForce, ...] = ()
    load: str | None = None
    runs: int | None = None
    minutes: float | None = None
    power_w: float | None = None
    power_scope: str | None = None
    power_cap_w: float | None = None
    clock_mhz: float | None = None
    clock_kind: str | None = None
    clock_spread_mhz: float | None = None
    temp_avg_c: float | None = None
    temp_max_c: float | None = None
    temp_sensor: str | None = None
    ambient_c: float | None = None
    fan: str | None = None
    noise_dba: float | None = None
    performance: float | None = None
    performance_unit: str | None = None
    performance_low: float | None = None
    throttle_reasons: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class SubmittedResult:
    """One document about one chip."""

    chip: str
    settings: tuple[SubmittedSetting, ...] = ()
    chip_ids: ChipIds | None = None
    unit_token: str | None = None
    contributor_token: str | None = None
    platform: Platform = field(default_factory=Platform)
    locks: tuple[Lock, ...] = ()
    stock_passed: tuple[StockPass, ...] = ()
    trials: tuple[Trial, ...] = ()
    power: PowerLimits | None = None
    readings: tuple[Reading, ...] = ()
    measured_in: str | None = None
    client: str | None = None
