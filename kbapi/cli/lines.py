"""Answers as text for a terminal or a pipe: 80 columns, no colour."""

from collections.abc import Iterator
from typing import Any, Final

from kbapi.advice.phrases import percent
from kbapi.cli.common import bullet, paragraph

_BAR_COLUMNS: Final = 40
_MOST_ROWS: Final = 24
_MOST_CONTRADICTIONS: Final = 3


def start_in_lines(answer: dict[str, Any]) -> str:
    """The text of a start answer, the number first."""
    lines = [answer["chip"]["name"], paragraph(answer["summary"])]
    if answer["start"] is not None:
        lines.append(paragraph(answer["meaning"]["text"]))
        if (at_clock := answer["start"]["at_clock"]) is not None:
            lines.append(paragraph(_at_clock(at_clock)))
    else:
        lines.append(paragraph(answer["reason"]["text"]))
    lines += ["", paragraph(answer["locks"]["text"])]
    if percentiles := answer["percentiles"]:
        lines += ["", *(_percentile(one, answer["control"]) for one in percentiles)]
    if options := answer["options"]:
        lines += ["", *(paragraph(one["text"]) for one in options)]
    if answer["differing_filters"]:
        lines += ["", *(paragraph(one["text"]) for one in answer["differing_filters"])]
    if (excluded := _excluded(answer["evidence"])) is not None:
        lines += ["", paragraph(excluded)]
    if answer["related_chips"]:
        lines += [
            "",
            paragraph("Related chips with results: " + ", ".join(answer["related_chips"])),
        ]
    return "\n".join(lines)


def start_in_brief(answer: dict[str, Any]) -> Iterator[str]:
    """The setting to enter and how sure it is, its evidence, and the next step."""
    start, evidence = answer["start"], answer["evidence"]
    if start is None:
        yield f"No start. {answer['reason']['text']}"
        return
    below = " below the stock voltage" if answer["control"] == "fixed_clock_voltage" else ""
    value = abs(start["value_to_enter"]) if below else start["value_to_enter"]
    domains = " and ".join([answer["domain"], *answer["moved_with"]])
    first_sentence = answer["meaning"]["text"].partition("). ")[0]
    yield f"Test {value:g} {_unit(answer['control'])}{below} on {domains} first. {first_sentence})."
    yield (
        f"From {evidence['units']} machines of this chip and {evidence['borrowed_units']} of "
        "related chips."
    )
    yield from (f"Warning: {warning['text']}" for warning in answer["warnings"][:1])
    yield f"Next: kbapi next-step {answer['chip']['key']}"


def _at_clock(at_clock: dict[str, Any]) -> str:
    away = at_clock["distance_mhz"]
    there = f", the nearest of them {away:g} MHz away" if away else " there"
    return (
        f"At {at_clock['clock_mhz']:g} MHz that is about {at_clock['setting_mv']:g} mV. "
        f"{at_clock['reports']} reports give {at_clock['stock_mv']:g} mV at stock{there}. "
        "Use your own stock voltage where you know it."
    )


def _excluded(evidence: dict[str, Any]) -> str | None:
    """The units that are not counted, and the latest month; None without any results."""
    if evidence["latest_month"] is None:
        return None
    return (
        f"Not counted: {evidence['units_unverified']} machines without proof of effect, "
        f"{evidence['units_excluded']} excluded. Latest measurement: {evidence['latest_month']}."
    )


def accepted_in_lines(accepted: dict[str, Any]) -> str:
    """The text of the response to a result."""
    repeated = " (this document was here before)" if accepted["duplicate_of"] else ""
    return "\n".join([f"Stored as {accepted['id']}{repeated}", *_screened(accepted)])


def corrected_in_lines(corrected: dict[str, Any]) -> str:
    """The text of the response to a correction."""
    lines = [f"Corrected {corrected['id']}", *_screened(corrected)]
    for removed in corrected["follow_ups_removed"]:
        about = f"{removed['outcome']} of {removed['month']}"
        lines.append(paragraph(f"Removed follow-up {about}: {removed['text']}"))
    return "\n".join(lines)


def _screened(accepted: dict[str, Any]) -> list[str]:
    lines = [f"Chip: {accepted['chip']['name']}"]
    for setting in accepted["settings"]:
        moved = " with ".join([setting["domain"], *setting["moved_with"]])
        lines.append(f"{moved}, {setting['control']}: {setting['status']}")
        lines += [paragraph(reason["text"], "    ") for reason in setting["reasons"]]
        if setting["peers"]:
            peers = setting["peers"]
            lines.append(f"    {peers['stable']} of {peers['known']} machines hold this setting")
    lines += [
        f"Receipt: {accepted['receipt']}",
        paragraph(
            "With the receipt you can read, correct, follow up or withdraw this result.", "  "
        ),
        paragraph(accepted["thanks"]),
    ]
    return lines + [paragraph(f"Warning: {one['text']}") for one in accepted["warnings"]]


def stability_in_lines(answer: dict[str, Any]) -> str:
    """The stable share over the settings, as a chart of characters."""
    lines = [answer["chip"]["name"], paragraph(answer["summary"])]
    curve = answer["own_curve"] or answer["borrowed_curve"]
    if curve is not None:
        lines += ["", *_drawing(curve, _unit(answer["control"]))]
    for percentile in answer["percentiles"]:
        lines.append(_percentile(percentile, answer["control"]))
    if (excluded := _excluded(answer["evidence"])) is not None:
        lines += ["", paragraph(excluded)]
    return "\n".join(lines)


def stability_in_brief(answer: dict[str, Any]) -> Iterator[str]:
    """The setting that most machines hold, with its interval, and the next step."""
    if not answer["percentiles"]:
        yield answer["summary"]
        return
    most = max(answer["percentiles"], key=lambda one: float(one["share"]))
    yield f"{_percentile(most, answer['control'])}, {answer['evidence']['units']} machines."
    yield f"Next: kbapi start {answer['chip']['key']}"


def _unit(control: str) -> str:
    return "counts" if control == "count_offset" else "mV"


def _drawing(curve: dict[str, Any], unit: str) -> list[str]:
    """One row for every few settings: the share as a bar, with its interval."""
    rows = len(curve["setting"])
    first = next((at for at in range(rows) if curve["share"][at] < 1), rows - 1)
    begin = max(0, first - 2)
    stride = max(1, -(-(rows - begin) // _MOST_ROWS))
    heading = f"{'share of machines that hold it':<{_BAR_COLUMNS}}"
    lines = [f"{'setting':>10}  {heading}  at least  at most"]
    for at in range(begin, rows, stride):
        share = curve["share"][at]
        bar = "=" * round(share * _BAR_COLUMNS)
        setting = f"{curve['setting'][at]:g} {unit}"
        lower, upper = curve["lower"][at], curve["upper"][at]
        ends = f"{f'{lower * 100:.0f} %':>8}  {f'{upper * 100:.0f} %':>7}"
        lines.append(f"{setting:>10}  {bar:<{_BAR_COLUMNS}}  {ends}")
    return [*lines, ""]


def _percentile(percentile: dict[str, Any], control: str) -> str:
    setting = percentile["setting_mv"]
    setting = percentile["setting_counts"] if setting is None else setting
    deep, shallow = percentile["interval"]
    return (
        f"{percent(percentile['share'])} of machines hold {setting:g} {_unit(control)} "
        f"({shallow:g} to {deep:g}, {percent(percentile['attained_confidence'])} confidence)"
    )


def identified_in_lines(answer: dict[str, Any]) -> str:
    """The text of an identified chip."""
    if answer["chip"] is not None:
        chip = answer["chip"]
        lines = [f"  {chip['name']}", f"  key {chip['key']}"]
        lines.append(f"  series {chip['series']}, line {chip['line']}")
    else:
        lines = [paragraph(answer["reason"], "  ")]
        lines += [f"  maybe {candidate['key']}" for candidate in answer["candidates"]]
        if not answer["candidates"]:
            lines.append("  To look for a name, use 'kbapi chips search TEXT'.")
    if answer["chip_conflict"]:
        lines.append(paragraph(answer["chip_conflict"], "  "))
    return "\n".join(lines)


def identified_in_brief(answer: dict[str, Any]) -> str:
    """The key of the chip and the next step, or why no chip was found."""
    if answer["chip"] is None:
        return paragraph(answer["reason"], "  ")
    return f"  {answer['chip']['key']}\n  Next: kbapi start {answer['chip']['key']}"


def chips_in_lines(page: dict[str, Any]) -> str:
    """The text of a page of chips."""
    lines = [
        f"{chip['key']:<40} {chip['name']}{'  (provisional)' if chip['provisional'] else ''}"
        for chip in page["chips"]
    ]
    if page["next_cursor"]:
        lines.append(f"more: --cursor {page['next_cursor']}")
    return "\n".join(lines) or "No chip is known that fits."


def locks_in_lines(answer: dict[str, Any]) -> str:
    """The text of a lock answer."""
    lines = [paragraph(answer["summary"])]
    if answer["factory_lock"]["status"] != "unknown":
        lines.append(paragraph(answer["factory_lock"]["text"]))
    for lock in answer["locks"]:
        lines += ["", *_lock(lock)]
    if answer["withheld_text"] is not None:
        lines += ["", paragraph(answer["withheld_text"])]
    if answer["alternatives"]:
        lines += ["", "Possible without voltage control:"]
        lines += [bullet(text) for text in answer["alternatives"]]
    for note in answer["notes"]:
        lines += ["", f"Note on {note['subject']} (reviewed in {note['reviewed_month']}):"]
        lines += [paragraph(part, "  ") for part in note["text"].split("\n\n")]
        lines.append(paragraph(f"From: {note['source']}", "  "))
    return "\n".join(lines)


def locks_in_brief(answer: dict[str, Any]) -> Iterator[str]:
    """How often each control can be set, with its interval, and the next step."""
    for lock in answer["locks"][:_MOST_LOCKS]:
        yield f"{lock['control']} on {lock['domain']}: {lock['text'].partition('. ')[0]}."
    if not answer["locks"]:
        yield answer["summary"]
    if any(lock["status"] == "open" for lock in answer["locks"]):
        yield f"Next: kbapi start {answer['chip']['key']}"
    else:
        yield from (f"Next: {text}" for text in answer["alternatives"][:1])


_MOST_LOCKS: Final = 3
_STATUSES: Final = {
    "open": "open",
    "firmware_only": "open in the firmware menu only",
    "chip_locked": "refused by the chip",
    "firmware_locked": "locked by the firmware",
    "hypervisor_blocked": "blocked by a hypervisor",
    "os_blocked": "blocked by the operating system",
    "not_exposed": "offered by no menu or driver",
}
_BREAKDOWNS: Final = {
    "by_machine": "machine class",
    "by_firmware_month": "firmware month",
    "by_protection": "protection",
}


def _lock(lock: dict[str, Any]) -> list[str]:
    lines = [f"{lock['control']} on {lock['domain']}", paragraph(lock["text"], "  ")]
    reported = [one for one in lock["statuses"] if one["units"]]
    if reported:
        counts = ", ".join(f"{one['units']} {_STATUSES[one['status']]}" for one in reported)
        lines.append(paragraph(f"Reported machines: {counts}.", "  "))
    for name, condition in _BREAKDOWNS.items():
        if lock[name]:
            lines.append(f"  Estimated open share by {condition}:")
            lines += [f"    {_open_share(split)}" for split in lock[name]]
    differs = lock["differences"]
    texts = [lock["changes_text"], differs["text"]]
    texts += [one["text"] for one in differs["by_condition"]]
    texts += [differs["change"]["text"]]
    texts += [one["text"] for one in differs["contradictions"][:_MOST_CONTRADICTIONS]]
    return lines + [paragraph(text, "  ") for text in texts if text]


def _open_share(split: dict[str, Any]) -> str:
    return f"{split['value']}: open on {percent(split['share_open'])} ({split['units']} machines)"


def own_in_lines(answer: dict[str, Any]) -> str:
    """The text of a contributor's own results."""
    lines = []
    for result in answer["submissions"]:
        lines.append(f"{result['id']}  {result['chip']['name']}, {result['measured_in']}")
        for setting in result["settings"]:
            moved = " with ".join([setting["domain"], *setting["moved_with"]])
            lines.append(f"  {moved}, {setting['control']}: {setting['status']}")
            lines += [paragraph(reason["text"], "    ") for reason in setting["reasons"]]
        for in_use in result["in_use"]:
            unit = _unit(in_use["control"])
            lines.append(f"  in use: {in_use['domain']} {in_use['in_use']:g} {unit}")
        for ended in result["in_use_ended"]:
            unit = _unit(ended["control"])
            text = f"no longer in use: {ended['domain']} {ended['in_use']:g} {unit}. "
            lines.append(paragraph(text + ended["reason"]["text"], "  "))
        lines += ["  due:" for _ in result["retests_due"][:1]]
        lines += [bullet(due["text"]) for due in result["retests_due"]]
    return "\n".join(lines) or "Nothing of yours is here."


def followed_up_in_lines(answer: dict[str, Any]) -> str:
    """The text of the response to a follow-up."""
    moved = " with ".join([answer["domain"], *answer["moved_with"]])
    at = "" if answer["setting"] is None else f" at {answer['setting']:g}"
    lines = [f"{moved}{at}: {answer['outcome']}, {answer['status']}"]
    lines += [paragraph(reason["text"], "    ") for reason in answer["reasons"]]
    return "\n".join([*lines, paragraph(answer["thanks"])])


def reread_in_lines(answer: dict[str, Any]) -> str:
    """The text of the changes after reading chip names again."""
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
        lines.append(f"  {answer['unclear']:>6} cannot be read now and stay where they are")
    if not answer["moves"] and not answer["placed"]:
        lines.append("Nothing moves.")
    elif not answer["is_applied"]:
        lines.append("Nothing was changed. Apply the changes with --apply.")
    return "\n".join(lines)


IMPORT_HEADING: Final = f"{'line':>8}  {'chip':<40}  {'outcome':<11} reason"
_CHIP_LETTERS: Final = 40
_MOST_LINES_NAMED: Final = 20


def imported_row_in_lines(row: Any) -> str:
    """A row of the table of an import, and below it why the document is refused."""
    chip = row.chip.strip()
    chip = chip if len(chip) <= _CHIP_LETTERS else f"{chip[: _CHIP_LETTERS - 3]}..."
    faults = [
        paragraph(f"{one['pointer']}: {one['detail']}".removeprefix(": "), " " * 10)
        for one in row.errors
    ]
    first = f"{row.line:>8}  {chip:<{_CHIP_LETTERS}}  {row.status:<11} {row.code}"
    return "\n".join([first.rstrip(), *faults])


def imported_in_lines(summary: dict[str, Any]) -> str:
    """The text of an import: counts, refused lines, where the receipts are."""
    lines = [] if summary["is_sent"] else ["Nothing was sent. These are the outcomes of a dry run."]
    lines += [f"{name}: {number:,}" for name, number in summary["counts"].items()]
    lines += [f"  refused, {code}: {number:,}" for code, number in summary["refused_for"].items()]
    if refused := summary["refused"]:
        places = [f"{one['file'].rpartition('/')[2]}:{one['line']}" for one in refused]
        more = len(places) - _MOST_LINES_NAMED
        named = ", ".join(places[:_MOST_LINES_NAMED]) + (f" and {more:,} more" if more > 0 else "")
        lines.append(paragraph(f"Refused lines: {named}."))
    if summary["receipts_in"]:
        lines.append(paragraph(f"The receipts are saved in {summary['receipts_in']}."))
    return "\n".join(lines)
