"""Chips that this instance knows: lists, searches and details."""

import base64
import binascii
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from functools import lru_cache
from typing import Any, Final

import numpy as np
import orjson
from marshmallow import fields, validate
from numpy.typing import NDArray
from rapidfuzz import fuzz
from rapidfuzz.distance import OSA

from kbapi.advice.documented import (
    FactoryLockAnswer,
    PublishedNote,
    factory_lock_of,
    load_shares,
    notes_about,
    published,
)
from kbapi.advice.evidence_found import load_standing_in
from kbapi.chips.catalogue import TRAITS, Catalogue, Description, resolve_chip
from kbapi.chips.chip import ChipName, ChipSummary
from kbapi.chips.naming import identify_chip
from kbapi.documents.reader import read_parameters
from kbapi.documents.shapes import OneChoiceOf, ParameterCount, StrictSchema, Text
from kbapi.errors import ChipUnknown, Problem, QueryInvalid
from kbapi.evidence.locks import LockShares
from kbapi.instance.instance import Instance
from kbapi.storage import pools as pool_rows
from kbapi.storage.notes import Note
from kbapi.storage.pools import PoolSize, StoredChip, load_pools_of_line
from kbapi.vocabulary import CHIP_KINDS, Control, Domain, LimitControl

LONGEST_QUERY: Final = 80
# Names with the most pairs of letters of the query, whose likeness is computed one by one.
_CANDIDATES: Final = 128
# Rare pairs of letters distinguish more. Small weights take one byte for each pair and name.
_LARGEST_WEIGHT: Final = 15
_MODEL_DIGITS: Final = 3


@dataclass(frozen=True, slots=True)
class Hit:
    """A found key and its likeness to the query, from 0 to 100."""

    key: str
    likeness: float


@dataclass(frozen=True, slots=True, eq=False)
class SearchIndex:
    """Canonical keys prepared for searching; built once, never changed."""

    keys: tuple[str, ...]
    texts: tuple[str, ...]
    rows: dict[str, int]
    weights: NDArray[np.uint8]
    """One row for each pair of letters, one column for each key; zero where it does not occur."""
    lengths: NDArray[np.int32]


def build_index(keys: Iterable[str]) -> SearchIndex:
    """An index over canonical keys, each once."""
    distinct = tuple(dict.fromkeys(keys))
    texts = tuple(_letters(key) for key in distinct)
    rows: dict[str, int] = {}
    for text in texts:
        for pair in _pairs(text):
            rows.setdefault(pair, len(rows))
    present = np.zeros((len(rows), len(texts)), dtype=np.uint8)
    for column, text in enumerate(texts):
        present[[rows[pair] for pair in _pairs(text)], column] = 1
    lengths = np.array([len(text) for text in texts], dtype=np.int32)
    return SearchIndex(distinct, texts, rows, present * _rarity(present)[:, None], lengths)


def search_chips(index: SearchIndex, query: str, limit: int = 5) -> tuple[Hit, ...]:
    """The keys most like the query, best first; at most `limit`."""
    wanted = _letters(query[:LONGEST_QUERY])
    columns = _likely_columns(index, wanted, max(_CANDIDATES, 2 * limit))
    hits = (Hit(index.keys[c], _likeness(wanted, index.texts[c])) for c in columns)
    parts = frozenset(query.lower().replace("-", " ").split())
    return tuple(sorted(hits, key=lambda hit: _rank(hit, parts))[:limit])


def _rank(hit: Hit, parts: frozenset[str]) -> tuple[int, float, int, str]:
    """Names with the numbers of the query first, then the likest, then the most equal parts."""
    digits = sum(len(part) for part in parts if part in hit.key and _is_number(part))
    equal = len(parts.intersection(hit.key.split("-")))
    return (-digits, -hit.likeness, -equal, hit.key)


def _is_number(part: str) -> bool:
    # Many names have fewer digits in common by chance.
    return sum(letter.isdigit() for letter in part) >= _MODEL_DIGITS


def _letters(text: str) -> str:
    """The letters and digits alone: no two names differ in hyphens or spaces only."""
    return "".join(letter for letter in text.lower() if letter.isalnum() or letter == "+")


def _pairs(text: str) -> list[str]:
    return list(dict.fromkeys(text[at : at + 2] for at in range(len(text) - 1)))


def _rarity(present: NDArray[np.uint8]) -> NDArray[np.uint8]:
    share = present.mean(axis=1) if present.size else np.ones(len(present))
    weight = np.clip(np.round(-2 * np.log2(np.maximum(share, 1e-9))), 0, _LARGEST_WEIGHT)
    return weight.astype(np.uint8) + np.uint8(1)


def _likely_columns(index: SearchIndex, wanted: str, most: int) -> NDArray[np.intp]:
    """The columns with the most and rarest pairs of the query, short names first."""
    rows = [index.rows[pair] for pair in _pairs(wanted) if pair in index.rows]
    if not rows:
        return np.array([], dtype=np.intp)
    shared = index.weights[rows].sum(axis=0, dtype=np.int32) * 8 - index.lengths
    if len(shared) <= most:
        return np.arange(len(shared))
    return np.argpartition(shared, -most)[-most:]


def _likeness(wanted: str, text: str) -> float:
    """Likeness of the whole names, or a little less for a query that is a part of the name."""
    whole = 100 * OSA.normalized_similarity(wanted, text)
    return max(whole, 0.9 * fuzz.partial_ratio(wanted, text))


_DEFAULT_PAGE: Final = 50
_LARGEST_PAGE: Final = 200
_MOST_FOUND: Final = 1_000


@dataclass(frozen=True, slots=True)
class ChipKnown(ChipSummary):
    """A chip that this instance knows."""

    provisional: bool
    """Whether the catalogue describes neither the chip nor its series: then nothing is known of its
    domains and controls."""


@dataclass(frozen=True, slots=True)
class ChipPage:
    """A page of chips, and where the next one begins."""

    chips: tuple[ChipKnown, ...]
    """The chips of this page."""
    next_cursor: str | None
    """Value of `cursor` for the next page; null at the end."""


@dataclass(frozen=True, slots=True)
class ControlKnown:
    """A control of a chip, and its grid step."""

    control: Control
    """The control."""
    domains: tuple[Domain, ...]
    """The supply rails that it acts on; empty for the whole chip."""
    step: float | None
    """Step in mV, in counts for count_offset, in W for power_limit; null where it is not known."""
    is_reviewed: bool
    """Whether a source was read for it; false for general knowledge."""


@dataclass(frozen=True, slots=True)
class PoolKnown:
    """A pool: results of a chip that are counted together."""

    control: LimitControl
    """The control of these results."""
    domains: tuple[Domain, ...]
    """The domains that moved together."""
    clock_band_mhz: int | None
    """Lower end of the clock band in MHz, with fixed_clock_voltage; else null."""
    units: int
    """Number of units that are counted."""


@dataclass(frozen=True, slots=True)
class ChipDetail:
    """What is known of a chip: domains, controls, related chips and pools of results."""

    chip: ChipKnown
    """The chip."""
    domains: tuple[Domain, ...]
    """The supply rails that are adjusted on their own; empty where they are not known."""
    moves_together: tuple[tuple[Domain, ...], ...]
    """Groups of rails on one supply, which are set to one value; empty where none is known."""
    controls: tuple[ControlKnown, ...]
    """The ways to adjust the chip; empty where they are not known."""
    default_control: Control | None
    """The control to begin with; null where none is proposed."""
    default_domain: Domain | None
    """The supply rail to begin with; null for the whole chip, or where none is proposed."""
    clock_step_mhz: float | None
    """Step of the clock in MHz; null where it is not known."""
    clock_band_mhz: int
    """Width in MHz of the clock bands that pool results of fixed_clock_voltage."""
    factory_lock: FactoryLockAnswer
    """What is documented about the series, beside what was reported."""
    notes: tuple[PublishedNote, ...]
    """All that is known of its series in single sentences with sources, and curators' notes."""
    remark: str | None
    """What to know about its controls, in a few sentences; null without a remark."""
    unreviewed: tuple[str, ...]
    """Fields of this answer that are general knowledge: no source was read for them."""
    siblings: tuple[str, ...]
    """Keys of the other chips of its series that are known here."""
    pools: tuple[PoolKnown, ...]
    """The pools of results that the chip has."""


class ChipListSchema(StrictSchema):
    """The query parameters of a list of chips."""

    search = Text(
        metadata={
            "description": "Part of a name; one typing error is forgiven, the likest come first.",
            "example": "sable 4820",
        },
    )
    kind = fields.String(
        validate=OneChoiceOf(CHIP_KINDS),
        metadata={"description": "Only processors, or only graphics.", "example": "cpu"},
    )
    series = Text(metadata={"description": "Only this series.", "example": "norvane-sable-48-mx"})
    line = Text(metadata={"description": "Only this line.", "example": "norvane-sable"})
    limit = ParameterCount(
        load_default=_DEFAULT_PAGE,
        validate=validate.Range(1, _LARGEST_PAGE),
        metadata={"description": "Chips on a page.", "example": 50},
    )
    cursor = Text(
        metadata={"description": "`next_cursor` of the page before.", "example": "WyJhIiwxXQ"},
    )


_CHIP_LIST: Final = ChipListSchema()


@dataclass(frozen=True)
class _KnownChips:
    """Every known chip in the order of keys, and an index for searching."""

    by_key: dict[str, ChipKnown]
    index: SearchIndex


@dataclass(frozen=True, slots=True)
class _Cursor:
    """The last chip of a page, and its place in the whole list."""

    key: str
    place: int


def list_chips(instance: Instance, sent: Mapping[str, Sequence[str]]) -> ChipPage:
    """A page of the known chips, likest first when searched for, else in the order of keys.

    Raises
    ------
    QueryInvalid
        With every problem of the parameters.
    """
    read = read_parameters(_CHIP_LIST, sent)
    cursor = _read_cursor(read.values.get("cursor"))
    problems = [*read.problems, *([cursor] if isinstance(cursor, Problem) else [])]
    if problems or isinstance(cursor, Problem):
        raise QueryInvalid(problems=problems)
    chips = [chip for chip in _in_order(instance, read.values) if _fits(chip, read.values)]
    begin = _begin_after(chips, cursor, searched="search" in read.values)
    page = tuple(chips[begin : begin + read.values["limit"]])
    end = begin + len(page)
    return ChipPage(page, _cursor_text(page[-1].key, end) if end < len(chips) else None)


def _in_order(instance: Instance, asked: dict[str, Any]) -> list[ChipKnown]:
    known = _known_chips(instance)
    if "search" not in asked:
        return list(known.by_key.values())
    hits = search_chips(known.index, asked["search"], min(_MOST_FOUND, len(known.by_key)))
    found = {hit.key: known.by_key[hit.key] for hit in hits}
    # A chip that the text names comes first, even if no file and no result has named it yet.
    read = _read_as_names(instance.catalogue, asked["search"])
    first = {key: known.by_key.get(key, chip) for key, chip in read.items()}
    return list({**first, **found}.values())


def _read_as_names(catalogue: Catalogue, text: str) -> dict[str, ChipKnown]:
    """The chips that the text can mean and that the catalogue describes."""
    read = identify_chip(text[:LONGEST_QUERY])
    chips = (read.chip, *(identify_chip(key).chip for key in read.candidates))
    return {
        chip.key: _known(catalogue, catalogue.placed(chip))
        for chip in chips
        if chip is not None and catalogue.is_described(chip)
    }


def _fits(chip: ChipKnown, asked: dict[str, Any]) -> bool:
    return all(
        asked.get(part) in (None, getattr(chip, part)) for part in ("kind", "series", "line")
    )


def _begin_after(chips: list[ChipKnown], cursor: _Cursor | None, *, searched: bool) -> int:
    # Chips may be added or removed between two pages, so the next page begins after the last key.
    if cursor is None:
        return 0
    if searched:
        return cursor.place
    return next((at for at, chip in enumerate(chips) if chip.key > cursor.key), len(chips))


def _cursor_text(key: str, place: int) -> str:
    return base64.urlsafe_b64encode(orjson.dumps([key, place])).decode().rstrip("=")


def _read_cursor(text: str | None) -> _Cursor | Problem | None:
    if text is None:
        return None
    try:
        key, place = orjson.loads(base64.urlsafe_b64decode(text + "=" * (-len(text) % 4)))
    except (binascii.Error, orjson.JSONDecodeError, TypeError, ValueError):
        key, place = None, None
    if not isinstance(key, str) or not isinstance(place, int) or place < 0:
        return Problem("cursor", "invalid", "Send the next_cursor of the page before, unchanged.")
    return _Cursor(key, place)


def show_chip(instance: Instance, text: str) -> ChipDetail:
    """What is known of the chip that the text names.

    Raises
    ------
    ChipUnknown
        When the text is not the name of exactly one chip; with candidates.
    """
    catalogue = instance.catalogue
    chip = resolve_chip(text, "chip", catalogue)
    if isinstance(chip, Problem):
        raise ChipUnknown(problems=[chip])
    known = _known_chips(instance).by_key.values()
    described = catalogue.describe(chip)
    pools, shares, notes = _read_about(instance, chip)
    return ChipDetail(
        chip=_known(catalogue, chip),
        domains=described.domains,
        moves_together=described.moves_together,
        controls=tuple(_control(described, name) for name in described.controls),
        default_control=described.default_control,
        default_domain=described.default_domain,
        clock_step_mhz=described.clock_step_mhz,
        clock_band_mhz=described.clock_band_mhz,
        factory_lock=factory_lock_of(catalogue, chip, shares),
        notes=published(notes, catalogue),
        remark=described.remark,
        unreviewed=tuple(name for name in _CHECKED if described.is_unreviewed(name)),
        siblings=tuple(c.key for c in known if c.series == chip.series and c.key != chip.key),
        pools=tuple(map(_pool, pools)),
    )


_CHECKED: Final = tuple(name for name in TRAITS if name not in ("facts", "factory_lock"))


def _control(described: Description, control: Control) -> ControlKnown:
    step = described.step_of(control)
    return ControlKnown(
        control=control,
        domains=described.domains_of_control(control),
        step=None if step is None else float(step),
        is_reviewed=described.is_control_reviewed(control),
    )


def _read_about(
    instance: Instance, chip: ChipName
) -> tuple[list[PoolSize], list[LockShares], list[Note]]:
    """The pools of a chip, its lock reports and its notes."""
    with instance.reading() as connection:
        line = pool_rows.find_line(connection, chip.line)
        pools = [] if line is None else load_pools_of_line(connection, line.id)
        shares = load_shares(connection, chip, load_standing_in(connection, instance))
        notes = notes_about(connection, instance.catalogue, chip, has_every_fact=True)
    return [pool for pool in pools if pool.chip_key == chip.key], shares, notes


@dataclass(frozen=True, slots=True)
class ChipWithResults:
    """A chip with counted results."""

    key: str
    name: str
    units: int
    """Units in its largest pool."""
    first_pool: int
    """The number of its oldest pool: a larger one came later."""


def chips_with_results(instance: Instance) -> list[ChipWithResults]:
    """Every chip with counted results, in the order of keys; all pools are counted for it."""
    with instance.reading() as connection:
        pools = pool_rows.load_all_pools(connection)
    by_chip: dict[str, list[PoolSize]] = {}
    for pool in pools:
        if pool.units:
            by_chip.setdefault(pool.chip_key, []).append(pool)
    known = _known_chips(instance).by_key
    return [
        ChipWithResults(
            key, known[key].name, max(one.units for one in own), min(one.id for one in own)
        )
        for key, own in by_chip.items()
        if key in known
    ]


def names_of(instance: Instance, keys: Iterable[str]) -> dict[str, str]:
    """The names of chips by their keys; a chip that is not known has its key as a name."""
    known = _known_chips(instance).by_key
    return {key: known[key].name if key in known else key for key in keys}


def _pool(pool: PoolSize) -> PoolKnown:
    key = pool.key
    return PoolKnown(key.control, key.rails, key.clock_band_mhz or None, pool.units)


def _known_chips(instance: Instance) -> _KnownChips:
    with instance.reading() as connection:
        stored = tuple(pool_rows.load_chips(connection))
    return _indexed(instance, stored)


@lru_cache(maxsize=4)
def _indexed(instance: Instance, stored: tuple[StoredChip, ...]) -> _KnownChips:
    """The known chips, prepared once for each set of them."""
    catalogue = instance.catalogue
    named = (catalogue.find(key) for key in sorted(catalogue.models))
    chips = [_known(catalogue, chip) for chip in named if chip is not None]
    chips += [
        ChipKnown(**asdict(row), provisional=not catalogue.describes_series(row.series))
        for row in stored
        if row.key not in catalogue.models
    ]
    by_key = {chip.key: chip for chip in sorted(chips, key=lambda chip: chip.key)}
    return _KnownChips(by_key, build_index(by_key))


def _known(catalogue: Catalogue, chip: ChipName) -> ChipKnown:
    return ChipKnown(**asdict(chip.summary), provisional=not catalogue.is_described(chip))
