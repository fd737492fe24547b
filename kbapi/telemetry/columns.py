"""Which column of a log is what: rules about words and units, each with its confidence."""

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final, Literal

from kbapi.telemetry.cells import UNITS, unit_of
from kbapi.telemetry.log_file import Layout

Quantity = Literal[
    "time",
    "date",
    "power_w",
    "power_cap_w",
    "clock_mhz",
    "temp_c",
    "ambient_c",
    "performance",
    "usage",
    "throttle",
]
"""What a column can be. `usage` is the share of time that the chip works."""
QUANTITIES: Final = ("power_w", "clock_mhz", "temp_c", "ambient_c", "performance")
"""The quantities that a reading tells."""

_KIND_OF: Final[dict[Quantity, str]] = {
    "power_w": "w",
    "power_cap_w": "w",
    "clock_mhz": "mhz",
    "temp_c": "c",
    "ambient_c": "c",
    "usage": "%",
    "time": "s",
}
_WORDS: Final[dict[str, str]] = {
    "time": r"time|timestamp|elapsed|zeit|uhrzeit|zeitstempel|temps|heure|hora|tiempo|tempo|ora|"
    r"tijd|czas|время|时间|時刻|時間|seconds|sec|sekunden",
    "date": r"date|datum|fecha|data|дата|日期|日付",
    "power": r"power|watts?|leistung\w*|leistungsaufnahme|puissance|potencia|potenza|potência|"
    r"vermogen|moc|мощность|功率|功耗|電力|消費電力|verbrauch|consumption",
    "clock": r"clocks?|frequency|freq|mhz|ghz|\w*takt\w*|frequenz|fréquence|frecuencia|frequenza|"
    r"frequência|klok\w*|zegar|częstotliwość|taktowanie|частота|频率|周波数|クロック",
    "temp": r"temp|temps|temperature|temperatures|temperatur|température|temperatura|"
    r"temperatuur|температура|温度",
    "performance": r"fps|frames|jobs|iterations|throughput|performance|bilder",
    "usage": r"usage|utili[sz]ation|util|load|auslastung|last|charge|uso|carico|belasting|"
    r"użycie|загрузка|占用|使用率",
    "throttle": r"throttl\w*|drossel\w*|limit\w*|begrenz\w*|prochot|ограничение",
    "cap": r"limit|limits|cap|grenze|limite|pl\d|budget|target|tdp|max|maximum|begrenzung",
    "ambient": r"ambient|room|umgebung|raum|ambiante|ambiente|inlet|intake|omgeving|комнатная",
    "package": r"package|pkg|socket|paket|gesamt|total",
    "cores": r"cores?|kern|kerne|kernen|c\d+|cœurs?|coeurs?|núcleos?|nuclei|rdzeń|rdzenie|ядр\w+|核心|コア",
    "chip": r"cpu|processor|prozessor|processeur|procesador|processore|soc|apu|процессор\w*|处理器",
    "graphics": r"gpu|graphics?|grafik\w*|graphique|gráficos?|grafica|igpu|dgpu|显卡|видеокарт\w*",
    "memory": r"memory|mem|ram|vram|dram|speicher|mémoire|memoria|geheugen|память|内存",
    "other_part": r"ssd|hdd|nvme|disk|drive|drives|fan|fans|lüfter|ventilateur|battery|akku|batterie|"
    r"network|board|mainboard|motherboard|chipset|vrm|vr|pch|uncore|ring|cache|bus|fabric|rest|"
    r"charge rate|psu|wifi|lan|пит\w+",
    "wall": r"wall|mains|plug|outlet|system|platform|psys|steckdose|netz|secteur|gesamtsystem",
    "effective": r"effective|effektiv\w*|effective\w*|actual|efectiv\w*|efficace|real|эффективная|"
    r"有效",
    "average": r"average|avg|mean|durchschnitt\w*|mittel\w*|moyenne|promedio|media|gemiddeld\w*|"
    r"średni\w*|средн\w*|平均",
    "highest": r"max|maximum|highest|peak|hottest|maximal\w*",
    "lowest": r"min|minimum|lowest|minimal\w*",
    "voltage": r"voltage|volt|volts|vid|vcore|vdd\w*|spannung\w*|tension|voltaje|tensione|напряжение|电压",
    "hotspot": r"hotspot|hot spot|junction",
    "thermal": r"therm\w*|temperatur\w*|temp|prochot|hot|heat",
    "current": r"current|edp|iccmax|amps?|strom",
    "long": r"long|pl1|sustained|tdp|ppt",
    "short": r"short|pl2|boost|turbo",
}
_PATTERNS: Final = {
    name: re.compile(rf"(?<![^\W_\d])(?:{words})(?![^\W_\d])", re.IGNORECASE)
    for name, words in _WORDS.items()
}
_UNIT_IN_NAME: Final = re.compile(r"[\[(]([^\])]{1,14})[\])]\s*$|[_ ,/]([^\s_,/]{1,7})$")


@dataclass(frozen=True)
class Candidate:
    """A column that may be a quantity."""

    index: int
    name: str
    quantity: Quantity
    unit: str
    """As written; empty where no unit is written."""
    confidence: float
    reasons: tuple[str, ...]
    group: str = ""
    """Columns of one group are parts of the same thing, such as the cores of a chip."""
    scope: str = ""
    """Of power: what it is measured of. Of a temperature: the sensor. Of a clock: its kind."""


@dataclass(frozen=True)
class Question:
    """What the log does not tell, with the columns that it may be."""

    quantity: str
    text: str
    columns: tuple[str, ...] = ()


@dataclass
class Recognised:
    """The columns of a log: chosen ones, questions, and those that are of no use here."""

    chosen: dict[str, list[Candidate]] = field(default_factory=dict)
    questions: list[Question] = field(default_factory=list)
    unused: list[tuple[str, str]] = field(default_factory=list)


def words_of(name: str) -> frozenset[str]:
    """The kinds of words in a column's name.

    >>> sorted(words_of("CPU_PkgPower (W)"))
    ['chip', 'package', 'power']
    """
    text = re.sub(r"(?<=[a-zа-я])(?=[A-ZА-Я])", " ", _without_unit(name)).replace("_", " ")
    text = re.sub(r"[#:.\-/\[\]()]", " ", text)
    found = {kind for kind, pattern in _PATTERNS.items() if pattern.search(text)}
    return frozenset(found)


def _without_unit(name: str) -> str:
    found = _UNIT_IN_NAME.search(name)
    if found and unit_of(found[1] or found[2]) and found.start() > 0:
        return name[: found.start()]
    return name


def unit_in(name: str, below: str) -> str:
    """The unit of a column, from the line below the header or else from its name.

    >>> [unit_in("CPU Power [mW]", ""), unit_in("clock_ghz", ""), unit_in("Core temp", "°C")]
    ['mw', 'ghz', '°c']
    """
    if (unit := unit_of(below)) is not None:
        return unit
    found = _UNIT_IN_NAME.search(name)
    if found and found.start() > 0 and (unit := unit_of(found[1] or found[2])) is not None:
        return unit
    return ""


def candidates(layout: Layout, *, graphics: bool) -> list[Candidate]:
    """Every column that may be a quantity of the chip, or of the graphics chip."""
    found = []
    for index, name in enumerate(layout.header):
        words = words_of(name)
        unit = unit_in(name, layout.units[index])
        quantity = _quantity_of(words, unit, name)
        if quantity is None or _is_of_another_part(words, quantity, graphics=graphics):
            continue
        confidence, reasons = _confidence(words, quantity, unit, graphics=graphics)
        group = _group_of(name) if "cores" in words else ""
        scope = _scope_of(words, quantity, graphics=graphics)
        found.append(
            Candidate(index, name, quantity, unit, confidence, tuple(reasons), group, scope)
        )
    return found


def _quantity_of(words: frozenset[str], unit: str, name: str) -> Quantity | None:
    kind = UNITS[unit][0] if unit else ""
    if "throttle" in words and kind in ("", "%") and "power" not in _measured(words, kind):
        return "throttle"
    if kind == "w" or ("power" in words and kind == ""):
        return "power_cap_w" if words & {"cap", "throttle"} - {"highest"} else "power_w"
    if kind == "mhz" or ("clock" in words and kind == ""):
        return None if words & {"cap", "throttle"} - {"highest"} and "average" not in words else "clock_mhz"
    if kind in ("c", "f", "k") or ("temp" in words and kind == "" and not words & {"time"}):
        return None if "throttle" in words else ("ambient_c" if "ambient" in words else "temp_c")
    if kind == "1/s" or ("performance" in words and kind == ""):
        return "performance"
    if kind == "%" and "usage" in words:
        return "usage"
    if "time" in words and kind in ("", "s"):
        return "time"
    if "date" in words and kind == "":
        return "date"
    return None


def _measured(words: frozenset[str], kind: str) -> frozenset[str]:
    """The words, unless no unit says that a number is measured."""
    return words if kind else frozenset()


def _is_of_another_part(words: frozenset[str], quantity: Quantity, *, graphics: bool) -> bool:
    if quantity in ("time", "date", "ambient_c"):
        return False
    if words & {"memory", "other_part"} and not words & {"package", "cores"}:
        return True
    if words & {"voltage"} and quantity != "throttle":
        return quantity != "power_w"
    is_of_graphics = "graphics" in words
    if quantity == "performance":
        return False
    if graphics:
        return not is_of_graphics
    return is_of_graphics


def _group_of(name: str) -> str:
    """The name with each number replaced: the cores of a chip differ in that only."""
    return re.sub(r"\d+", "#", name.lower())


def _scope_of(words: frozenset[str], quantity: Quantity, *, graphics: bool) -> str:
    if quantity == "power_w":
        if "wall" in words and "package" not in words:
            return "wall"
        if graphics:
            return "board" if words & {"package"} or not words & {"cores"} else "core"
        return "core" if "cores" in words and "package" not in words else "package"
    if quantity == "clock_mhz":
        return "effective" if words & {"effective", "average"} else "requested"
    if quantity == "temp_c":
        if "hotspot" in words:
            return "hotspot"
        if "package" in words:
            return "package"
        if "cores" in words:
            return "core_maximum" if "highest" in words else "core_average"
        return "edge" if graphics else "package"
    if quantity == "throttle":
        if "thermal" in words:
            return "thermal"
        if "current" in words:
            return "current"
        if "power" in words or words & {"long", "short"}:
            return "short_term_power" if "short" in words else "long_term_power"
        return "other"
    return ""


def _confidence(
    words: frozenset[str], quantity: Quantity, unit: str, *, graphics: bool
) -> tuple[float, list[str]]:
    """How sure it is that the column is this quantity of the whole chip; and why."""
    score, reasons = 0.4, []
    if unit:
        score += 0.2
        reasons.append(f"unit {unit}")
    part = "graphics" if graphics else "chip"
    if part in words:
        score += 0.15
        reasons.append("names the chip")
    if "package" in words and quantity in ("power_w", "temp_c"):
        score += 0.2
        reasons.append("names the package")
    if quantity == "clock_mhz" and words & {"effective", "average"}:
        score += 0.1 + 0.05 * ("effective" in words)
        reasons.append("a mean or reached clock")
    if "cores" in words and quantity in ("power_w", "temp_c"):
        score -= 0.1
    if words & {"lowest"} or (words & {"highest"} and quantity != "temp_c"):
        score -= 0.3
        reasons.append("an extreme, not the value of the moment")
    if "wall" in words:
        score -= 0.15
    return round(min(score, 1.0), 2), reasons


def recognise(
    layout: Layout, given: dict[str, str], *, graphics: bool = False
) -> Recognised:
    """The columns of each quantity, with what was `given` by name, and a question for the rest.

    Cores that differ only in a number are taken together. Of several columns the surest is taken;
    where two are equally sure it asks, unless later the numbers show that both are the same.

    Raises
    ------
    LookupError
        When no column has a name that was given.
    """
    result = Recognised()
    found = candidates(layout, graphics=graphics)
    for quantity, name in given.items():
        result.chosen[quantity] = [_given(layout, quantity, name, graphics=graphics)]
    for quantity in ("time", "date", *QUANTITIES, "power_cap_w", "usage"):
        if quantity in given:
            continue
        of_it = [one for one in found if one.quantity == quantity]
        if of_it:
            best = max(one.confidence for one in of_it)
            surest = [one for one in of_it if one.confidence == best]
            result.chosen[quantity] = surest
    result.chosen["throttle"] = [one for one in found if one.quantity == "throttle"]
    used = {one.index for chosen in result.chosen.values() for one in chosen}
    result.unused = [
        (name, "another part, or another quantity")
        for index, name in enumerate(layout.header)
        if index not in used
    ]
    return result


def _given(layout: Layout, quantity: str, name: str, *, graphics: bool) -> Candidate:
    if name not in layout.header:
        raise LookupError(name)
    index = layout.header.index(name)
    words = words_of(name)
    scope = _scope_of(words, quantity, graphics=graphics)  # type: ignore[arg-type]  # checked by the caller
    unit = unit_in(name, layout.units[index])
    return Candidate(index, name, quantity, unit, 1.0, ("given",), "", scope)  # type: ignore[arg-type]


def groups_of(candidates: Sequence[Candidate]) -> dict[str, list[Candidate]]:
    """The candidates by what they belong to: the cores of a chip together, others alone."""
    found: dict[str, list[Candidate]] = {}
    for one in candidates:
        found.setdefault(one.group or f"{one.index}", []).append(one)
    return found
