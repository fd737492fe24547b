"""The record of a search on disk: its trials, its document, and texts for the terminal."""

import json
from collections.abc import Iterator
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from kbapi.cli.common import bullet, paragraph
from kbapi.cli.sender_file import save_private_file
from kbapi.errors import UnsafeSetup


@dataclass
class SearchRecord:
    """A search on this machine."""

    chip: str
    asked: dict[str, Any]
    """The fields of the request except chip and trials."""
    stock_passed: dict[str, Any] | None = None
    trials: list[dict[str, Any]] = field(default_factory=list)
    under_way: dict[str, Any] | None = None
    """The recorded run without a result; after a crash it is still here."""
    sent_trials: int = 0
    """How many of the trials were sent. The file stays: a later search must know each failure."""

    def question(self) -> dict[str, Any]:
        """The body of a request for the next step."""
        return {"chip": self.chip, **self.asked, "trials": self.trials}


def load_record(path: Path) -> SearchRecord | None:
    """The search in this file, None where there is none.

    Raises
    ------
    UnsafeSetup
        When the file is damaged; it is never overwritten.
    """
    try:
        kept = json.loads(path.read_text(encoding="utf-8"))
        return SearchRecord(**kept)
    except FileNotFoundError:
        return None
    except (OSError, ValueError, TypeError) as error:
        raise UnsafeSetup(f"{path} is damaged. Repair it or move it away.") from error


def save_record(path: Path, record: SearchRecord) -> None:
    """Save the search; on return, file and folder are flushed to the disk.

    Raises
    ------
    UnsafeSetup
        When it cannot be written: then the step must not be tried.
    """
    try:
        save_private_file(path, json.dumps(asdict(record), indent=2))
    except UnsafeSetup as error:
        raise UnsafeSetup(f"{error.detail} Do not try the step before it is saved.") from error


def result_of(search: SearchRecord, answer: dict[str, Any]) -> dict[str, Any]:
    """The document of a search with at least one run, without tokens and read-back.

    A failure overrides a pass at its setting or deeper. If the plan ended the search without a
    failure, the deepest pass is a planned end.
    """
    from kbapi.documents.runs import setting_of_runs

    setting: dict[str, Any] = {
        "domain": answer["domain"],
        "control": answer["control"],
        "moved_with": answer["moved_with"],
        **setting_of_runs(search.trials),
    }
    if setting["unstable_at"] is None and answer["reason"] is not None:
        setting["planned_end"] = setting["stable_at"]
    setting |= {
        name: search.asked[name] for name in ("clock_mhz", "stock_mv") if name in search.asked
    }
    document: dict[str, Any] = {"chip": search.chip, "settings": [setting], "trials": search.trials}
    if search.stock_passed is not None:
        document["stock_passed"] = [search.stock_passed]
    return document


def opening_card(answer: dict[str, Any]) -> str:
    """The text before the first step: order of domains, cautions, when to stop."""
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
    """The text of a step: setting, minutes, signs of failure, what to do after one."""
    rails = " and ".join([answer["domain"], *answer["moved_with"]])
    lines = [
        "",
        "-" * 40,
        paragraph(answer["summary"]),
        paragraph(f"Set {rails} to {value:g} {_unit(answer)}, everything else as it was."),
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


def step_in_brief(answer: dict[str, Any]) -> Iterator[str]:
    """The next step with its chance, and what comes after it; or why there is none."""
    step = answer["next_step"]
    if step is None:
        yield answer["summary"]
        yield answer["recommended_in_use"]["text"]
        return
    is_absolute = answer["control"] == "fixed_clock_voltage"
    value = -step["value_to_enter"] if is_absolute else step["value_to_enter"]
    unit = "mV below the stock voltage" if is_absolute else _unit(answer)
    domains = " and ".join([answer["domain"], *answer["moved_with"]])
    chance = step["chance_stable"]
    known = "" if chance is None else f" {100 * chance:.0f} of 100 such machines are stable there."
    yield f"Test {value:g} {unit} on {domains} for {step['minutes']:g} minutes.{known}"
    yield from (line["text"] for line in answer["plan"] if len(line["outcomes"]) == 1)


def under_way_card(run: dict[str, Any]) -> str:
    """The text about a step that was under way when the record was saved."""
    rails = " and ".join(one["domain"] for one in run["settings"])
    value = run["settings"][0]["value"]
    return paragraph(
        f"The last recorded step was under way: {rails} at {value:g}. If the machine hung or "
        "restarted on it, the step failed. Then set everything back to stock, and check your files."
    )


def closing_card(answer: dict[str, Any]) -> str:
    """The text of the end of a search, with the recommended setting."""
    from kbapi.advice.next_step.query import MOST_RISK

    why = answer["reason"]["text"] if answer["reason"] else "You ended the search here."
    recommended = answer["recommended_in_use"]["text"]
    lines = ["", "-" * 40, paragraph(why)]
    if answer["going_on"]:
        lines.append(paragraph(answer["going_on"]["text"]))
    if (
        answer["reason"]
        and answer["reason"]["code"] == "too_risky"
        and _can_risk_more(answer, MOST_RISK)
    ):
        lines.append(
            paragraph(f"To go on, run the command again with --max-risk, up to {MOST_RISK:g}.")
        )
    lines.append(paragraph(recommended))
    if answer["recommended_in_use"]["setting"] is not None:
        lines.append(
            paragraph("Before daily use, test it for hours: several loads, cold starts, sleep.")
        )
    return "\n".join(lines)


def _can_risk_more(answer: dict[str, Any], most_risk: float) -> bool:
    """Whether a higher risk is allowed, and is not known to end at the same setting."""
    max_risk: float = answer["max_risk"]
    going_on = answer["going_on"]
    return max_risk < most_risk and (going_on is None or going_on["max_risk"] is not None)


def _unit(answer: dict[str, Any]) -> str:
    if answer["control"] == "count_offset":
        return "counts"
    return "mV absolute" if answer["control"] == "fixed_clock_voltage" else "mV"
