"""What curators see, in lines for people: 80 columns, no colour, fit for a pipe."""

from typing import Any

from kbapi.cli.common import bullet, paragraph


def page_in_lines(page: dict[str, Any]) -> str:
    """A page of what waits."""
    lines = [line for one in page["waiting"] for line in _setting(one)]
    if page["next_cursor"]:
        lines.append(f"more: --cursor {page['next_cursor']}")
    return "\n".join(lines) or "No setting waits for a decision."


def _setting(one: dict[str, Any]) -> list[str]:
    moved = " with ".join([one["domain"], *one["moved_with"]])
    at = "" if one["clock_mhz"] is None else f" at {one['clock_mhz']:g} MHz"
    sender = one["sender"]
    shared = ", shared by all senders without a token" if sender["is_shared"] else ""
    codes = ", ".join(reason["code"] for reason in one["reasons"])
    return [
        f"{one['submission']}/{one['ordinal']}",
        f"  {one['chip']}, {one['month']}",
        f"  {moved}, {one['control']}{at}: {_ends(one['below_stock'], one['control'])}",
        paragraph(f"{one['status']}, {one['grade']} testing: {codes or 'no reason'}", "  "),
        paragraph(
            f"contributor {sender['contributor']}{shared}, {sender['other_results']} other results",
            "  ",
        ),
    ]


def _ends(below_stock: dict[str, Any], control: str) -> str:
    unit = "counts" if control == "count_offset" else "mV"
    told = [
        f"{word} at {below_stock[name]:g} {unit}"
        for name, word in (("stable", "passed"), ("unstable", "failed"))
        if below_stock[name] is not None
    ]
    return f"{', '.join(told)} below stock" if told else "depth unknown"


def item_in_lines(item: dict[str, Any]) -> str:
    """One setting with all around it."""
    setting = item["setting"]
    lines = _setting(setting)
    lines += [bullet(reason["text"]) for reason in setting["reasons"]]
    for seen in item["history"]:
        name = seen["key_name"] or "without a name"
        decision = f"{seen['decision']}, {seen['reason']['code']}"
        lines.append(paragraph(f"{seen['day']}: {decision} (key {seen['key']}, {name})", "  "))
    pool = item["pool"]
    if pool is None:
        return "\n".join(
            [*lines, "", "The current catalogue does not know this chip, so no pool is shown."]
        )
    lines += ["", _start("Without it", pool["start_without"])]
    if pool["start_with"] is None:
        lines.append(paragraph("The setting has neither a pass nor a failure, so it cannot count."))
    else:
        lines.append(_start("If it counts", pool["start_with"]))
    lines += [_percentile(one) for one in pool["percentiles"]]
    return "\n".join([*lines, "", "Cautions:", *(bullet(one["text"]) for one in item["cautions"])])


def _start(when: str, seen: dict[str, Any]) -> str:
    on = f"{seen['units']} units, {seen['failures']} of them with a failure"
    if seen["start"] is None:
        return paragraph(f"{when}: no start ({seen['reason']['code']}), from {on}.")
    return paragraph(f"{when}: start at {seen['start']['value_to_enter']}, from {on}.")


def _percentile(percentile: dict[str, Any]) -> str:
    setting = percentile["setting_mv"]
    setting = percentile["setting_counts"] if setting is None else setting
    return f"  {percentile['share']:>4.0%} of the other units are stable at {setting:g}"


def decisions_in_lines(told: dict[str, Any]) -> str:
    """What decisions changed."""
    lines = [
        f"{told['decided']} of {told['settings']} settings got this decision, "
        f"{told['unchanged']} had it before."
    ]
    lines += [
        f"  {one['submission']}/{one['ordinal']}: {one['before']} -> {one['now']}"
        for one in told["changed"]
    ]
    if told["lock_only_results"]:
        lines.append(f"{told['lock_only_results']} results with only lock reports got it as well.")
    left = told["decided"] - len(told["changed"])
    return "\n".join([*lines, *([f"  and {left} more"] if left else [])])
