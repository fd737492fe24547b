"""Sensor logs of an invented machine with known truth, written in as many ways as loggers do."""

from dataclasses import dataclass, field
from random import Random

import numpy as np

# Names of: time, date, power, clock, temperature of the chip.
NAMES = {
    "en": ("Time", "Date", "CPU Package Power", "Average Effective Clock", "CPU Package"),
    "plain": (
        "Moment time",
        "Day date",
        "Processor power use",
        "Processor clock",
        "Processor temp",
    ),
    "snake": ("timestamp", "date", "pkg_power", "cpu_clock_avg", "cpu_temp"),
    "de": ("Zeit", "Datum", "Leistung des Prozessors", "Mittlerer Takt", "Prozessor-Temperatur"),
    "fr": ("Heure", "Date", "Puissance du processeur", "Fréquence moyenne", "Température CPU"),
    "es": ("Hora", "Fecha", "Potencia del procesador", "Frecuencia media", "Temperatura CPU"),
    "ru": ("Время", "Дата", "Мощность процессора", "Средняя частота", "Температура процессора"),
    "pl": ("Czas", "Data", "Moc procesora", "Średnia częstotliwość", "Temperatura procesora"),
    "ja": ("時刻", "日付", "プロセッサ電力", "平均クロック", "プロセッサ温度"),
    "zh": ("时间", "日期", "处理器功率", "平均频率", "处理器温度"),
}
CODE_PAGES = {"ru": ("cp1251",), "pl": ("cp1250",), "ja": ("cp932",), "zh": ("gb18030",)}
UNITS = {
    "power_w": {"W": 1, "mW": 1e-3, "µW": 1e-6},
    "clock_mhz": {"MHz": 1, "GHz": 1e3},
    "temp_c": {"°C": 1, "°F": 0},
}
WANTED = ("power_w", "clock_mhz", "temp_c")
IDLE = {"clock_mhz": 1_100.0, "temp_c": 42.0}


@dataclass
class DrawnLog:
    """The bytes of a log, and what is true of the load in it."""

    content: bytes
    truth: dict[str, float]
    """What a reading has to hold, within half a percent."""
    asked: set[str]
    """Quantities that must be asked for: a number would be a guess."""
    is_refused: bool = False
    used: dict[str, object] = field(default_factory=dict)
    """How the log is written, to understand a failure."""


@dataclass
class Column:
    """A column that is written: its name, unit, and cells."""

    name: str
    unit: str
    values: np.ndarray
    digits: int = 2
    quantity: str = ""


def draw(seed: int) -> DrawnLog:
    """A log with idle time, a warm-up, a load at a level, noise with autocorrelation, faults."""
    return _Drawing(seed).log()


class _Drawing:
    def __init__(self, seed: int) -> None:
        self.rng, self.noise = Random(seed), np.random.default_rng(seed)
        rng = self.rng
        self.interval = rng.choice((0.1, 0.5, 1.0, 1.0, 2.0, 10.0))
        self.course = rng.choice(
            ("usual", "usual", "usual", "usual", "dips", "two loads", "no idle", "idle only")
        )
        if self.interval > 2 and self.course == "dips":
            self.course = "usual"  # a dip between two rows is not in the log
        self.load_s = rng.choice((600, 900, 1500)) if self.interval > 0.1 else 400
        self.tau = rng.uniform(15, 45 if self.load_s < 900 else 80)
        self.boost = rng.choice((0.0, 0.2))
        self.faults = set(
            rng.sample(
                (
                    "gap", "missing", "repeat", "summary", "cut", "sentinel", "stutter", "set back",
                    "preamble", "new columns", "zero first", "garbage", "dummy", "cut character",
                ),
                4,
            )
        )  # fmt: skip
        self.label = rng.choice(("right",) * 9 + ("wrong",))
        self.language = rng.choice(sorted(NAMES))
        self.encoding = self._encoding()
        self.delimiter = rng.choice((",", ";", "\t"))
        self.comma = rng.random() < 0.4
        self.thousands = rng.random() < 0.15
        self.is_unquoted_comma = self.comma and self.delimiter == "," and rng.random() < 0.3
        self.quoted = not self.is_unquoted_comma and (
            (self.comma and self.delimiter == ",") or rng.random() < 0.2
        )
        self.units = {name: rng.choice(sorted(units)) for name, units in UNITS.items()}
        self.style = rng.choice(("brackets", "brackets", "round", "line", "cell", "none"))
        if self.style == "none":  # nothing shows Fahrenheit then
            self.units["temp_c"] = "°C"
        self.time_style = rng.choice(
            ("time", "iso", "elapsed", "date and time", "dotted", "half days", "epoch_ms",
             "epoch_s", "month first", "elapsed_ms", "days")
        )  # fmt: skip
        self.extra = set(rng.sample(("cores", "powers", "graphics", "many", "same names"), 2))

    def _encoding(self) -> str:
        pages = CODE_PAGES.get(self.language, ("cp1252",))
        return self.rng.choice(
            ("utf-8", "utf-8-sig", "utf-16", "utf-16-be", "utf-16-be with a mark", *pages)
        )

    def _timeline(self) -> None:
        rng = self.rng
        before = 0 if self.course == "no idle" else rng.choice((30, 120, 300))
        after = 0 if self.course == "no idle" else rng.choice((0, 20, 90))
        between = 120 if self.course == "two loads" else 0
        first = 0.4 * self.load_s if between else 0
        self.time = np.arange(0, before + first + between + self.load_s + after, self.interval)
        begin = before + first + between
        self.is_load = (self.time >= begin) & (self.time < begin + self.load_s)
        self.is_other = (self.time >= before) & (self.time < before + first)
        self.since = np.clip(self.time - begin, 0, None)
        if self.course == "idle only":
            self.is_load[:] = False
        self.end = begin + self.load_s
        self.other = before, before + first
        # After midnight for a third of the log.
        self.begin_s = rng.choice((36_000.0, 86_400.0 - self.time[-1] * 2 / 3))

    def _series(self) -> dict[str, np.ndarray]:
        rng = self.rng
        levels = {
            "power_w": rng.uniform(12, 220),
            "clock_mhz": rng.uniform(1500, 5200),
            "temp_c": rng.uniform(60, 96),
        }
        found = {}
        for name, level in levels.items():
            idle = IDLE.get(name, levels["power_w"] * 0.15)
            values = np.where(self.is_load | self.is_other, level, idle)
            if name == "temp_c":
                values = self._heat(idle, level)
            elif self.boost and self.course != "idle only":
                values = values * (1 + self.boost * (self.is_load & (self.since < 28)))
            if self.course == "dips" and name != "temp_c":
                dips = self.is_load & (self.time % 31 < 1.5) & (self.since > 60)
                values = np.where(dips, values * 0.75, values)
            found[name] = values + self._wobble() * level * 0.004
        return found

    def _heat(self, idle: float, level: float) -> np.ndarray:
        target = np.where(self.is_load | self.is_other, level, idle)
        heat, now, keeps = np.empty(len(target)), idle, np.exp(-self.interval / self.tau)
        for place, aim in enumerate(target):
            now = aim + (now - aim) * keeps
            heat[place] = now
        return heat

    def _wobble(self) -> np.ndarray:
        found, now = np.zeros(len(self.time)), 0.0
        for place, step in enumerate(self.noise.normal(size=len(found))):
            now = 0.8 * now + step
            found[place] = now
        return found

    def _columns(self) -> list[Column]:
        names = NAMES[self.language]
        columns = []
        for name, title in zip(WANTED, names[2:], strict=True):
            unit = self.units[name]
            shown = self._shown(name, self.series[name])
            digits = {"GHz": 4, "µW": 0}.get(unit, 2)
            columns.append(Column(title, unit, shown, digits, name))
        if "cores" in self.extra and self.language in ("en", "plain", "snake"):
            for name, title in (("clock_mhz", "Core {} clock"), ("temp_c", "CPU core {} temp")):
                columns += self._cores(name, title)
            if self.rng.random() < 0.6:  # no mean of the cores
                columns = [columns[0], *columns[3:]]
        columns += self._other_columns()
        self.rng.shuffle(columns)
        return columns

    def _shown(self, name: str, values: np.ndarray) -> np.ndarray:
        unit = self.units[name]
        return values * 1.8 + 32 if unit == "°F" else values / UNITS[name][unit]

    def _cores(self, name: str, title: str) -> list[Column]:
        """Eight cores whose mean is that of the chip."""
        apart = self.noise.normal(size=(8, len(self.time))) * self.series[name].std() * 0.05
        apart -= apart.mean(axis=0)
        return [
            Column(
                title.format(core),
                self.units[name],
                self._shown(name, self.series[name] + apart[core]),
                4 if self.units[name] == "GHz" else 2,
                name,
            )
            for core in range(8)
        ]

    def _other_columns(self) -> list[Column]:
        count, power = len(self.time), self.series["power_w"]
        found = [Column("SSD temperature", "°C", np.full(count, 38.0))]
        if "powers" in self.extra:
            found += [
                Column("Wall power", "W", power * 1.3 + 20),
                Column("DRAM power", "W", np.full(count, 3.2)),
                Column("Cores power", "W", power * 0.8),
                Column("Power limit", "W", np.full(count, 300.0)),
            ]
        if "graphics" in self.extra:
            found += [
                Column("GPU power", "W", power * 0.4),
                Column("GPU clock", "MHz", np.full(count, 1500.0)),
                Column("GPU temperature", "°C", np.full(count, 55.0)),
            ]
        if "same names" in self.extra:
            found += [Column("Fan", "RPM", np.full(count, 1500.0)) for _ in range(2)]
        if "dummy" in self.faults:
            found.append(Column("Processor zone temp", "°C", np.full(count, 27.85)))
        if "many" in self.extra:
            found += [Column(f"Rail {n} voltage", "V", np.full(count, 1.1)) for n in range(30)]
        return found

    def log(self) -> DrawnLog:
        """The log."""
        self._timeline()
        self.series = self._series()
        self.written = self._columns()
        wrong = self._wrong_label()
        rows = [[self._cell(one, place) for one in self.written] for place in range(len(self.time))]
        self.missing = {name: np.zeros(len(self.time), bool) for name in WANTED}
        self._spoil(rows)
        content = self._bytes(rows)
        here = {one.quantity for one in self.written}
        asked = {wrong} if wrong else set()
        if self.style == "none" and {"CPU Package"} == {
            one.name for one in self.written if one.quantity == "temp_c"
        }:
            # Neither a unit nor a name tells a temperature, and without it no load.
            asked = {"temp_c"} if self.course != "no idle" else {"load"}
        if self.course == "idle only" or (self.course == "no idle" and wrong == "temp_c"):
            asked = {"load"}
        level = self.is_load & (self.since > min(6 * self.tau, 0.5 * self.load_s))
        level &= self.since > 40
        truth = {
            name: float(self.series[name][level & self.keep & ~self.missing[name]].mean())
            for name in WANTED
            if name in here and not asked & {name, "load"}
        }
        hidden = ("rng", "noise", "series", "written", "missing", "keep", "time", "since")
        used = {name: one for name, one in vars(self).items() if name not in hidden}
        used = {name: one for name, one in used.items() if not name.startswith("is_")}
        return DrawnLog(content, truth, asked, self.is_unquoted_comma, used)

    def _wrong_label(self) -> str:
        """Let a column be written in another unit than it says; which quantity it is."""
        if self.label == "right" or self.style in ("none", "cell"):
            return ""
        name = self.rng.choice(WANTED)
        said = {"power_w": "W", "clock_mhz": "MHz", "temp_c": "°C"}[name]
        factor = {"power_w": 1e-3, "clock_mhz": 1e3}.get(name)
        for one in self.written:
            if one.quantity == name:
                true = self.series[name]
                one.values = true * 1.8 + 32 if factor is None else true / factor
                one.unit, one.digits = said, 4
        return name

    def _cell(self, one: Column, place: int) -> str:
        value, unit, digits = one.values[place], one.unit, one.digits
        if self.style == "cell" and unit == "W" and self.thousands and place % 3 == 0:
            value, unit = value * 1000, "mW"
        text = f"{value:{',' if self.thousands else ''}.{digits}f}"
        if self.comma:
            text = text.translate(str.maketrans(",.", ".,"))
        return f"{text} {unit}" if self.style == "cell" else text

    def _spoil(self, rows: list[list[str]]) -> None:
        rng, count = self.rng, len(rows)
        places = {one.quantity: place for place, one in enumerate(self.written)}
        if "missing" in self.faults:
            for place in rng.sample(range(count), count // 20):
                quantity = rng.choice(WANTED)
                self._replace(rows, places, quantity, place, rng.choice(("", "N/A", "-")))
        unit = " °C" if self.style == "cell" else ""
        if "sentinel" in self.faults and self.units["temp_c"] == "°C":
            for place in rng.sample(range(count), 3):
                wrong = rng.choice(("255", "-128", "511", "65535", "127"))
                self._replace(rows, places, "temp_c", place, wrong + unit)
        if "zero first" in self.faults:
            for place in range(5):
                for quantity in WANTED:
                    self._replace(rows, places, quantity, place, "0")
        if "garbage" in self.faults:
            for place in rng.sample(range(count), 2):
                self._replace(rows, places, "temp_c", place, "3892313987")
                self._replace(rows, places, "power_w", place, "-650788984")

    def _replace(self, rows, places, quantity, place, text) -> None:
        """Put another text into a cell of a quantity, unless it is of one of several cores."""
        columns = [one for one in self.written if one.quantity == quantity]
        if len(columns) == 1:
            rows[place][places[quantity]] = text
            self.missing[quantity][place] = True

    def _bytes(self, rows: list[list[str]]) -> bytes:
        rng, count = self.rng, len(rows)
        self.keep = np.ones(count, bool)
        if "gap" in self.faults:
            self.keep[count * 2 // 3 : count * 2 // 3 + 20] = False
        rows = [
            [*self._time_cells(place), *row] for place, row in enumerate(rows) if self.keep[place]
        ]
        lines = [*self._head(), *rows]
        middle = len(lines) // 2
        if "new columns" in self.faults and not self.is_unquoted_comma:
            new = [[*row, "7" if self.style != "cell" else "7 A"] for row in lines[middle:]]
            lines[middle:] = [[*self._head()[0], "Charger current"], *new]
        elif "repeat" in self.faults:
            lines.insert(middle, self._head()[0])
        if "summary" in self.faults:
            lines.append(["Average", *["1"] * (len(lines[-1]) - 1)])
        text = "\r\n".join(self.delimiter.join(map(self._quote, line)) for line in lines) + "\r\n"
        if "preamble" in self.faults:
            text = "Machine: harbour-15\r\nLog of 2026-11-29; by the bench\r\n\r\n" + text
        if "cut" in self.faults:
            text = text[: -rng.randint(3, max(4, len(text.splitlines()[-1])))]
        encoding, _, mark = self.encoding.partition(" ")
        content = (text if not mark else "\ufeff" + text).encode(encoding, "replace")
        return content[:-3] + b"\xe6" if "cut character" in self.faults else content

    def _head(self) -> list[list[str]]:
        names = NAMES[self.language]
        header = [names[0]]
        unit = ""
        if self.time_style == "date and time":
            header = [names[1], names[0]]
        elif self.time_style == "elapsed_ms" and self.style in ("brackets", "round", "line"):
            unit = "ms"
        units = [""] * len(header)
        units[-1] = unit
        written = [("", one.name, one.unit) for one in self.written]
        every = [("", name, unit) for name, unit in zip(header, units, strict=True)] + written
        style = {"brackets": "{} [{}]", "round": "{} ({})"}.get(self.style, "{}")
        header = [style.format(name, unit) if unit else name for _, name, unit in every]
        return [header, [unit for *_, unit in every]] if self.style == "line" else [header]

    def _quote(self, cell: str) -> str:
        if self.is_unquoted_comma:
            return cell
        return f'"{cell}"' if self.quoted or self.delimiter in cell else cell

    def _time_cells(self, place: int) -> list[str]:
        moment = float(self.time[place])
        at = self.begin_s + moment
        if "set back" in self.faults and place > len(self.time) * 3 // 5:
            at -= 1_800.0
        if "stutter" in self.faults and place % 50 == 7:
            at -= self.interval
        day, second = 29 + int(at // 86_400), at % 86_400
        clock = f"{int(second // 3600):02}:{int(second // 60 % 60):02}:{second % 60:06.3f}"
        hour = int(second // 3600)
        half = f"{(hour + 11) % 12 + 1}{clock[2:]} {'PM' if hour >= 12 else 'AM'}"
        return {
            "time": [clock],
            "iso": [f"2026-11-{day}T{clock}"],
            "elapsed": [f"{moment:.1f}"],
            "elapsed_ms": [f"{1000 * moment:.0f}"],
            "date and time": [f"{day}.11.2026", clock],
            "dotted": [f"{day}.11.2026 {clock}"],
            "half days": [f"2026-11-{day} {half}"],
            "month first": [f"11/{day}/2026 {clock}"],
            "epoch_ms": [f"{1_795_000_000_000 + 1000 * at:.0f}"],
            "epoch_s": [f"{1_795_000_000 + at:.1f}"],
            "days": [f"{46_000 + at / 86_400:.9f}"],
        }[self.time_style]
