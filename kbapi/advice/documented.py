"""What is documented about a chip, apart from any result: its factory lock, and notes."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from sqlalchemy import Connection

from kbapi.advice.phrases import counted
from kbapi.chips.catalogue import Catalogue, Description, Fact
from kbapi.chips.chip import ChipName
from kbapi.evidence.locks import LockShares, find_reporters, lock_shares, reported_controls
from kbapi.evidence.units import Standing
from kbapi.stats.estimate.siblings import Level
from kbapi.storage.locks import load_lock_groups, load_some_statuses
from kbapi.storage.notes import Note, load_notes_about, load_overruling
from kbapi.storage.pools import find_line
from kbapi.vocabulary import LIMIT_CONTROLS, OPEN_STATUSES, Control, FactoryLockStatus

FEWEST_REPORTS: Final = 3
"""With fewer machines, one wrong report could contradict a document."""
_MOST: Final = 0.5


@dataclass(frozen=True, slots=True)
class PublishedNote:
    """A note on a chip, a series or a machine class, of the catalogue or of a curator."""

    key: str
    """Key of the note."""
    subject: str
    """Key of the chip, series or machine class that the note is about."""
    text: str
    """The note as Markdown without HTML."""
    source: str
    """Where the information is from."""
    is_reviewed: bool
    """Whether the source was read for it; false for general knowledge."""
    reviewed_month: str
    """Month of the last review, as 2026-09."""


@dataclass(frozen=True, slots=True)
class FactoryLockAnswer:
    """Whether the series leaves the factory open to changes of voltage, as documented."""

    status: FactoryLockStatus
    """The documented status; `unknown` where no source says anything."""
    text: str
    """The documented status in one or two sentences."""
    sources: tuple[str, ...]
    """The sources that were read about it; empty where none was."""
    is_reviewed: bool
    """Whether a source was read for it; false for general knowledge and for `unknown`."""
    controls_left: tuple[Control, ...]
    """The controls that change no voltage, which a lock leaves; empty where none is known."""
    reports_against: int
    """Machines whose reports say otherwise."""
    reports: int
    """Machines with reports of a control of voltage."""
    is_contradicted: bool
    """Whether most of these machines by weight say otherwise, of three machines or more."""

    @property
    def in_short(self) -> str:
        """The documented status in a few words."""
        return _in_short(self.status, is_reviewed=self.is_reviewed)


_STATUSES: Final = {
    "open": "unlocked by the chip, though firmware or a protection may lock yours",
    "locked": "locked at the factory",
    "depends": "decided by firmware, driver or board",
}
_AGAINST: Final[Mapping[str, tuple[str, ...]]] = {
    "locked": OPEN_STATUSES,
    "open": ("chip_locked",),
}
"""The reported statuses that contradict a documented one."""
_REPORTS_LOOKED_AT: Final = 200
_NOT_DESCRIBED: Final = "The catalogue does not describe this chip."
_NOT_STATED: Final = "The catalogue describes this chip without it."


def factory_lock_of(
    catalogue: Catalogue, chip: ChipName, shares: Iterable[LockShares]
) -> FactoryLockAnswer:
    """The documented factory lock of a chip, compared with the lock reports of the chip itself."""
    described = catalogue.describe(chip)
    lock = described.factory_lock
    status: FactoryLockStatus = lock.status if lock else "unknown"
    facts = [catalogue.facts[key] for key in (lock.facts if lock else ()) if key in catalogue.facts]
    reports, against, weight_against = _reports_against(status, shares)
    is_reviewed = lock is not None and status != "unknown"
    is_reviewed = is_reviewed and not described.is_unreviewed("factory_lock")
    in_short = _in_short(status, is_reviewed=is_reviewed)
    missing = _NOT_STATED if catalogue.is_described(chip) else _NOT_DESCRIBED
    parts = [f"{in_short[0].upper()}{in_short[1:]}.", lock.reason if lock else missing]
    left = _controls_left(described)
    if status == "locked" and left:
        parts.append(f"Left: {' and '.join(left)}.")
    if against:
        parts.append(
            f"Reports say otherwise on {against} of {counted(reports, 'machine', 'machines')}."
        )
    return FactoryLockAnswer(
        status=status,
        text=" ".join(parts),
        sources=tuple(fact.source for fact in facts if fact.is_reviewed),
        is_reviewed=is_reviewed,
        controls_left=left,
        reports_against=against,
        reports=reports,
        is_contradicted=reports >= FEWEST_REPORTS and weight_against > _MOST,
    )


def _in_short(status: str, *, is_reviewed: bool) -> str:
    if status == "unknown":
        return "nothing is documented about a lock"
    if is_reviewed:
        return f"documented as {_STATUSES[status]}"
    return f"generally known as {_STATUSES[status]} (no source was read for it)"


def _controls_left(described: Description) -> tuple[Control, ...]:
    """The controls that need no change of voltage and that an answer may name."""
    return tuple(one for one in described.controls if one == "power_limit")


def find_contradicted(
    connection: Connection,
    catalogue: Catalogue,
    chips: Iterable[ChipName],
    standing: Standing,
    most: int,
) -> dict[str, FactoryLockAnswer]:
    """By chip, the factory locks that most lock reports contradict; at most so many.

    Some reports of each chip decide whether all of them are read.
    """
    found: dict[str, FactoryLockAnswer] = {}
    for chip in chips:
        lock = catalogue.describe(chip).factory_lock
        against = _AGAINST.get(lock.status, ()) if lock else ()
        some = load_some_statuses(connection, chip.key, _REPORTS_LOOKED_AT) if against else []
        if len(found) < most and 2 * sum(one in against for one in some) > len(some):
            answer = factory_lock_of(catalogue, chip, load_shares(connection, chip, standing))
            if answer.is_contradicted:
                found[chip.key] = answer
    return found


def load_shares(connection: Connection, chip: ChipName, standing: Standing) -> list[LockShares]:
    """The lock reports on every control of a chip."""
    line = find_line(connection, chip.line)
    if line is None:
        return []
    groups = load_lock_groups(connection, line.id)
    reporters = find_reporters(connection, standing, groups)
    return [
        lock_shares(groups, chip.key, chip.series, domain, control, reporters, in_parts=False)
        for domain, control in reported_controls(groups, chip.key, chip.series)
    ]


def _reports_against(
    status: FactoryLockStatus, shares: Iterable[LockShares]
) -> tuple[int, int, float]:
    """Machines with reports on the control reported most, those that differ, and their share."""
    against_status = _AGAINST.get(status, ())
    own = [one for one in shares if one.level is Level.CHIP and one.control in LIMIT_CONTROLS]
    most = max(own, key=lambda one: (one.units, one.domain, one.control), default=None)
    if most is None:
        return 0, 0, 0.0
    against = [one for one in most.statuses if one.status in against_status]
    return most.units, sum(one.units for one in against), sum(one.share for one in against)


def notes_about(
    connection: Connection,
    catalogue: Catalogue,
    chip: ChipName,
    machines: Sequence[str] = (),
    *,
    has_every_fact: bool = False,
) -> list[Note]:
    """The notes on a chip: those of the catalogue, then those of curators.

    A note of a curator replaces the one of the catalogue with its key, or retires it. Facts that
    are no notes are left out, unless `has_every_fact`.
    """
    facts = [
        fact
        for fact in _facts_of(catalogue, catalogue.describe(chip))
        if fact.is_note or has_every_fact
    ]
    overruling = load_overruling(connection, [fact.key for fact in facts])
    of_catalogue = [overruling.get(fact.key, note_of_fact(fact, chip.series)) for fact in facts]
    shown = [note for note in of_catalogue if note is not None]
    keys = {note.key for note in shown}
    about = load_notes_about(connection, chip.key, chip.series, machines)
    return [*shown, *(note for note in about if note.key not in keys)]


def _facts_of(catalogue: Catalogue, described: Description) -> list[Fact]:
    row = described.row_of("facts")
    keys = (row.facts or ()) if row else ()
    return [catalogue.facts[key] for key in keys if key in catalogue.facts]


def note_of_fact(fact: Fact, series: str) -> Note:
    """A fact of the catalogue as a note on a series."""
    return Note(
        key=fact.key,
        subject_kind="series",
        subject=series,
        control="",
        domain="",
        source=fact.source,
        reviewed_month=fact.reviewed_month,
        markdown=fact.text,
    )


def published(notes: Iterable[Note], catalogue: Catalogue) -> tuple[PublishedNote, ...]:
    """Notes as answers show them."""
    return tuple(
        PublishedNote(
            key=note.key,
            subject=note.subject,
            text=note.markdown,
            source=note.source,
            is_reviewed=_is_reviewed(note, catalogue.facts.get(note.key)),
            reviewed_month=note.reviewed_month,
        )
        for note in notes
    )


def _is_reviewed(note: Note, fact: Fact | None) -> bool:
    # A note that a curator has written in place of a fact was reviewed by the curator.
    return fact is None or fact.is_reviewed or note.markdown != fact.text
