"""An interview about a result; each answer is checked before the next question."""

import math
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any, Final

import click

from kbapi.bounds import MOST_MINUTES
from kbapi.cli.api_client import ApiClient
from kbapi.cli.common import answer_of, bullet, paragraph
from kbapi.cli.this_machine import printed_names
from kbapi.errors import Problem
from kbapi.vocabulary import (
    DOMAINS,
    FAILURE_SIGNS,
    FAILURES,
    FORMS,
    LIMIT_CONTROLS,
    LOAD_SIGNS,
    LOADS,
    LOCK_SIGNS,
    LOCK_STATUSES,
    LOCKED_STATUSES,
    PERFORMANCE_UNITS,
    READING_STATES,
)

if TYPE_CHECKING:  # schemas load for long; a command that asks nothing needs none
    from marshmallow import Schema

# Problems that the next answers about the setting can still correct.
_NOT_YET: Final = frozenset({"required", "no_outcome", "clock_missing"})
_UNITS: Final = {
    "voltage_offset": "mV, negative is lower, such as -80",
    "count_offset": "counts, negative is lower, such as -15",
    "fixed_clock_voltage": "mV, absolute, such as 820",
}
_UNKNOWN: Final = frozenset({"", "?", "unknown", "i do not know"})


def interview(api_client: ApiClient) -> dict[str, Any]:
    """The document with the answers, without tokens."""
    click.echo(
        paragraph(
            "Answer one question at a time. If you do not know, leave the answer empty or type ?. "
            "Failures are the most useful results. Nothing is sent until you confirm."
        )
    )
    chip = _ask_chip(api_client)
    described = answer_of(api_client.request("GET", f"/v1/chips/{chip['key']}"))
    rail = _ask_rail(described)
    lock = _ask_lock(rail)
    document: dict[str, Any] = {"chip": chip["text"], "locks": [lock]}
    if not _is_tuned(described):
        click.echo("  This chip has no setting to search for, so only the lock is reported.")
    elif lock["status"] not in LOCKED_STATUSES:
        setting = _ask_setting(rail, described)
        document["settings"] = [setting]
        if "read_back" in setting and lock["status"] == "open":
            lock["found_by"] = "written_and_read_back"
        stock = ask_stock()
        if stock is not None:
            document["stock_passed"] = [stock]
    platform = _ask_platform()
    if platform:
        document["platform"] = platform
    readings = _ask_readings(document.get("settings", []))
    if readings:
        document["readings"] = readings
    return document


def _ask_chip(api_client: ApiClient) -> dict[str, str]:
    own = next((name.text.strip() for name in printed_names()), None)
    if own is not None:
        read = answer_of(api_client.request("GET", "/v1/identify", query={"text": own}))
        own = own if read["match"] == "exact" else None
    while True:
        text = click.prompt("Chip, as the system prints it", default=own, type=str)
        found = answer_of(api_client.request("GET", "/v1/identify", query={"text": text}))
        if found["match"] == "exact":
            click.echo(f"  That is {found['chip']['name']}.")
            return {"text": text, "key": found["chip"]["key"]}
        click.echo(paragraph(found["reason"], "  "))
        for candidate in found["candidates"]:
            click.echo(f"  candidate: {candidate['key']}")
        if not found["candidates"]:
            click.echo("  To look for a name, use 'kbapi chips search TEXT'.")


def _ask_rail(described: dict[str, Any]) -> dict[str, Any]:
    """The domain and the control that the result is about."""
    # A chip that the catalogue does not describe may have each of them.
    domains = list(described["domains"]) or list(DOMAINS)
    controls = [one["control"] for one in described["controls"]]
    usual = [name for name in LIMIT_CONTROLS if name in controls] or list(LIMIT_CONTROLS)
    return {
        "domain": _choose("Supply rail (domain)", domains),
        "control": _choose("Control", usual),
    }


def _choose(question: str, choices: list[Any]) -> Any:
    """One of the choices; the first one for an answer that is empty, `?` or not known."""
    chosen: dict[str, Any] = {}
    shown = f"{question} ({', '.join(choices)}) [{choices[0]}]"
    _ask_choice(chosen, "one", shown, choices, several=False)
    return chosen.get("one", choices[0])


def _is_tuned(described: dict[str, Any]) -> bool:
    """Whether the chip has a control with a limit, as far as is known."""
    controls = [one["control"] for one in described["controls"]]
    return not controls or any(name in controls for name in LIMIT_CONTROLS)


def _ask_lock(rail: dict[str, Any]) -> dict[str, Any]:
    """The lock report; a locked machine is a result by itself."""
    _explain(LOCK_SIGNS)
    lock = {**rail, "status": "unknown"}
    _ask_choice(lock, "status", "Lock status on this machine", LOCK_STATUSES, several=False)
    return lock


def _explain(signs: Mapping[Any, str]) -> None:
    for name, sign in signs.items():
        click.echo(bullet(f"{name}: {sign}"))


def _ask_setting(rail: dict[str, Any], described: dict[str, Any]) -> dict[str, Any]:
    setting = dict(rail)
    unit = _UNITS[setting["control"]]
    if setting["control"] == "fixed_clock_voltage":
        _ask_number(setting, "clock_mhz", "Clock of this setting, in MHz")
        _ask_number(setting, "stock_mv", "Stock voltage of this unit at that clock, in mV")
    while True:
        _ask_number(setting, "stable_at", f"Deepest setting that passed ({unit})")
        _ask_number(setting, "unstable_at", f"Shallowest setting that failed ({unit})")
        if {"stable_at", "unstable_at"} & set(setting):
            break
        click.echo("  Enter a setting that passed, one that failed, or both.")
    if "unstable_at" in setting:
        ask_failure(setting)
    _ask_moved_with(setting, described)
    if "stable_at" in setting:
        _explain(LOAD_SIGNS)
        _ask_choice(setting, "loads", "Load classes of the tests", LOADS, several=True)
        _ask_number(setting, "minutes", "Minutes of testing at the setting that passed, in total")
        if click.confirm("Did the load check its own results?", default=False):
            setting["checked_results"] = True
    ask_read_back(setting)
    ask_in_use(setting)
    return setting


def _ask_moved_with(setting: dict[str, Any], described: dict[str, Any]) -> None:
    others = [name for name in described["domains"] if name != setting["domain"]]
    pools = [
        pool
        for pool in described["pools"]
        if pool["control"] == setting["control"] and setting["domain"] in pool["domains"]
    ]
    largest = max(pools, key=lambda pool: pool["units"], default=None)
    if largest is not None and len(largest["domains"]) > 1:
        click.echo(
            f"  Most results of this chip moved {' and '.join(largest['domains'])} together."
        )
    if others:
        _ask_choice(setting, "moved_with", "Other domains that moved with it", others, several=True)


def ask_failure(failed: dict[str, Any]) -> None:
    """Add the kind of failure, each explained in a line, or omit it if it is not known."""
    _explain(FAILURE_SIGNS)
    _ask_choice(failed, "failure", "Kind of failure", FAILURES, several=False)


def ask_read_back(setting: dict[str, Any]) -> None:
    """Add what the control reported at the deepest pass; without a pass nothing is asked."""
    if setting.get("stable_at") is None:
        return
    unit = _UNITS[setting["control"]]
    _ask_number(setting, "read_back", f"What the control reported at that setting ({unit})")
    if "read_back" in setting:
        setting["effect"] = {"shown_by": "read_back"}


def ask_in_use(setting: dict[str, Any]) -> None:
    """Add the setting to use, not deeper than the deepest pass; without a pass none is asked."""
    passed = setting.get("stable_at")
    if passed is None:
        click.echo("  No setting passed, so stay at stock.")
        return
    unit = _UNITS[setting["control"]]

    def never_passed(asked: dict[str, Any]) -> str | None:
        if asked["in_use"] < passed:
            return f"That never passed. Enter {passed:g} or a setting nearer to stock."
        return _problem_of_setting(asked)

    _ask_number(setting, "in_use", f"Setting that you will use ({unit})", never_passed)


def ask_stock() -> dict[str, Any] | None:
    """The load class that passed at stock and its minutes, None without an answer."""
    _explain(LOAD_SIGNS)
    load = ask_until(
        "Load class that passed at stock, before any change",
        lambda text: text if text in LOADS else None,
        f"Enter one of: {', '.join(LOADS)}.",
    )
    if load is None:
        return None
    minutes = ask_until("Minutes of this test", minutes_in, "Enter a number.")
    return None if minutes is None else {"load": load, "minutes": minutes}


def _ask_platform() -> dict[str, Any]:
    """What the person knows about the machine; empty if that is nothing."""
    platform: dict[str, Any] = {}
    for field, question in (
        ("machine", "Machine: maker and model, without a serial number"),
        ("firmware", "Firmware version"),
        ("firmware_month", "Month of the firmware, such as 2026-03"),
        ("microcode", "Microcode version"),
    ):
        _ask_text(platform, field, question)
    _ask_choice(platform, "form", "Form of the machine", FORMS, several=False)
    return platform


def _ask_text(platform: dict[str, Any], field: str, question: str) -> None:
    from kbapi.documents.personal_data import find_personal_data
    from kbapi.documents.results import PlatformSchema
    from kbapi.documents.shapes import find_machine, machine_unknown

    while True:
        platform.pop(field, None)
        value = ask_until(question, _known, "")
        if value is None:
            return
        platform[field] = value
        faults = _faults_of(PlatformSchema(), platform) or list(
            find_personal_data({"platform": platform})
        )
        # A text with a hyphen may be a class of the instance's catalogue.
        classes = {value.casefold()} if "-" in value else set()
        if field == "machine" and not faults and find_machine(value, classes) is None:
            faults = [machine_unknown(field)]
        if not faults:
            return
        click.echo(paragraph(faults[0].detail, "  "))


def _known(text: str) -> str | None:
    return None if text.casefold().rstrip(".") in _UNKNOWN else text


def _ask_readings(settings: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Readings at stock and with the setting; empty without numbers."""
    states = READING_STATES if any("in_use" in one for one in settings) else READING_STATES[:1]
    load = ask_until(
        "Load class of your readings (empty: no readings)",
        lambda text: text if text in LOADS else None,
        f"Enter one of: {', '.join(LOADS)}.",
    )
    if load is None:
        return []
    readings = [_ask_reading(state, load) for state in states]
    return [reading for reading in readings if len(reading) > 2]


def _ask_reading(state: str, load: str) -> dict[str, Any]:
    reading: dict[str, Any] = {"state": state, "load": load}
    when = "At stock" if state == "stock" else "With the setting that you use"
    for field, question in (
        ("minutes", "length of the run, in minutes"),
        ("power_w", "mean power of the package, in W"),
        ("clock_mhz", "mean clock, in MHz"),
        ("temp_max_c", "highest temperature, in °C"),
        ("performance", "performance of the load"),
    ):
        _ask_number(reading, field, f"{when}: {question}", _problem_of_reading)
    if "power_w" in reading:
        reading["power_scope"] = "package"
    if "performance" in reading:
        _ask_choice(reading, "performance_unit", "Its unit", PERFORMANCE_UNITS, several=False)
    return reading


def _problem_of_reading(reading: dict[str, Any]) -> str | None:
    from kbapi.documents.measurements import ReadingSchema

    faults = _faults_of(ReadingSchema(), reading)
    return faults[0].detail if faults else None


def _faults_of(schema: "Schema", part: dict[str, Any]) -> list[Problem]:
    from marshmallow import Schema, ValidationError

    from kbapi.documents.shapes import problems_of

    try:
        # Called on the class, because a schema may have a field with the name load.
        Schema.load(schema, part)
    except ValidationError as error:
        return list(problems_of(error.messages))
    return []


def _ask_number(
    part: dict[str, Any],
    field: str,
    question: str,
    problem_of: Callable[[dict[str, Any]], str | None] | None = None,
) -> None:
    """Add a checked number to the part of the document, or omit it."""
    while True:
        part.pop(field, None)
        value = ask_until(question, number_in, "Enter a number.")
        if value is None:
            return
        part[field] = value
        problem = (problem_of or _problem_of_setting)(part)
        if problem is None:
            return
        click.echo(paragraph(problem, "  "))


def _problem_of_setting(setting: dict[str, Any]) -> str | None:
    from marshmallow import ValidationError

    from kbapi.documents.refusal_rules import refuse_setting
    from kbapi.documents.results import SettingSchema
    from kbapi.documents.shapes import problems_of

    try:
        parsed = SettingSchema().load(setting)
    except ValidationError as error:
        problems = list(problems_of(error.messages))
    else:
        problems = list(refuse_setting(parsed, ""))
    return next((problem.detail for problem in problems if problem.code not in _NOT_YET), None)


def _ask_choice(
    setting: dict[str, Any], field: str, question: str, choices: Any, *, several: bool
) -> None:
    def parse(text: str) -> Any:
        chosen = [name.strip() for name in text.split(",")]
        if any(name not in choices for name in chosen) or (len(chosen) > 1 and not several):
            return None
        return chosen if several else chosen[0]

    how = "one or more of, separated by commas" if several else "one of"
    value = ask_until(question, parse, f"Enter {how}: {', '.join(choices)}.")
    if value is not None:
        setting[field] = value


def ask_until(question: str, parse: Callable[[str], Any], hint: str) -> Any:
    """The parsed value of the first valid answer; None if it is empty, `?` or not known."""
    while True:
        text = click.prompt(question, default="", show_default=False, type=str).strip()
        value = parse(text)
        if value is not None or _known(text) is None:
            return value
        click.echo(paragraph(hint, "  "))


def number_in(text: str) -> float | None:
    """The number in a text, None if the text is not a number."""
    try:
        value = float(text)
    except ValueError:
        return None
    if not math.isfinite(value):
        return None
    return int(value) if value == int(value) else value


def minutes_in(text: str) -> float | None:
    """The minutes in a text, None if they are not plausible."""
    minutes = number_in(text)
    return minutes if minutes is not None and 0 <= minutes <= MOST_MINUTES else None
