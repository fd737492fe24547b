"""The words of column names in several languages, by what they tell."""

import re
from typing import Final

from kbapi.telemetry.cells import unit_of

_WORDS: Final[dict[str, str]] = {
    "time": r"time|timestamp|elapsed|zeit|uhrzeit|zeitstempel|temps|heure|hora|tiempo|tempo|ora|"
    r"tijd|czas|godzina|время|时间|时刻|時間|時刻|seconds|sec|sekunden",
    "date": r"date|datum|fecha|data|дата|日期|日付",
    "power": r"power|watts?|\w*leistung\w*|puissance|potencia|potenza|potência|vermogen|moc|"
    r"мощность|功率|功耗|電力|verbrauch|consumption",
    "clock": r"clocks?|clk|frequency|freq|\w*takt\w*|frequenz|fréquence|frecuencia|frequenza|"
    r"frequência|klok\w*|zegar|częstotliwość|частота|频率|頻率|周波数|クロック",
    "temp": r"temp|temps|temperatures?|\w*temperatur|température|temperatura|temperatuur|"
    r"температура|温度|溫度",
    "performance": r"fps|frames|jobs|iterations|throughput|performance|bilder",
    "usage": r"usage|utili[sz]ation|util|load|auslastung|last|charge|uso|carico|belasting|"
    r"użycie|obciążenie|загрузка|占用|使用率",
    "throttle": r"throttl\w*|drossel\w*|limit\w*|begrenz\w*|prochot|ограничение|降频",
    "cap": r"limit|limits|cap|grenze|limite|pl\d|budget|target|tdp|max|maximum|begrenzung|上限",
    "ambient": r"ambient|room|umgebung\w*|raum\w*|ambiante|ambiente|inlet|intake|omgeving|"
    r"otoczeni\w+|комнатная|环境|室温|周囲",
    "package": r"package|pkg|socket|paket|pakiet\w*|gesamt|total|封装|パッケージ",
    "cores": r"cores?|kern|kerne|kernen|c\d+|cœurs?|coeurs?|núcleos?|nuclei|rdzeń|rdzeni\w*|"
    r"ядр\w+|核心|コア",
    "chip": r"cpu|processor|prozessor\w*|processeur|procesador|processore|procesor\w*|soc|apu|"
    r"процессор\w*|处理器|處理器|プロセッサ",
    "graphics": r"gpu|graphics?|grafik\w*|graphique|gráficos?|grafica|igpu|dgpu|видеокарт\w*|"
    r"显卡|グラフィックス",
    "memory": r"memory|mem|ram|vram|dram|speicher|mémoire|memoria|geheugen|pamięć|pamięci|память|"
    r"内存|メモリ",
    "other_part": r"ssd|hdd|nvme|disk|drive|drives|fan|fans|lüfter|ventilateur|battery|akku|"
    r"batterie|network|board|mainboard|motherboard|chipset|vrm|vr|pch|uncore|ring|cache|bus|"
    r"fabric|rest|psu|wifi|lan|coolant|water|liquid|pump|wasser|dysk\w*|硬盘|ディスク",
    "wall": r"wall|mains|plug|outlet|system|platform|psys|steckdose|netz|secteur|gesamtsystem|"
    r"gniazdk\w+|插座|コンセント",
    "effective": r"effective|effektiv\w*|actual|efectiv\w*|efficace|real|эффективная|有效|実効",
    "average": r"average|avg|mean|durchschnitt\w*|mittel\w*|moyenne|promedio|media|gemiddeld\w*|"
    r"średni\w*|средн\w*|平均",
    "highest": r"max|maximum|highest|peak|hottest|maximal\w*|最高|最大",
    "lowest": r"min|minimum|lowest|minimal\w*|最低|最小",
    "voltage": r"voltage|volt|volts|vid|vcore|vdd\w*|\w*spannung\w*|tension|voltaje|tensione|"
    r"napięcie|напряжение|电压|電圧",
    "hotspot": r"hotspot|hot spot|junction",
    "thermal": r"therm\w*|temperatur\w*|temp|prochot|hot|heat",
    "current": r"current|edp|iccmax|amps?|strom",
    "long": r"long|pl1|sustained|tdp",
    "short": r"short|pl2|boost|turbo",
}
_HAS_NO_SPACES: Final = re.compile(r"[\u3040-\u9fff]")


def _pattern(words: str) -> re.Pattern[str]:
    """A pattern for whole words; in scripts without spaces a word may stand anywhere."""
    every = words.split("|")
    anywhere = [word for word in every if _HAS_NO_SPACES.search(word)]
    whole = "|".join(word for word in every if word not in anywhere)
    bounded = rf"(?<![^\W_\d\u3040-\u9fff])(?:{whole})(?![^\W_\d\u3040-\u9fff])"
    return re.compile("|".join([bounded, *anywhere]), re.IGNORECASE)


_PATTERNS: Final = {name: _pattern(words) for name, words in _WORDS.items()}
_UNIT_IN_NAME: Final = re.compile(r"[\[(]([^\])]{1,14})[\])]\s*$|[_ ,/]([^\s_,/]{1,7})$")
_NUMBER_OF_SAME: Final = re.compile(r" #\d+$")


def words_of(name: str) -> frozenset[str]:
    """The kinds of words in a column's name.

    >>> sorted(words_of("CPU_PkgPower (W)"))
    ['chip', 'package', 'power']
    """
    text = re.sub(r"(?<=[a-zа-я])(?=[A-ZА-Я])", " ", _without_unit(name)).replace("_", " ")
    text = re.sub(r"[#:.\-/\[\]()]", " ", text)
    return frozenset(kind for kind, pattern in _PATTERNS.items() if pattern.search(text))


def known_words(text: str) -> int:
    """How many words of a text are known.

    >>> known_words("Moc procesora, Średnia częstotliwość")
    4
    """
    return sum(len(pattern.findall(text)) for pattern in _PATTERNS.values())


def _unit_at_end(name: str) -> re.Match[str] | None:
    found = _UNIT_IN_NAME.search(name)
    if found is None or found.start() == 0:
        return None
    written = found[1] or found[2]
    if unit_of(written) is None:
        return None
    # A single letter without brackets may be a number of a sensor, as in "Core A".
    is_letter = found[2] is not None and len(written) == 1 and written != "%"
    return (
        None if is_letter and name[found.start()] == " " and not _names_what(name, found) else found
    )


def _names_what(name: str, found: re.Match[str]) -> bool:
    return any(
        _PATTERNS[kind].search(name[: found.start()].replace("_", " "))
        for kind in ("power", "temp", "voltage", "time")
    )


def _without_unit(name: str) -> str:
    name = _NUMBER_OF_SAME.sub("", name)
    found = _unit_at_end(name)
    return name if found is None else name[: found.start()]


def unit_in(name: str, below: str) -> str:
    """The unit of a column, from the line below the header or else from its name.

    >>> [unit_in("CPU Power [mW]", ""), unit_in("clock_ghz", ""), unit_in("Core temp", "°C")]
    ['mw', 'ghz', '°c']
    """
    if (unit := unit_of(below)) is not None:
        return unit
    found = _unit_at_end(_NUMBER_OF_SAME.sub("", name))
    return "" if found is None else unit_of(found[1] or found[2]) or ""
