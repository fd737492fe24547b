"""A document whose sender mistook the unit of measure or the sign, as the door refuses it."""

from random import Random
from typing import Any, Final

_VALUES: Final = (
    "first_tried",
    "stable_at",
    "unstable_at",
    "planned_end",
    "in_use",
    "read_back",
)


def in_wrong_units(rng: Random, document: dict[str, Any]) -> dict[str, Any]:
    """The document in volts, or with the sign lost; single runs and readings are left out."""
    in_volts = rng.random() < 0.5
    settings = [_mistaken(setting, in_volts=in_volts) for setting in document["settings"]]
    kept = {k: v for k, v in document.items() if k not in ("trials", "readings", "settings")}
    return {**kept, "settings": settings}


def _mistaken(setting: dict[str, Any], *, in_volts: bool) -> dict[str, Any]:
    told = {name: setting[name] for name in _VALUES if setting.get(name) is not None}
    # A fixed voltage has no sign to lose, a count no volts to be told in.
    as_volts = setting["control"] == "fixed_clock_voltage" or (
        in_volts and setting["control"] == "voltage_offset"
    )
    factor = 0.001 if as_volts else -1
    return setting | {name: round(value * factor, 6) for name, value in told.items()}
