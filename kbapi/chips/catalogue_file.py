"""Files of a catalogue: TOML text becomes checked tables."""

import re
import tomllib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from fractions import Fraction
from functools import lru_cache
from hashlib import blake2b
from itertools import chain
from pathlib import Path
from typing import Any, Final

from kbapi.chips.catalogue import (
    TRAITS,
    Catalogue,
    CatalogueChip,
    CatalogueFile,
    Fact,
    FactoryLock,
    Row,
)
from kbapi.chips.naming import identify_chip
from kbapi.errors import CatalogueError
from kbapi.stats.intervals import Grid
from kbapi.vocabulary import CHIP_KINDS, CONTROLS, DOMAINS, FACTORY_LOCK_STATUSES

_TABLES: Final = (
    "reviewed",
    "recheck",
    "defaults",
    "makers",
    "series",
    "chips",
    "models",
    "machines",
    "facts",
)
_CHIP_FIELDS: Final = ("key", "name", "kind", "series", "line")
_FACT_FIELDS: Final = ("text", "source", "reviewed", "recheck", "note")
_WITH_STEPS: Final = tuple(control for control in CONTROLS if control != "load_line")
_FIELDS: Final = (
    "pattern",
    *(trait for trait in TRAITS if trait != "factory_lock"),
    "domains_unclear",
    "controls_unclear",
    "control_domains",
    "grid",
    "factory_lock",
    "lock_reason",
    "lock_facts",
    "recheck",
    "unreviewed",
    "exceptions",
)
_MONTH: Final = re.compile(r"20[0-9]{2}-(?:0[1-9]|1[0-2])")
_LONGEST_PATTERN: Final = 300


def load_catalogue(folder: Path, own: Path | None = None) -> Catalogue:
    """The catalogue in the `*.toml` files of a folder; a host's own files overrule them.

    Raises
    ------
    CatalogueError
        When a file cannot be read, with its name and the wrong place.
    """
    return _catalogue_of(_texts_in(folder), () if own is None else _texts_in(own))


@lru_cache(maxsize=4)
def _catalogue_of(
    texts: tuple[tuple[str, str], ...], own: tuple[tuple[str, str], ...]
) -> Catalogue:
    # Instances with the same files share one catalogue.
    layers = [[parse_file(name, text) for name, text in files] for files in (texts, own)]
    for layer in layers:
        _require_no_chip_twice(layer)
    stamp = blake2b(repr(own).encode(), digest_size=6).hexdigest() if own else ""
    return Catalogue(layers[0], layers[1], stamp=stamp)


def _texts_in(folder: Path) -> tuple[tuple[str, str], ...]:
    return tuple((path.name, read_text(path)) for path in sorted(folder.glob("*.toml")))


def read_text(path: Path) -> str:
    """The text of a catalogue file.

    Raises
    ------
    CatalogueError
        When the file cannot be read.
    """
    try:
        return path.read_text(encoding="utf-8")
    except (OSError, ValueError) as error:
        raise CatalogueError(f"{path.name} cannot be read: {error}") from error


def _require_no_chip_twice(files: Iterable[CatalogueFile]) -> None:
    seen: set[str] = set()
    for file in files:
        if twice := sorted(seen & set(file.chips)):
            raise CatalogueError(f"{file.name} describes {twice[0]} a second time.")
        seen |= set(file.chips)


def parse_file(name: str, text: str) -> CatalogueFile:
    """The tables in the text of a file.

    Raises
    ------
    CatalogueError
        When a table is wrong, with the file and the table.
    """
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise CatalogueError(f"{name} is not TOML: {error}.") from error
    reader = _Reader(name, table)
    return reader.read()


def problems_in(file: CatalogueFile, bundled: Catalogue) -> list[str]:
    """What is wrong in a file although each of its values is valid; empty if nothing is."""
    facts = {*file.facts, *bundled.facts}
    rows = [row for one in file.series.values() for row in (one, *one.exceptions)]
    rows += [one.row for one in file.chips.values()]
    models = sorted({*file.models, *bundled.models})
    found = [*chain.from_iterable(_problems_of_row(row, facts) for row in rows)]
    wrong = [key for key in file.models if not _is_canonical(key)]
    found += [f"{file.name} lists a model whose key is not canonical: {key}." for key in wrong]
    return [*found, *_overlaps(file, [key for key in models if _is_canonical(key)])]


def _problems_of_row(row: Row, facts: set[str]) -> Iterator[str]:
    lock_facts = row.factory_lock.facts if row.factory_lock else ()
    for key in (*(row.facts or ()), *lock_facts):
        if key not in facts:
            yield f"{row.origin} names an unknown fact: {key}."
    if row.controls is not None and row.default_control not in (None, *row.controls):
        yield f"{row.origin} begins with a control that it does not list."
    if row.domains is not None and row.default_domain not in (None, *row.domains):
        yield f"{row.origin} begins with a domain that it does not list."


def _is_canonical(key: str) -> bool:
    chip = identify_chip(key).chip
    return chip is not None and chip.key == key


def _overlaps(file: CatalogueFile, keys: Iterable[str]) -> Iterator[str]:
    """One problem for each group of tables that describe the same series."""
    alone = Catalogue([], [file])
    found: dict[tuple[str, ...], str] = {}
    for key in keys:
        chip = identify_chip(key).chip
        if chip is not None:
            found.setdefault(alone.tables_of(chip.series), chip.series)
    for tables, series in found.items():
        if len(tables) > 1:
            yield f"{file.name}: {' and '.join(tables)} describe one series: {series}."


class _Reader:
    """Reads one file; every error names the file and the table."""

    def __init__(self, name: str, table: dict[str, Any]) -> None:
        self._name = name
        self._table = table
        self._recheck = ""
        self._reviewed = ""

    def read(self) -> CatalogueFile:
        """The file's content."""
        table = self._table
        self._require_known("the file", table, _TABLES)
        self._recheck = self._month("recheck", table.get("recheck", ""))
        self._reviewed = self._month("reviewed", table.get("reviewed", ""))
        kinds = self._tables("defaults")
        self._require_known("defaults", kinds, CHIP_KINDS)
        return CatalogueFile(
            name=self._name,
            kinds={kind: self._row(f"defaults {kind}", row) for kind, row in kinds.items()},
            series={key: self._series(key, row) for key, row in self._tables("series").items()},
            chips=self._chips(table.get("chips", [])),
            models=self._texts("models", table.get("models", [])),
            machines=self._texts("machines", table.get("machines", [])),
            facts={key: self._fact(key, row) for key, row in self._tables("facts").items()},
            makers_without={
                maker: self._maker(maker, row) for maker, row in self._tables("makers").items()
            },
        )

    def _tables(self, name: str) -> dict[str, Any]:
        tables = self._table.get(name, {})
        if not isinstance(tables, dict) or not all(isinstance(x, dict) for x in tables.values()):
            raise self._wrong(name, "must hold tables")
        return tables

    def _maker(self, maker: str, row: dict[str, Any]) -> tuple[str, ...]:
        place = f"makers {maker}"
        self._require_known(place, row, ("without", "source"))
        without: tuple[str, ...] = self._codes(place, row.get("without", []), DOMAINS + CONTROLS)
        return without

    def _chips(self, rows: Any) -> dict[str, CatalogueChip]:
        if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
            raise self._wrong("chips", "must be [[chips]] tables")
        chips: dict[str, CatalogueChip] = {}
        for row in rows:
            entry = self._chip(row)
            if entry.chip.key in chips:
                raise CatalogueError(f"{self._name} describes {entry.chip.key} a second time.")
            chips[entry.chip.key] = entry
        return chips

    def _chip(self, row: dict[str, Any]) -> CatalogueChip:
        """One `[[chips]]` table; what it leaves out comes from its key by the grammar."""
        own = {name: value for name, value in row.items() if name in _CHIP_FIELDS}
        key = str(row.get("key", ""))
        by_grammar = identify_chip(key).chip
        if by_grammar is None or by_grammar.key != key:
            raise CatalogueError(f"{self._name} holds a chip whose key is not canonical.")
        if own.get("kind", by_grammar.kind) != by_grammar.kind:
            raise CatalogueError(f"{self._name} gives {key} another kind than its name.")
        if not all(isinstance(value, str) for value in own.values()):
            raise self._wrong(f"chip {key}", "has a name that is not a text")
        rest = {name: value for name, value in row.items() if name not in _CHIP_FIELDS}
        return CatalogueChip(replace(by_grammar, **own), self._row(f"chip {key}", rest))

    def _fact(self, key: str, row: dict[str, Any]) -> Fact:
        place = f"facts {key}"
        self._require_known(place, row, _FACT_FIELDS)
        return Fact(
            key=key,
            text=self._text(place, row.get("text")),
            source=self._text(place, row.get("source")),
            is_reviewed=self._flag(place, row.get("reviewed", True)),
            reviewed_month=self._reviewed,
            recheck_month=self._month(place, row.get("recheck", self._recheck)),
            is_note=self._flag(place, row.get("note", False)),
        )

    def _series(self, name: str, row: dict[str, Any]) -> Row:
        place = f"series {name}"
        exceptions = row.get("exceptions", [])
        if not isinstance(exceptions, list) or not all(isinstance(x, dict) for x in exceptions):
            raise self._wrong(place, "must hold [[series.NAME.exceptions]] tables")
        return replace(
            self._row(place, {k: v for k, v in row.items() if k != "exceptions"}),
            exceptions=tuple(self._row(f"{place}, exception", one) for one in exceptions),
        )

    def _row(self, place: str, row: dict[str, Any]) -> Row:
        self._require_known(place, row, _FIELDS)

        def codes(name: str, allowed: Sequence[str]) -> Any:
            return self._codes(place, row[name], allowed) if name in row else None

        return Row(
            origin=f"{self._name}, {place}",
            pattern=self._pattern(place, row.get("pattern")),
            unreviewed=frozenset(codes("unreviewed", (*TRAITS, *CONTROLS)) or ()),
            domains=codes("domains", DOMAINS),
            domains_unclear=codes("domains_unclear", DOMAINS) or (),
            moves_together=self._groups(place, row.get("moves_together")),
            controls=codes("controls", CONTROLS),
            controls_unclear=codes("controls_unclear", CONTROLS) or (),
            control_domains=self._control_domains(place, row.get("control_domains", {})),
            grids=self._grids(place, row.get("grid", {})),
            default_control=self._one_of(place, row, "default_control", CONTROLS),
            default_domain=self._one_of(place, row, "default_domain", DOMAINS),
            factory_lock=self._lock(place, row),
            clock_step_mhz=self._number(place, row.get("clock_step_mhz")),
            clock_band_mhz=self._whole(place, row.get("clock_band_mhz")),
            facts=self._texts(place, row["facts"]) if "facts" in row else None,
            remark=self._text(place, row["remark"]) if "remark" in row else None,
            recheck_month=self._month(place, row.get("recheck", self._recheck)),
        )

    def _lock(self, place: str, row: dict[str, Any]) -> FactoryLock | None:
        status = self._one_of(place, row, "factory_lock", FACTORY_LOCK_STATUSES)
        if status is None:
            return None
        reason = self._text(place, row.get("lock_reason"))
        return FactoryLock(status, reason, self._texts(place, row.get("lock_facts", [])))

    def _groups(self, place: str, groups: Any) -> Any:
        if groups is None:
            return None
        if not isinstance(groups, list):
            raise self._wrong(place, "must list groups of domains that move together")
        return tuple(self._codes(place, group, DOMAINS) for group in groups)

    def _control_domains(self, place: str, table: Any) -> Any:
        self._require_known(place, table, CONTROLS)
        return {name: self._codes(place, codes, DOMAINS) for name, codes in table.items()}

    def _grids(self, place: str, table: Any) -> dict[str, Grid]:
        self._require_known(place, table, _WITH_STEPS)
        try:
            return {control: Grid(Fraction(step)) for control, step in table.items()}
        except (TypeError, ValueError, ZeroDivisionError) as error:
            raise self._wrong(place, "has a step that is not a positive number") from error

    def _pattern(self, place: str, pattern: Any) -> str | None:
        if pattern is None:
            return None
        text = self._text(place, pattern)
        try:
            re.compile(text)
        except re.error as error:
            raise self._wrong(place, f"has a pattern that cannot be read: {error}") from error
        if len(text) > _LONGEST_PATTERN:
            raise self._wrong(place, f"has a pattern of more than {_LONGEST_PATTERN} characters")
        return text

    def _codes(self, place: str, found: Any, allowed: Sequence[str]) -> Any:
        """The codes in their fixed order; of the type that the closed list has."""
        self._require_known(place, self._texts(place, found), allowed)
        return tuple(code for code in allowed if code in found)

    def _one_of(self, place: str, row: dict[str, Any], name: str, allowed: Sequence[str]) -> Any:
        if name not in row:
            return None
        self._require_known(place, [row[name]], allowed)
        return row[name]

    def _texts(self, place: str, found: Any) -> tuple[str, ...]:
        if not isinstance(found, list | tuple) or not all(isinstance(one, str) for one in found):
            raise self._wrong(place, "must list texts in brackets")
        return tuple(found)

    def _text(self, place: str, found: Any) -> str:
        if not isinstance(found, str) or not found.strip():
            raise self._wrong(place, "lacks a text")
        return found

    def _flag(self, place: str, found: Any) -> bool:
        if not isinstance(found, bool):
            raise self._wrong(place, "needs true or false")
        return found

    def _number(self, place: str, found: Any) -> float | None:
        if found is None:
            return None
        if isinstance(found, bool) or not isinstance(found, int | float) or found <= 0:
            raise self._wrong(place, "has a number that is not positive")
        return float(found)

    def _whole(self, place: str, found: Any) -> int | None:
        number = self._number(place, found)
        if number is not None and number != int(number):
            raise self._wrong(place, "has a clock band that is not a whole number")
        return None if number is None else int(number)

    def _month(self, place: str, found: Any) -> str:
        if found != "" and not (isinstance(found, str) and _MONTH.fullmatch(found)):
            raise self._wrong(place, "has a month that is not written as 2027-06")
        return str(found)

    def _require_known(self, place: str, found: Iterable[Any], allowed: Sequence[str]) -> None:
        try:
            unknown = sorted(set(found) - set(allowed))
        except TypeError as error:
            raise self._wrong(place, "has a value of the wrong kind") from error
        if unknown:
            raise self._wrong(place, f"has an unknown value: {unknown[0]}")

    def _wrong(self, place: str, what: str) -> CatalogueError:
        return CatalogueError(f"{self._name}: {place} {what}.")
