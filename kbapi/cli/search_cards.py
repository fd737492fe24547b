"""The cards of a search in the terminal: one at a time, 80 columns wide."""

from typing import Any

from kbapi.advice.wording.parts import percent
from kbapi.cli.common import bullet, paragraph


def opening_card(answer: dict[str, Any]) -> str:
    """What to read once, before the first step."""
    order = ", then ".join(" with ".join(group["domains"]) for group in answer["domain_order"])
    return "\n".join(
        [
            paragraph(f"Supply rails (domains), one group at a time: {order}."),
            "",
            "Cautions:",
            *(bullet(caution["text"]) for caution in answer["cautions"]),
            "",
            "When to stop:",
            *(bullet(rule) for rule in answer["stop_rules"]),
        ]
    )


def step_card(answer: dict[str, Any], value: float, minutes: float) -> str:
    """What to set, for how long, what to watch, what to do if it fails."""
    rails = " and ".join([answer["domain"], *answer["moved_with"]])
    lines = [
        "",
        "-" * 40,
        paragraph(f"Set {rails} to {value:g} {_unit(answer)}, everything else as it was."),
        paragraph(_chance(answer)),
        paragraph(
            f"Test for {minutes:g} minutes with a load that checks its own results. Watch for "
            "wrong results, corrected machine checks, picture faults, lost drivers and hangs."
        ),
        paragraph(
            "If it fails: set everything back to stock, check your files, then answer here. If "
            "the machine restarts, run this command again: the step is recorded."
        ),
    ]
    for line in answer["plan"]:
        if len(line["outcomes"]) == 1:
            lines.append(bullet(line["text"]))
            if line["next_step"] is None:
                lines.append(paragraph(line["recommended_in_use"]["text"], "    "))
    if answer["expected_search"]:
        left = answer["expected_search"]
        lines.append(
            paragraph(
                f"On average {left['trials']:.0f} trials with {left['failures']:.1f} failures are "
                f"left: {left['minutes']:.0f} minutes."
            )
        )
    return "\n".join(lines)


def under_way_card(run: dict[str, Any]) -> str:
    """The step that was begun when the record was last written."""
    rails = " and ".join(one["domain"] for one in run["settings"])
    value = run["settings"][0]["value"]
    return paragraph(
        f"The last recorded step was under way: {rails} at {value:g}. If the machine hung or "
        "restarted on it, the step failed."
    )


def closing_card(answer: dict[str, Any]) -> str:
    """Where the search ended, and where to settle."""
    why = answer["reason"]["text"] if answer["reason"] else "You ended the search here."
    settle = answer["recommended_in_use"]["text"]
    lines = ["", "-" * 40, paragraph(why), paragraph(settle)]
    if answer["recommended_in_use"]["setting"] is not None:
        lines.append(
            paragraph("Then test it for hours, under several loads, cold and after sleep.")
        )
    return "\n".join(lines)


def _chance(answer: dict[str, Any]) -> str:
    chance = answer["next_step"]["chance_stable"]
    if chance is None:
        return "The step is small, because no results show how likely it passes."
    return f"{percent(chance)} of machines like yours pass, as far as results show."


def _unit(answer: dict[str, Any]) -> str:
    if answer["control"] == "count_offset":
        return "counts"
    return "mV absolute" if answer["control"] == "fixed_clock_voltage" else "mV"
