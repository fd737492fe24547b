"""Sensor logs of an invented machine with known truth, written in as many ways as loggers do."""

from dataclasses import dataclass, field
from random import Random

import numpy as np

NAMES = {
    "en": ("Time", "Date", "CPU Package Power", "Average Effective Clock", "CPU Package"),
    "snake": ("timestamp", "date", "pkg_power", "cpu_clock_avg", "cpu_temp"),
    "de": (
        "Zeit",
        "Datum",
        "CPU-Gesamt-Leistungsaufnahme",
        "Durchschnittlicher effektiver Takt",
        "CPU-Temperatur",
    ),
    "fr": (
        "Heure",
        "Date",
        "Puissance du processeur",
        "Fréquence moyenne du processeur",
        "Température du processeur",
    ),
    "es": (
        "Hora",
        "Fecha",
        "Potencia del procesador",
        "Frecuencia media del procesador",
        "Temperatura del procesador",
    ),
    "ru": (
        "Время",
        "Дата",
        "Мощность процессора",
        "Средняя частота процессора",
        "Температура процессора",
    ),
}
UNITS = {
    "power_w": {"W": 1, "mW": 1e-3, "µW": 1e-6},
    "clock_mhz": {"MHz": 1, "GHz": 1e3},
    "temp_c": {"°C": 1, "°F": 0},
}


@dataclass
class DrawnLog:
    """The bytes of a log, and what is true of the load in it."""

    content: bytes
    truth: dict[str, float]
    written: dict[str, str] = field(default_factory=dict)


def draw(seed: int) -> DrawnLog:
    """A log with idle time, a warm-up, a load at a level, noise with autocorrelation, and faults."""
    rng, noise = Random(seed), np.random.default_rng(seed)
    interval = rng.choice((0.5, 1.0, 2.0))
    idle_before, load_s, idle_after = (
        rng.choice((0, 30, 120)),
        rng.choice((600, 900, 1500)),
        rng.choice((0, 20, 90)),
    )
    time = np.arange(0, idle_before + load_s + idle_after, interval)
    is_load = (time >= idle_before) & (time < idle_before + load_s)
    since = np.clip(time - idle_before, 0, None)
    levels = {
        "power_w": rng.uniform(12, 220),
        "clock_mhz": rng.uniform(1500, 5200),
        "temp_c": rng.uniform(60, 96),
    }
    idle = {"power_w": levels["power_w"] * 0.15, "clock_mhz": 1_100.0, "temp_c": 42.0}
    tau = rng.uniform(15, 45)
    boost = rng.choice((0.0, 0.2))
    series = {}
    for name, level in levels.items():
        shape = np.ones(len(time))
        if name == "temp_c":
            shape = 1 - (1 - idle[name] / level) * np.exp(-since / tau)
        elif boost:
            shape = 1 + boost * (since < 28)
        values = np.where(is_load, level * shape, idle[name])
        if name == "temp_c":
            after = np.clip(time - idle_before - load_s, 0, None)
            values = np.where(
                after > 0, idle[name] + (level - idle[name]) * np.exp(-after / tau), values
            )
        wobble = np.zeros(len(time))
        for place in range(1, len(time)):
            wobble[place] = 0.8 * wobble[place - 1] + noise.normal()
        series[name] = values + wobble * level * 0.004
    language = rng.choice(sorted(NAMES))
    encoding = rng.choice(
        ("utf-8", "utf-8-sig", "utf-16", "cp1251" if language == "ru" else "cp1252")
    )
    delimiter = rng.choice((",", ";", "\t"))
    comma = rng.random() < 0.4
    quoted = comma and delimiter == "," or rng.random() < 0.2
    names = NAMES[language]
    written = {name: rng.choice(sorted(units)) for name, units in UNITS.items()}
    unit_style = rng.choice(("brackets", "round", "line", "cell"))
    if language == "snake" and unit_style in ("brackets", "round"):
        unit_style = "round"
    begin_s = rng.choice((36_000.0, 86_400.0 - idle_before - load_s / 3))
    time_style = rng.choice(("time", "iso", "elapsed", "date and time", "dotted"))
    header, units = [], []
    if time_style == "date and time":
        header, units = [names[1], names[0]], ["", ""]
    else:
        header, units = [names[0]], [""]
    for name, title in zip(UNITS, names[2:], strict=True):
        unit = written[name]
        label = {"brackets": f"{title} [{unit}]", "round": f"{title} ({unit})"}.get(
            unit_style, title
        )
        header.append(label)
        units.append(unit)
    if unit_style == "cell" or unit_style == "line":
        pass
    extra = rng.random() < 0.5
    if extra:
        header.append("SSD temperature [°C]" if unit_style != "line" else "SSD temperature")
        units.append("°C")
    rows = []
    truth_place = is_load & (since > 6 * tau) & (since > 40)
    for place, moment in enumerate(time):
        cells = _time_cells(time_style, begin_s, moment)
        for name in UNITS:
            unit = written[name]
            value = series[name][place]
            shown = value * 1.8 + 32 if unit == "°F" else value / UNITS[name][unit]
            text = f"{shown:.{4 if unit == 'GHz' else 0 if unit == 'µW' else 2}f}"
            if unit_style == "cell":
                text += f" {unit}"
            cells.append(text)
        if extra:
            cells.append("38.0")
        rows.append(cells)
    faults = set(rng.sample(("gap", "missing", "repeat", "summary", "cut", "sentinel"), 3))
    missing = {name: np.zeros(len(time), bool) for name in UNITS}
    if "missing" in faults:
        for place in rng.sample(range(len(rows)), len(rows) // 20):
            column = rng.randrange(3)
            rows[place][len(rows[place]) - 3 - extra + column] = rng.choice(("", "N/A", "-"))
            missing[list(UNITS)[column]][place] = True
    if "sentinel" in faults and written["temp_c"] == "°C":
        for place in rng.sample(range(len(rows)), 3):
            rows[place][len(rows[place]) - 1 - extra] = "255" + (
                " °C" if unit_style == "cell" else ""
            )
            missing["temp_c"][place] = True
    if comma:
        rows = [
            [cell if _is_time(cell) else cell.replace(".", ",") for cell in row] for row in rows
        ]
    lines = [header]
    if unit_style == "line":
        lines.append(units)
    keep = np.ones(len(rows), bool)
    if "gap" in faults:
        begin = len(rows) * 2 // 3
        keep[begin : begin + 20] = False
    for place, row in enumerate(rows):
        if keep[place]:
            lines.append(row)
        if "repeat" in faults and place == len(rows) // 2:
            lines.append(header)
    if "summary" in faults:
        lines.append(["Average", *["1"] * (len(header) - 1)])

    def cell(text):
        return f'"{text}"' if quoted or delimiter in text else text

    text = "\r\n".join(delimiter.join(map(cell, line)) for line in lines) + "\r\n"
    if "cut" in faults:
        text = text[: -len(text.splitlines()[-1]) // 2]
    truth = {
        name: float(series[name][truth_place & keep & ~missing[name]].mean()) for name in UNITS
    }
    used = {
        "language": language,
        "encoding": encoding,
        "delimiter": delimiter,
        "comma": comma,
        "units": written,
        "style": unit_style,
        "time": time_style,
        "faults": sorted(faults),
        "begin": begin_s,
    }
    return DrawnLog(text.encode(encoding, "replace"), truth, used)


def _is_time(cell: str) -> bool:
    return ":" in cell or cell.count("-") == 2 or cell.count(".") == 2


def _time_cells(style: str, begin_s: float, moment: float) -> list[str]:
    at = begin_s + moment
    day, second = 29 + int(at // 86_400), at % 86_400
    clock = f"{int(second // 3600):02}:{int(second // 60 % 60):02}:{second % 60:06.3f}"
    if style == "elapsed":
        return [f"{moment:.1f}"]
    if style == "iso":
        return [f"2026-11-{day}T{clock}"]
    if style == "dotted":
        return [f"{day}.11.2026 {clock}"]
    if style == "date and time":
        return [f"{day}.11.2026", clock]
    return [clock]
