"""Answers beside the start in lines for people: 80 columns, no colour, fit for a pipe."""

from collections.abc import Iterator
from typing import Any

from kbapi.cli.common import bullet, paragraph
from kbapi.cli.lines import cautions_in_lines


def gains_in_lines(answer: dict[str, Any]) -> str:
    """What tuning changed, a paragraph for each load and cap."""
    lines = [paragraph(answer["summary"])]
    for cell in answer["cells"]:
        lines += ["", paragraph(cell["text"])]
        lines += [bullet(gain["text"]) for gain in cell["overall"]["gains"]]
    return "\n".join([*lines, *cautions_in_lines(answer)])


def power_in_lines(answer: dict[str, Any]) -> str:
    """Which power limit keeps how much."""
    lines = [paragraph(answer["summary"])]
    for name, curve in (("At stock", answer["stock"]), ("Tuned", answer["tuned"])):
        if curve is not None:
            lines += ["", f"{name}, {curve['units']} units:"]
            lines += [bullet(text) for text in _curve(curve)]
    if answer["at_limit"] is not None:
        lines += ["", paragraph(answer["at_limit"]["text"])]
    return "\n".join([*lines, *cautions_in_lines(answer)])


def _curve(curve: dict[str, Any]) -> Iterator[str]:
    if curve["smallest_limit"] is not None:
        yield curve["smallest_limit"]["text"]
    yield curve["best_per_watt"]["text"]


def lasting_in_lines(answer: dict[str, Any]) -> str:
    """How long settings stayed stable, by margin."""
    lines = [paragraph(answer["summary"])]
    for band in answer["by_margin"]:
        lines += ["", f"{_margin(band)}, {band['units']} units:"]
        lines += [_still_stable(after) for after in band["survival"]]
    lines += ["", paragraph(answer["recommended_margin"]["text"])]
    if answer["drift"] is not None:
        lines.append(paragraph(answer["drift"]["text"]))
    return "\n".join([*lines, *cautions_in_lines(answer)])


def _margin(band: dict[str, Any]) -> str:
    if band["margin_above"] is None:
        return "No margin to the deepest pass"
    if band["margin_up_to"] is None:
        return f"A margin of more than {band['margin_above']:g}"
    return f"A margin of more than {band['margin_above']:g} up to {band['margin_up_to']:g}"


def _still_stable(after: dict[str, Any]) -> str:
    low, high = after["interval"]
    return (
        f"  after {after['days']:>3} days {after['share']:>4.0%} still stable "
        f"({low:.0%} to {high:.0%}, {after['units']} units)"
    )


def diagnosis_in_lines(answer: dict[str, Any]) -> str:
    """What to find out first, what others saw, what to do."""
    lines = [paragraph(answer["summary"]), "", "First find out:"]
    for question in answer["check_first"]:
        lines += [bullet(question["question"]), paragraph(question["then"], "    ")]
    lines += ["", *_others(answer)]
    if answer["step_back"] is not None:
        lines.append(paragraph(answer["step_back"]["text"]))
    if answer["about_failure"] is not None:
        lines.append(paragraph(answer["about_failure"]))
    lines += ["", "What to do now:", *(bullet(step["text"]) for step in answer["next_actions"])]
    lines += ["", "It could also be:", *(bullet(one["text"]) for one in answer["other_causes"])]
    return "\n".join([*lines, *cautions_in_lines(answer)])


def _others(answer: dict[str, Any]) -> Iterator[str]:
    for after in answer["after_changes"]:
        made, others = after["units_with_change"], after["units_without_change"]
        yield paragraph(
            f"After a change of {after['change']} {made['failed']} of "
            f"{made['failed'] + made['stable']} units failed later, {made['stable']} did not; "
            f"without it {others['failed']} of {others['failed'] + others['stable']} failed."
        )
