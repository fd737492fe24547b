"""The closed lists of values of the wire format, each in its fixed order.

Each list that has a type is a component of the API document by the name of that type; the docstring
below the type is its description.
"""

from typing import Final, Literal, get_args

ChipKind = Literal["cpu", "gpu"]
"""Whether a chip is a processor (`cpu`) or a graphics chip (`gpu`)."""
CHIP_KINDS: Final[tuple[ChipKind, ...]] = get_args(ChipKind)

Domain = Literal[
    "core",
    "ecore_cluster",
    "gpu_core",
    "graphics",
    "io",
    "memory",
    "ring",
    "soc",
    "system_agent",
]
"""A supply rail (domain) that is adjusted on its own."""
DOMAINS: Final[tuple[Domain, ...]] = get_args(Domain)

LimitControl = Literal["voltage_offset", "count_offset", "fixed_clock_voltage"]
"""A control with a limit to look for: voltage offset in mV, count offset in whole counts, or
voltage in mV at a fixed clock."""
LIMIT_CONTROLS: Final[tuple[LimitControl, ...]] = get_args(LimitControl)

Control = Literal[LimitControl, "power_limit", "load_line"]
"""A way to adjust a chip: a control with a limit to look for, a power limit or a load line."""
CONTROLS: Final[tuple[Control, ...]] = get_args(Control)

Form = Literal["laptop", "desktop", "mini", "handheld", "other"]
"""The form of a machine."""
FORMS: Final[tuple[Form, ...]] = get_args(Form)

Load = Literal[
    "all_core",
    "cpu_gpu_mix",
    "gpu_only",
    "idle_resume",
    "light_bursts",
    "memory_heavy",
    "vector_heavy",
]
"""A class of load on a chip."""
LOADS: Final[tuple[Load, ...]] = get_args(Load)
LOAD_SIGNS: Final[dict[Load, str]] = {
    "all_core": "All cores work.",
    "cpu_gpu_mix": "Processor and graphics work together, as in a game.",
    "gpu_only": "Only the graphics work.",
    "idle_resume": "The machine idles, sleeps and wakes up.",
    "light_bursts": "Short work on one core, as in browsing.",
    "memory_heavy": "The work moves much memory.",
    "vector_heavy": "Wide vector arithmetic, the hottest load.",
}
"""What each class of load is."""

Failure = Literal[
    "app_crash",
    "artefact",
    "boot_failure",
    "clock_not_reached",
    "clock_stretch",
    "corrected_machine_check",
    "driver_reset",
    "os_panic",
    "performance_drop",
    "resume_failure",
    "system_hang",
    "system_reset",
    "wrong_result",
]
"""How a setting failed."""
FAILURES: Final[tuple[Failure, ...]] = get_args(Failure)
FAILURE_SIGNS: Final[dict[Failure, str]] = {
    "app_crash": "A program ended by itself, and the system went on.",
    "artefact": "The picture had wrong pixels, lines or colours.",
    "boot_failure": "The machine did not start with the setting.",
    "clock_not_reached": "The clock stayed below the one that was asked for.",
    "clock_stretch": "The clock looked right, but the work took longer.",
    "corrected_machine_check": "The system log has a corrected hardware error.",
    "driver_reset": "The screen went black for a moment; the driver restarted.",
    "os_panic": "The system stopped with an error screen or a kernel panic.",
    "performance_drop": "The work slowed down, and no clock or error explains it.",
    "resume_failure": "The machine did not wake up from sleep.",
    "system_hang": "The machine stopped reacting, and only a forced restart helped.",
    "system_reset": "The machine restarted by itself.",
    "wrong_result": "A load that checks itself found a wrong result.",
}
"""What a person sees of each kind of failure."""

EffectShownBy = Literal["read_back", "rail_voltage", "less_power", "more_clock", "failed_deeper"]
"""What showed that a setting changed anything."""
EFFECTS: Final[tuple[EffectShownBy, ...]] = get_args(EffectShownBy)

Grade = Literal["short", "quick", "long", "in_use_30_days"]
"""The strength of the testing behind a stable setting, weakest first."""
GRADES: Final[tuple[Grade, ...]] = get_args(Grade)

Protection = Literal[
    "virtualization",
    "hypervisor",
    "memory_integrity",
    "kernel_lockdown",
    "voltage_write_protection",
]
"""A protection of a platform that can block voltage settings."""
PROTECTIONS: Final[tuple[Protection, ...]] = get_args(Protection)

Switch = Literal["on", "off", "unknown"]
"""The state of a protection."""
SWITCHES: Final[tuple[Switch, ...]] = get_args(Switch)

PlatformProfile = Literal["quiet", "balanced", "performance", "other"]
"""The power profile of a platform."""
PLATFORM_PROFILES: Final[tuple[PlatformProfile, ...]] = get_args(PlatformProfile)

OperatingSystem = Literal[
    "linux-4",
    "linux-5",
    "linux-6",
    "linux-7",
    "windows-7",
    "windows-8",
    "windows-10",
    "windows-11",
    "windows-server",
    "macos-12",
    "macos-13",
    "macos-14",
    "macos-15",
    "macos-26",
    "freebsd-13",
    "freebsd-14",
    "freebsd-15",
    "other",
]
"""The family and the major version of an operating system."""
OPERATING_SYSTEMS: Final[tuple[OperatingSystem, ...]] = get_args(OperatingSystem)

Cooling = Literal["stock", "repasted", "pad", "liquid", "cleaned"]
"""What the cooling of a machine is."""
COOLING: Final[tuple[Cooling, ...]] = get_args(Cooling)

Supply = Literal["mains", "battery"]
"""Where the power of a machine comes from."""
SUPPLIES: Final[tuple[Supply, ...]] = get_args(Supply)

OpenStatus = Literal["open", "firmware_only"]
"""How a control can be used."""
OPEN_STATUSES: Final[tuple[OpenStatus, ...]] = get_args(OpenStatus)

LockedStatus = Literal[
    "chip_locked",
    "firmware_locked",
    "hypervisor_blocked",
    "os_blocked",
    "not_exposed",
]
"""Why a control cannot be used."""
LOCKED_STATUSES: Final[tuple[LockedStatus, ...]] = get_args(LockedStatus)

LockStatus = Literal[OpenStatus, LockedStatus, "unknown"]
"""Whether a control can be used on a platform, and what locks it if not."""
LOCK_STATUSES: Final[tuple[LockStatus, ...]] = get_args(LockStatus)
LOCK_SIGNS: Final[dict[LockStatus, str]] = {
    "open": "It can be set while the system runs.",
    "firmware_only": "It can be set in the firmware menu only.",
    "chip_locked": "The chip refuses every value.",
    "firmware_locked": "The firmware refuses it, or resets it.",
    "hypervisor_blocked": "A hypervisor below the system blocks it.",
    "os_blocked": "The system blocks it.",
    "not_exposed": "No menu and no driver offers it.",
    "unknown": "You do not know.",
}
"""What each lock status means for the person."""

OverallLockStatus = Literal[LockStatus, "mixed"]
"""The lock status of most reports, `mixed` where no status has a clear majority."""

FactoryLockStatus = Literal["open", "locked", "depends", "unknown"]
"""Whether a series leaves the factory open to changes of voltage: `depends` where firmware,
microcode, board or driver decides."""
FACTORY_LOCK_STATUSES: Final[tuple[FactoryLockStatus, ...]] = get_args(FactoryLockStatus)

LockCondition = Literal["machine", "firmware_month", "microcode", Protection]
"""A condition of a platform by which lock reports are compared."""
LOCK_CONDITIONS: Final[tuple[LockCondition, ...]] = get_args(LockCondition)
LockFoundBy = Literal["written_and_read_back", "documented", "owner_says"]
"""How a lock status was found, strongest first."""
LOCKS_FOUND_BY: Final[tuple[LockFoundBy, ...]] = get_args(LockFoundBy)

LockChange = Literal[
    "firmware_setting",
    "protection_off",
    "older_firmware",
    "older_microcode",
    "os_setting",
    "driver_setting",
]
"""What was changed to open a control: history, never a recommendation."""
LOCK_CHANGES: Final[tuple[LockChange, ...]] = get_args(LockChange)

Outcome = Literal["stable", "failed"]
"""How a trial ended."""
OUTCOMES: Final[tuple[Outcome, ...]] = get_args(Outcome)

ReadingState = Literal["stock", "tuned"]
"""Whether a reading is of stock or of a tuned setting."""
READING_STATES: Final[tuple[ReadingState, ...]] = get_args(ReadingState)

PowerScope = Literal["package", "core", "board", "wall"]
"""What a power is measured of."""
POWER_SCOPES: Final[tuple[PowerScope, ...]] = get_args(PowerScope)

RunsSummary = Literal["mean", "median", "best"]
"""What the numbers of a reading are of its runs."""
RUNS_SUMMARIES: Final[tuple[RunsSummary, ...]] = get_args(RunsSummary)

ClockKind = Literal["effective", "requested"]
"""Whether a clock was reached or requested."""
CLOCK_KINDS: Final[tuple[ClockKind, ...]] = get_args(ClockKind)

TemperatureSensor = Literal[
    "package",
    "core_maximum",
    "core_average",
    "die",
    "edge",
    "hotspot",
    "memory",
    "regulator",
    "board",
    "other",
]
"""Where a temperature is measured."""
TEMPERATURE_SENSORS: Final[tuple[TemperatureSensor, ...]] = get_args(TemperatureSensor)

Fan = Literal["auto", "fixed"]
"""Whether the fan was regulated or held at one speed."""
FANS: Final[tuple[Fan, ...]] = get_args(Fan)

PerformanceUnit = Literal["frames_per_s", "jobs_per_h", "s_per_job", "iterations_per_s", "other"]
"""The unit of a performance."""
PERFORMANCE_UNITS: Final[tuple[PerformanceUnit, ...]] = get_args(PerformanceUnit)

ThrottleReason = Literal[
    "thermal",
    "long_term_power",
    "short_term_power",
    "current",
    "regulator_thermal",
    "external_hot",
    "board",
    "other",
]
"""What held a chip back."""
THROTTLE_REASONS: Final[tuple[ThrottleReason, ...]] = get_args(ThrottleReason)

FollowUpOutcome = Literal[
    "still_stable",
    "failed_later",
    "locked_later",
    "fails_at_stock_too",
    "given_up",
    "machine_gone",
]
"""What became of a setting."""
FOLLOW_UP_OUTCOMES: Final[tuple[FollowUpOutcome, ...]] = get_args(FollowUpOutcome)

FollowUpChange = Literal["firmware", "microcode", "driver", "os", "season", "cooling"]
"""What changed on a machine since a setting was tested."""
FOLLOW_UP_CHANGES: Final[tuple[FollowUpChange, ...]] = get_args(FollowUpChange)

YesNoUnknown = Literal["yes", "no", "unknown"]
"""The answer to a question about a machine."""
YES_NO_UNKNOWN: Final[tuple[YesNoUnknown, ...]] = get_args(YesNoUnknown)

Detail = Literal["start", "percentiles", "options"]
"""How much an answer holds: the start alone, or also percentiles or searches to choose from."""
DETAILS: Final[tuple[Detail, ...]] = get_args(Detail)

MarginSource = Literal["learned", "default", "default_failed"]
"""Where a margin comes from: `learned` from follow-ups, `default` without follow-ups against it.
`default_failed` where follow-ups rule the default out and a wider margin replaces it."""

SCOPES: Final = {
    "submit": "send results, and batches of one contributor; vouches for the first contributor",
    "submit_for_members": "send results, and batches of several contributors; vouches for all",
    "curate": "review results",
    "admin": "all of these, for the host",
}
"""What each scope of an access key allows; every live key can also read."""

ScreeningStatus = Literal["counted", "unverified", "excluded"]
"""How a setting was screened: it counts, it lacks proof of effect, or a rule excludes it."""
SCREENING_STATUSES: Final[tuple[ScreeningStatus, ...]] = get_args(ScreeningStatus)

BatchItemStatus = Literal[ScreeningStatus, "repeated", "refused", "withdrawn", "not_tried"]
"""The outcome of one item of a batch: how a new result was screened, or why it is not stored."""

KeyedEndpoint = Literal["submissions", "batch", "follow-ups", "corrections"]
"""An endpoint that takes an Idempotency-Key."""
KEYED_ENDPOINTS: Final[tuple[KeyedEndpoint, ...]] = get_args(KeyedEndpoint)

FollowUpStatus = Literal["counted", "unverified", "recorded"]
"""How a follow-up was screened; a `recorded` one is stored and changes no number."""
FOLLOW_UP_STATUSES: Final[tuple[FollowUpStatus, ...]] = get_args(FollowUpStatus)

DecisionAction = Literal["include", "exclude", "invalidate", "undo"]
"""What a curator decides about a setting; after `undo` the rules decide again."""
DECISIONS: Final[tuple[DecisionAction, ...]] = get_args(DecisionAction)
STANDING_DECISIONS: Final = DECISIONS[:-1]
"""Decisions that overrule the rules until they are undone."""
DECISION_REASONS: Final = (
    "effect_confirmed",
    "depth_confirmed",
    "rule_does_not_fit",
    "effect_doubted",
    "testing_doubted",
    "machine_doubted",
    "unlike_other_results",
    "wrong_units",
    "wrong_chip",
    "not_measured",
    "script_error",
    "decided_in_error",
    "rules_apply",
)

PoolCode = Literal["moved_by_one_contributor", "start_lost", "fails_near_stock"]
"""Why a curator should look at a pool. One contributor moves its start by more than 10 mV (2
counts), its start is lost, or ten contributors allow none."""
POOL_CODES: Final[tuple[PoolCode, ...]] = get_args(PoolCode)

ErasureReason = Literal["asked_by_sender", "personal_data", "false_results"]
"""Why the host erased results: the sender asked for it, they held personal data, or they were
made up."""
ERASURE_REASONS: Final[tuple[ErasureReason, ...]] = get_args(ErasureReason)
