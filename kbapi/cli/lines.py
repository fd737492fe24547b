"""Answers in lines for people: 80 columns, no colour, fit for a pipe."""

from typing import Any, Final

from kbapi.cli.common import bullet, paragraph

_BAR_COLUMNS: Final = 40
_MOST_ROWS: Final = 24
_MOST_CONTRADICTIONS: Final = 3


def start_in_lines(answer: dict[str, Any]) -> str:
    """A start answer, what the platform allows first."""
    lines = [paragraph(_lock_line(answer["locks"])), "", paragraph(answer["summary"])]
    if answer["start"] is not None:
        lines += ["", paragraph(f"It means: {answer['meaning']['text']}.")]
        if (at_clock := answer["start"]["at_clock"]) is not None:
            lines.append(paragraph(_at_clock(at_clock)))
    lines += ["", paragraph(_evidence(answer["evidence"]))]
    if answer["related_chips"]:
        lines += [
            "",
            paragraph("Related chips with results: " + ", ".join(answer["related_chips"])),
        ]
    return "\n".join([*lines, *cautions_in_lines(answer)])


def _lock_line(locks: dict[str, Any]) -> str:
    told = f"Can it be set at all? {locks['text'].capitalize()}"
    if locks["share_open"] is None:
        return f"{told}."
    low, high = locks["interval"]
    return f"{told}: open on {locks['share_open']:.0%} of machines ({low:.0%} to {high:.0%})."


def _at_clock(at_clock: dict[str, Any]) -> str:
    return (
        f"At {at_clock['clock_mhz']:g} MHz that is about {at_clock['setting_mv']:g} mV, where "
        f"{at_clock['reports']} reports put the stock voltage at {at_clock['stock_mv']:g} mV; the "
        f"nearest of them is {at_clock['distance_mhz']:g} MHz away. Your own stock voltage counts."
    )


def _evidence(evidence: dict[str, Any]) -> str:
    return (
        f"Evidence: {evidence['units']} units counted, {evidence['failures']} of them failed "
        f"somewhere; {evidence['units_unverified']} unverified without proof of effect, "
        f"{evidence['units_excluded']} set aside; latest month {evidence['latest'] or 'unknown'}."
    )


def cautions_in_lines(answer: dict[str, Any]) -> list[str]:
    """The cautions of any answer, below an empty line."""
    return ["", "Cautions:", *(bullet(caution["text"]) for caution in answer["cautions"])]


def accepted_in_lines(accepted: dict[str, Any]) -> str:
    """What a sender is told."""
    repeated = " (this document was here before)" if accepted["duplicate_of"] else ""
    lines = [f"Stored as {accepted['id']}{repeated}", f"Chip: {accepted['chip']['name']}"]
    for setting in accepted["settings"]:
        moved = " with ".join([setting["domain"], *setting["moved_with"]])
        lines.append(f"{moved}, {setting['control']}: {setting['status']}")
        lines += [paragraph(reason["text"], "    ") for reason in setting["reasons"]]
        if setting["peers"]:
            peers = setting["peers"]
            lines.append(f"    {peers['stable']} of {peers['known']} known units hold this")
    lines += [
        f"Receipt: {accepted['receipt']}",
        paragraph("Keep the receipt: with it you can read or withdraw this result.", "  "),
        paragraph(accepted["thanks"]),
    ]
    return "\n".join(lines)


def stability_in_lines(answer: dict[str, Any]) -> str:
    """The stable share over the settings, drawn with letters."""
    lines = [paragraph(answer["summary"])]
    curve = answer["own_curve"] or answer["borrowed_curve"]
    if curve is not None:
        unit = "counts" if answer["control"] == "count_offset" else "mV"
        lines += ["", *_drawing(curve, unit)]
        if answer["own_curve"] is None:
            lines.append(paragraph("All of it is borrowed from related chips."))
    for percentile in answer["percentiles"]:
        lines.append(_percentile(percentile))
    lines += ["", paragraph(_evidence(answer["evidence"]))]
    return "\n".join([*lines, *cautions_in_lines(answer)])


def _drawing(curve: dict[str, Any], unit: str) -> list[str]:
    """One row for every few settings: share as a bar, its band as brackets beside it."""
    rows = len(curve["setting"])
    first = next((at for at in range(rows) if curve["share"][at] < 1), rows - 1)
    begin = max(0, first - 2)
    stride = max(1, -(-(rows - begin) // _MOST_ROWS))
    lines = [f"{'setting':>10}  {'share that holds it':<{_BAR_COLUMNS}}  at least  at most"]
    for at in range(begin, rows, stride):
        share = curve["share"][at]
        bar = "=" * round(share * _BAR_COLUMNS)
        setting = f"{curve['setting'][at]:g} {unit}"
        lower, upper = curve["lower"][at], curve["upper"][at]
        lines.append(f"{setting:>10}  {bar:<{_BAR_COLUMNS}}  {lower:>8.0%}  {upper:>7.0%}")
    return [*lines, ""]


def _percentile(percentile: dict[str, Any]) -> str:
    setting = percentile["setting_mv"]
    setting = percentile["setting_counts"] if setting is None else setting
    deep, shallow = percentile["interval"]
    return (
        f"{percentile['share']:>5.0%} of units hold {setting:g} "
        f"(between {shallow:g} and {deep:g} with {percentile['attained_confidence']:.0%})"
    )


def identified_in_lines(answer: dict[str, Any]) -> str:
    """What a text was understood as."""
    if answer["chip"] is not None:
        chip = answer["chip"]
        lines = [f"  {chip['name']}", f"  key {chip['key']}"]
        lines.append(f"  series {chip['series']}, line {chip['line']}")
    else:
        lines = [paragraph(answer["reason"], "  ")]
        lines += [f"  maybe {candidate['key']}" for candidate in answer["candidates"]]
    if answer["chip_conflict"]:
        lines.append(paragraph(answer["chip_conflict"], "  "))
    return "\n".join(lines)


def chips_in_lines(page: dict[str, Any]) -> str:
    """A page of chips."""
    lines = [
        f"{chip['key']:<40} {chip['name']}{'  (provisional)' if chip['provisional'] else ''}"
        for chip in page["chips"]
    ]
    if page["next_cursor"]:
        lines.append(f"more: --cursor {page['next_cursor']}")
    return "\n".join(lines) or "No chip is known that fits."


def locks_in_lines(answer: dict[str, Any]) -> str:
    """What a platform allows."""
    lines = [paragraph(answer["summary"])]
    for lock in answer["locks"]:
        lines += ["", *_lock(lock)]
    lines += ["", "Where it is locked, this can still be done:"]
    lines += [bullet(text) for text in answer["still_possible"]]
    for note in answer["notes"]:
        lines += ["", f"Note on {note['about']} (looked at in {note['reviewed']}):"]
        lines += [paragraph(part, "  ") for part in note["text"].split("\n\n")]
        lines.append(paragraph(f"From: {note['source']}", "  "))
    return "\n".join([*lines, *cautions_in_lines(answer)])


def _lock(lock: dict[str, Any]) -> list[str]:
    low, high = lock["interval"]
    leaning = " (from related chips alone)" if lock["level"] == "series" else ""
    lines = [
        paragraph(
            f"{lock['control']} on {lock['domain']}: {lock['text']}{leaning}. Open on "
            f"{lock['share_open']:.0%} of machines (between {low:.0%} and {high:.0%} with "
            f"{lock['confidence']:.0%}), from reports that weigh {lock['units']:g}."
        )
    ]
    told = [one for one in lock["statuses"] if one["units"]]
    lines += [
        f"  {one['status']:<20} {one['units']:>5} units  {one['share']:>5.0%}" for one in told
    ]
    for split in (*lock["by_machine"], *lock["by_firmware_month"], *lock["by_protection"]):
        lines.append(
            f"    {split['value']:<34} open {split['share_open']:>4.0%} of {split['units']}"
        )
    differs = lock["differences"]
    told = [lock["changes_text"], differs["text"], differs["change"]["text"]]
    told += [one["text"] for one in differs["contradictions"][:_MOST_CONTRADICTIONS]]
    return lines + [paragraph(text, "  ") for text in told if text]


def own_in_lines(answer: dict[str, Any]) -> str:
    """One's own results."""
    lines = []
    for result in answer["submissions"]:
        lines.append(f"{result['id']}  {result['chip']['name']}, {result['measured_in']}")
        for setting in result["settings"]:
            lines.append(f"  {setting['domain']}, {setting['control']}: {setting['status']}")
            lines += [paragraph(reason["text"], "    ") for reason in setting["reasons"]]
        for in_use in result["in_use"]:
            lines.append(f"  in use: {in_use['domain']} {in_use['in_use']:g}")
        lines += [paragraph(due["text"], "  due: ") for due in result["retests_due"]]
    return "\n".join(lines) or "Nothing of yours is here."


def followed_up_in_lines(answer: dict[str, Any]) -> str:
    """How a follow-up was understood."""
    moved = " with ".join([answer["domain"], *answer["moved_with"]])
    at = "" if answer["setting"] is None else f" at {answer['setting']:g}"
    lines = [f"{moved}{at}: {answer['outcome']}, {answer['status']}"]
    lines += [paragraph(reason["text"], "    ") for reason in answer["reasons"]]
    return "\n".join([*lines, paragraph(answer["thanks"])])


def reread_in_lines(answer: dict[str, Any]) -> str:
    """What reading the chips again found."""
    lines = [f"{answer['results']:,} results read again."]
    lines += [
        f"  {move['results']:>6} from {move['from_key']} to {move['to_key']}"
        for move in answer["moves"]
    ]
    lines += [
        f"  {placed['key']}: {placed['from_series']} -> {placed['to_series']}"
        for placed in answer["placed"]
    ]
    if answer["unclear"]:
        lines.append(f"  {answer['unclear']:>6} can't be read today and stay where they are")
    if not answer["moves"] and not answer["placed"]:
        lines.append("Nothing moves.")
    elif not answer["is_applied"]:
        lines.append("Nothing was changed: carry it out with --apply.")
    return "\n".join(lines)
