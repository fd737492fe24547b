"""What a measurement prints: a table for people, and one JSON object as its last line."""

import json
import operator
import re
from collections.abc import Sequence
from dataclasses import asdict, dataclass

_WANTED = re.compile(r"(<=|>=|<|>|==) (-?[\d.]+(?:e-?\d+)?)")
_COMPARE = {
    "<=": operator.le,
    ">=": operator.ge,
    "<": operator.lt,
    ">": operator.gt,
    "==": operator.eq,
}


@dataclass(frozen=True, slots=True)
class Row:
    """One figure: what was measured, and whether it is what was wanted."""

    what: str
    value: float | None
    unit: str
    wanted: str
    met: bool
    note: str = ""


def measured(what: str, value: float, unit: str, wanted: str, note: str = "") -> Row:
    """A row for a measured figure; `wanted` reads like ">= 0.95", or is empty."""
    if not wanted:
        return Row(what, value, unit, wanted, True, note)
    sign, bound = _WANTED.fullmatch(wanted).groups()
    return Row(what, value, unit, wanted, _COMPARE[sign](value, float(bound)), note)


def not_measured(what: str, unit: str, wanted: str, why: str) -> Row:
    """A row for a figure that was not measured; it is never met, and its note is the reason."""
    return Row(what, None, unit, wanted, False, why)


def print_report(command: str, rows: Sequence[Row]) -> None:
    """Nothing; prints the table and then the object."""
    wide = max((len(row.what) for row in rows), default=0)
    for row in rows:
        value = "not measured" if row.value is None else f"{row.value:.4g} {row.unit}"
        outcome = "met" if row.met else "NOT MET"
        note = f"  ({row.note})" if row.note else ""
        print(f"{row.what:<{wide}}  {value:>20}  wanted {row.wanted or '-':<10} {outcome}{note}")
    print(json.dumps({"command": command, "rows": [_as_object(row) for row in rows]}))


def _as_object(row: Row) -> dict[str, object]:
    fields = asdict(row)
    return fields if row.note else {k: v for k, v in fields.items() if k != "note"}
