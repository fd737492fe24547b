"""Commands for gains, power limits, longevity and diagnosis."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

import click
import orjson

from kbapi.advice.phrases import percent, range_text
from kbapi.cli.common import (
    ListOf,
    answer_of,
    answer_options,
    bullet,
    changes_of,
    choice_option,
    connected,
    paragraph,
)
from kbapi.cli.questions import print_with_cautions
from kbapi.vocabulary import (
    DOMAINS,
    EFFECTS,
    FAILURES,
    FOLLOW_UP_CHANGES,
    LIMIT_CONTROLS,
    LOADS,
    YES_NO_UNKNOWN,
)


def gains_in_lines(answer: dict[str, Any]) -> str:
    """The text of gains, a paragraph for each load and cap."""
    lines = [answer["chip"]["name"], paragraph(answer["summary"])]
    if answer["reason"] is not None:
        lines.append(paragraph(answer["reason"]["text"]))
    for cell in answer["by_load"]:
        lines += ["", paragraph(cell["text"])]
        for gain in cell["overall"]["gains"]:
            lines.append(bullet(gain["text"]))
            if gain["own"] is not None:
                lines.append(paragraph(gain["own"]["text"], "    "))
    lines += ["", paragraph(answer["self_selected"]["text"])] if answer["by_load"] else []
    return "\n".join([*lines, *_withheld(answer)])


def gains_in_brief(answer: dict[str, Any]) -> Iterator[str]:
    """The changes under the first load with their intervals, and the next step."""
    if not answer["by_load"]:
        yield _with_reason(answer)
        return
    cell = answer["by_load"][0]
    yield cell["text"]
    for gain in cell["overall"]["gains"][:_MOST_GAINS]:
        yield gain["text"]
        yield from [] if gain["own"] is None else [gain["own"]["text"]]
    yield f"Next: kbapi power {answer['chip']['key']}"


def _with_reason(answer: dict[str, Any]) -> str:
    return " ".join([answer["summary"], *([answer["reason"]["text"]] if answer["reason"] else [])])


_MOST_GAINS: Final = 2


def _withheld(answer: dict[str, Any]) -> list[str]:
    text = answer["withheld_text"]
    return [] if text is None else ["", paragraph(text)]


def power_in_lines(answer: dict[str, Any]) -> str:
    """The text of a power answer."""
    lines = [answer["chip"]["name"], paragraph(answer["summary"])]
    if answer["reason"] is not None:
        lines.append(paragraph(answer["reason"]["text"]))
    for name, curve in (("At stock", answer["stock"]), ("Tuned", answer["tuned"])):
        if curve is not None:
            lines += ["", f"{name} ({curve['units']} machines):"]
            lines += [bullet(text) for text in _curve(curve)]
    if answer["at_limit"] is not None:
        lines += ["", paragraph(answer["at_limit"]["text"])]
    lines += ["", paragraph(answer["self_selected"]["text"])] if answer["tuned"] else []
    return "\n".join([*lines, *_withheld(answer)])


def power_in_brief(answer: dict[str, Any]) -> Iterator[str]:
    """The suggested limit with what it keeps, and what the limit that was asked about costs."""
    yield _with_reason(answer)
    if (curve := answer["tuned"] or answer["stock"]) is not None:
        yield from list(_curve(curve))[:1]
    if answer["at_limit"] is not None:
        yield answer["at_limit"]["text"]
    yield f"Next: kbapi gains {answer['chip']['key']}"


def _curve(curve: dict[str, Any]) -> Iterator[str]:
    if curve["smallest_limit"] is not None:
        yield curve["smallest_limit"]["text"]
    yield curve["best_efficiency"]["text"]


def longevity_lines(answer: dict[str, Any]) -> str:
    """The text of a longevity answer, by margin."""
    lines = [answer["chip"]["name"], paragraph(answer["summary"])]
    if answer["by_margin"]:
        lines += ["", "The margin is the distance to the deepest setting that passed."]
    unit = "counts" if answer["control"] == "count_offset" else "mV"
    for band in answer["by_margin"]:
        lines.append(f"{_margin(band, unit)} ({band['units']} machines):")
        lines += [_still_stable(after) for after in band["survival"]]
    lines += ["", paragraph(answer["recommended_margin"]["text"])]
    if answer["drift"] is not None:
        lines.append(paragraph(answer["drift"]["text"]))
    return "\n".join([*lines, *_withheld(answer)])


def longevity_in_brief(answer: dict[str, Any]) -> Iterator[str]:
    """The share that was still stable last, with its interval, and the margin to keep."""
    if answer["survival"]:
        yield f"{_still_stable(answer['survival'][-1]).strip().capitalize()}."
    else:
        yield answer["summary"]
    yield answer["recommended_margin"]["text"]


def _margin(band: dict[str, Any], unit: str) -> str:
    above, up_to = band["margin_above"], band["margin_up_to"]
    if above is None:
        return "No margin"
    if up_to is None:
        return f"Margin above {above:g} {unit}"
    return f"Margin above {above:g} {unit}, up to {up_to:g} {unit}"


def _still_stable(after: dict[str, Any]) -> str:
    return (
        f"  after {after['days']} days: {percent(after['share'])} still stable "
        f"({range_text(after['interval'])}, {after['units']} machines)"
    )


def diagnosis_in_lines(answer: dict[str, Any]) -> str:
    """The text of a diagnosis: checks, results of other machines, next actions."""
    lines = [answer["chip"]["name"], paragraph(answer["summary"]), "", "Check first:"]
    for question in answer["check_first"]:
        lines.append(bullet(question["question"]))
        if (given := question["your_answer"]) == "unknown":
            lines.append(paragraph(f"If yes: {question['if_yes']}", "    "))
            lines.append(paragraph(f"If no: {question['if_no']}", "    "))
        else:
            lines.append(paragraph(f"You answered {given}. {question[f'if_{given}']}", "    "))
        lines.append(paragraph(question["then"], "    "))
    others = list(_others(answer))
    lines += ["", *others] if others else []
    lines += _withheld(answer)
    hints = [None if answer["step_back"] is None else answer["step_back"]["text"]]
    hints.append(answer["failure_meaning"])
    shown = [paragraph(hint) for hint in hints if hint is not None]
    lines += ["", *shown] if shown else []
    lines += ["", "What to do now:", *(bullet(step["text"]) for step in answer["next_actions"])]
    lines += ["", "Other causes:", *(bullet(one["text"]) for one in answer["other_causes"])]
    return "\n".join(lines)


def diagnosis_in_brief(answer: dict[str, Any]) -> Iterator[str]:
    """What stands out, how far to step back, and the question to answer first."""
    yield answer["summary"]
    if answer["step_back"] is not None:
        yield answer["step_back"]["text"]
    unknown = [one for one in answer["check_first"] if one["your_answer"] == "unknown"]
    yield from (f"Next: {one['question']}" for one in unknown[:1])


def _others(answer: dict[str, Any]) -> Iterator[str]:
    for after in answer["after_changes"]:
        made, others = after["units_with_change"], after["units_without_change"]
        yield paragraph(
            f"{after['change']} changed: {made['failed']} of {made['failed'] + made['stable']} "
            f"machines failed later. Not changed: {others['failed']} of "
            f"{others['failed'] + others['stable']}."
        )


@click.command("gains")
@click.argument("chip")
@choice_option("--load", of=LOADS, about="Use only readings under this load class.")
@click.option("--own-performance-stock", help="Your runs at stock, such as 41.2,41.0,41.5.")
@click.option("--own-performance-tuned", help="Your tuned runs, in the same unit.")
@click.option("--own-power-stock-w", help="Power of your runs at stock, in W.")
@click.option("--own-power-tuned-w", help="Power of your tuned runs, in W.")
@answer_options
def gains_command(
    chip: str, home: Path, url: str | None, as_json: bool, **asked: str | None
) -> None:
    """Show what tuning changed on CHIP.

    The answer compares each change with the noise of the measurements, and
    your own change with the noise of your own runs.
    """
    with connected(home, url) as api_client:
        reply = api_client.request("GET", "/v1/gains", query=_sent(chip=chip, **asked))
    print_with_cautions(answer_of(reply), as_json, gains_in_lines, gains_in_brief)


@click.command("power")
@click.argument("chip")
@choice_option("--load", of=LOADS, about="Use only readings under this load class.")
@click.option("--keep-share", help="Share of stock performance to keep.  [default: 0.95]")
@click.option("--limit-w", help="Also describe this power limit, in W.")
@answer_options
def power_command(
    chip: str, home: Path, url: str | None, as_json: bool, **asked: str | None
) -> None:
    """Suggest a power limit for CHIP.

    It is the smallest limit that keeps the wanted share of performance.
    """
    with connected(home, url) as api_client:
        reply = api_client.request("GET", "/v1/power", query=_sent(chip=chip, **asked))
    print_with_cautions(answer_of(reply), as_json, power_in_lines, power_in_brief)


@click.command("longevity")
@click.argument("chip")
@choice_option("--domain", of=DOMAINS, about="Supply rail (domain).")
@choice_option("--control", of=LIMIT_CONTROLS, about="Control.")
@answer_options
def longevity_command(
    chip: str, home: Path, url: str | None, as_json: bool, **asked: str | None
) -> None:
    """Show how long settings of CHIP stayed stable.

    The answer includes the margin to keep.
    """
    with connected(home, url) as api_client:
        reply = api_client.request("GET", "/v1/longevity", query=_sent(chip=chip, **asked))
    print_with_cautions(answer_of(reply), as_json, longevity_lines, longevity_in_brief)


@click.command("diagnose")
@click.argument("chip")
@choice_option("--domain", of=DOMAINS, about="Supply rail (domain).", required=True)
@choice_option("--control", of=LIMIT_CONTROLS, about="Control.", required=True)
@click.option("--setting", type=float, help="Setting in mV or counts; negative is lower.")
@click.option("--days", type=int, help="Number of days that the setting was stable.")
@click.option(
    "--changed",
    multiple=True,
    type=ListOf(FOLLOW_UP_CHANGES),
    help="Change since then, such as firmware, or firmware=41 for day 41. Repeat it for more.",
)
@click.option("--last-stable-day", type=int, help="Last day in use on which a test passed.")
@choice_option("--failure", of=FAILURES, about="Kind of failure.")
@choice_option("--load", of=LOADS, about="Load class of the failure.")
@choice_option(
    "--fails-at-stock", of=YES_NO_UNKNOWN, about="Whether the machine also fails at stock."
)
@click.option("--read-back", type=float, help="Setting that the control reports now.")
@choice_option("--shown-by", of=EFFECTS, about="Other proof of effect.")
@answer_options
def diagnose_command(
    chip: str,
    home: Path,
    url: str | None,
    as_json: bool,
    changed: tuple[str, ...],
    shown_by: str | None,
    **asked: str | float | None,
) -> None:
    """Find out why a setting of CHIP is no longer stable."""
    body = {
        "chip": chip,
        **{name: value for name, value in asked.items() if value is not None},
        **changes_of(changed),
        **({"effect": {"shown_by": shown_by}} if shown_by else {}),
    }
    with connected(home, url) as api_client:
        reply = api_client.request("POST", "/v1/diagnose", body=orjson.dumps(body))
    print_with_cautions(answer_of(reply), as_json, diagnosis_in_lines, diagnosis_in_brief)


def _sent(**asked: str | None) -> dict[str, str]:
    return {name: text for name, text in asked.items() if text is not None}
