"""An interview about a result; each answer is checked before the next question."""

import math
from collections.abc import Callable
from typing import Any, Final

import click
from marshmallow import ValidationError

from kbapi.bounds import MOST_MINUTES
from kbapi.cli.api_client import ApiClient
from kbapi.cli.common import answer_of, paragraph
from kbapi.cli.this_machine import printed_names
from kbapi.documents.refusal_rules import refuse_setting
from kbapi.documents.results import SettingSchema
from kbapi.documents.shapes import problems_of
from kbapi.vocabulary import FAILURES, LIMIT_CONTROLS, LOADS

_SETTING: Final = SettingSchema()
# Problems that the next answers about the setting can still correct.
_NOT_YET: Final = frozenset({"required", "no_outcome", "clock_missing"})
_UNITS: Final = {
    "voltage_offset": "mV, negative is lower, such as -80",
    "count_offset": "counts, negative is lower, such as -15",
    "fixed_clock_voltage": "mV, absolute, such as 820",
}


def interview(api_client: ApiClient) -> dict[str, Any]:
    """The document with the answers, without tokens."""
    click.echo(
        paragraph(
            "Answer one question at a time; leave an answer empty to skip it. Failures are the "
            "most useful results. Nothing is sent until you confirm."
        )
    )
    chip = _ask_chip(api_client)
    described = answer_of(api_client.request("GET", f"/v1/chips/{chip['key']}"))
    setting = _ask_setting(described)
    document: dict[str, Any] = {"chip": chip["text"], "settings": [setting]}
    stock = ask_stock()
    if stock is not None:
        document["stock_passed"] = [stock]
    return document


def _ask_chip(api_client: ApiClient) -> dict[str, str]:
    own = next((name.text.strip() for name in printed_names()), None)
    while True:
        text = click.prompt("Chip, as the system prints it", default=own, type=str)
        found = answer_of(api_client.request("GET", "/v1/identify", query={"text": text}))
        if found["match"] == "exact":
            click.echo(f"  That is {found['chip']['name']}.")
            return {"text": text, "key": found["chip"]["key"]}
        click.echo(paragraph(found["reason"], "  "))
        for candidate in found["candidates"]:
            click.echo(f"  candidate: {candidate['key']}")


def _ask_setting(described: dict[str, Any]) -> dict[str, Any]:
    domains = list(described["domains"])
    controls = [one["control"] for one in described["controls"]]
    usual = [name for name in LIMIT_CONTROLS if name in controls] or list(LIMIT_CONTROLS)
    setting: dict[str, Any] = {
        "domain": click.prompt(
            "Supply rail (domain)", type=click.Choice(domains), default=domains[0]
        ),
        "control": click.prompt("Control", type=click.Choice(usual), default=usual[0]),
    }
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
        _ask_choice(setting, "failure", "Kind of failure", FAILURES, several=False)
    _ask_choice(setting, "moved_with", "Other domains that moved with it", domains, several=True)
    _ask_choice(setting, "loads", "Load classes of the tests", LOADS, several=True)
    _ask_number(setting, "minutes", "Minutes of testing at the setting that passed, in total")
    if click.confirm("Did the load check its own results?", default=False):
        setting["checked_results"] = True
    _ask_number(setting, "read_back", f"Setting that the control reports now ({unit})")
    if "read_back" in setting:
        setting["effect"] = {"shown_by": "read_back"}
    return setting


def ask_stock() -> dict[str, Any] | None:
    """The load class that passed at stock and its minutes, None without an answer."""
    load = ask_until(
        "Load class that passed at stock, before any change",
        lambda text: text if text in LOADS else None,
        f"Enter one of: {', '.join(LOADS)}.",
    )
    if load is None:
        return None
    minutes = ask_until("Minutes of this test", minutes_in, "Enter a number.")
    return None if minutes is None else {"load": load, "minutes": minutes}


def _ask_number(setting: dict[str, Any], field: str, question: str) -> None:
    """Add a checked number to the setting, or omit it."""
    while True:
        setting.pop(field, None)
        value = ask_until(question, number_in, "Enter a number.")
        if value is None:
            return
        setting[field] = value
        problem = _first_problem(setting)
        if problem is None:
            return
        click.echo(paragraph(problem, "  "))


def _first_problem(setting: dict[str, Any]) -> str | None:
    try:
        parsed = _SETTING.load(setting)
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
    """The parsed value of the first valid answer, None for an empty one."""
    while True:
        text = click.prompt(question, default="", show_default=False, type=str).strip()
        if not text:
            return None
        value = parse(text)
        if value is not None:
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
