"""What became of the settings that members live with, and the update that one class suffers."""

from random import Random
from typing import Any, Final

from kbapi.exchange.club import shares
from kbapi.exchange.club.results import ClubResult

_DAYS: Final = (35, 60, 95, 180, 370)
_FIRST_FAILURE: Final = 3


def draw_follow_up(rng: Random, result: ClubResult) -> dict[str, Any] | None:
    """A member's follow-up on the main setting; None from most, and where none is in use."""
    settings: list[dict[str, Any]] = result.document.get("settings", [])
    if result.standing != "honest" or settings[0].get("in_use") is None:
        return None
    is_there = result.document["platform"]["machine"] == shares.SHORTENED_CLASS
    if rng.random() >= (shares.FOLLOWED_UP_THERE if is_there else shares.FOLLOWED_UP):
        return None
    changed = _draw_changed(rng, is_there=is_there)
    is_shortened = is_there and shares.SHORTENED_BY in changed
    setting, days = settings[0], rng.choice(_DAYS) + rng.randint(0, 14)
    told = {"domain": setting["domain"], "control": setting["control"], "changed": changed}
    if "clock_mhz" in setting:
        told["clock_mhz"] = setting["clock_mhz"]
    failing = shares.FAILED_AFTER_IT if is_shortened else shares.FAILED_LATER
    return told | _outcome(rng, days, failing)


def _draw_changed(rng: Random, *, is_there: bool) -> list[str]:
    made = shares.CHANGED | ({shares.SHORTENED_BY: shares.UPDATED} if is_there else {})
    return [name for name, share in made.items() if rng.random() < share]


def _outcome(rng: Random, days: int, failing: float) -> dict[str, Any]:
    if rng.random() < failing:
        failure = rng.choice(("system_hang", "system_reset", "wrong_result"))
        failed_on = rng.randint(_FIRST_FAILURE, days)
        return {"outcome": "failed_later", "days": failed_on, "failure": failure}
    chance = rng.random()
    for outcome, share in shares.LOST.items():
        chance -= share
        if chance < 0:
            return {"outcome": outcome, "days": days}
    return {"outcome": "still_stable", "days": days, "effect": {"shown_by": "less_power"}}
