"""Answers kept as bytes: the stored one while its stamp holds, else computed and kept."""

from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from typing import Final, Protocol, TypeVar

import orjson
from sqlalchemy import Connection

from kbapi.chips.chip import ChipName
from kbapi.errors import StorageBusy, StorageUnwritable
from kbapi.instance.instance import Instance
from kbapi.metrics.counters import count_answer
from kbapi.storage import answers
from kbapi.storage.answers import AnswerBytes, OtherHosts, Place, SingleFlight, Stamp
from kbapi.storage.pools import LineRow, find_chip, find_line, load_lines
from kbapi.storage.sql import checksum_of
from kbapi.time_budget import check_time
from kbapi.versions import ANSWER_STAMP

_STORING_LOCK_TIMEOUT_S: Final = 0.25
"""No request waits longer for its answer to be stored: results go first."""


class Asked(Protocol):
    """A question about a chip, with one text for all ways of asking the same."""

    @property
    def chip(self) -> ChipName:
        """The chip that is asked about."""
        ...

    @property
    def key(self) -> str:
        """The question in one text."""
        ...


class Found(Protocol):
    """What a question met in the database."""

    @property
    def line(self) -> LineRow | None:
        """The chip's line, None where none of its chips has results."""
        ...

    @property
    def has_results(self) -> bool:
        """Whether the chip itself has any."""
        ...


class OutdatedBy(StrEnum):
    """What outdates a stored answer within the day."""

    OWN_LINE = "own_line"
    """Results of the line of its chip."""
    ALL_LINES = "all_lines"
    """Results of any line: other lines lend to it, or may begin to."""


_NO_TEXTS: Final[Mapping[str, str]] = {}
_Found = TypeVar("_Found", bound=Found)


def _keep_nothing_more(connection: Connection, found: Found) -> None:
    """The usual case: the answer is all that is kept."""


def _by_own_line(found: Found) -> OutdatedBy | None:
    """The usual case: only results of the line can change the answer within the day."""
    return OutdatedBy.OWN_LINE


def stored_key(instance: Instance, kind: str, question: Asked) -> str:
    """The keyed hash that the answer is stored under: a question may hold texts of a person.

    Hosts of two versions, or with two catalogues, store their answers beside one another: under one
    key each would replace the other's again and again.
    """
    asked = f"{_version_of(instance)}|{kind}|{question.key}"
    return instance.secret.keyed_hash("question", asked.encode()).hex()


def answer_once(
    instance: Instance,
    kind: str,
    question: Asked,
    find: Callable[[Connection], _Found],
    compute: Callable[[_Found], object],
    keep_more: Callable[[Connection, _Found], None] = _keep_nothing_more,
    texts: Mapping[str, str] = _NO_TEXTS,
    outdated_by: Callable[[_Found], OutdatedBy | None] = _by_own_line,
) -> AnswerBytes:
    """The bytes of this kind of answer to the question.

    `find` reads what it is based on, `compute` makes a frozen answer of that; both run once for
    each change of the line's evidence, each day and each version, however many ask at once: the
    others wait, or are given what was right two seconds ago at most. `keep_more` may keep something
    else in the transaction that keeps the answer. `outdated_by` is asked when the answer is made;
    with None it is not stored. An answer repeats the `texts` of its filters, so it is stored only
    if results have the same texts.

    Raises
    ------
    StorageBusy, StorageBroken
        When the database can't be read now.
    TooCostly
        When the time of the request is used up; nothing is kept.
    """
    key = stored_key(instance, kind, question)
    version = _version_of(instance)
    fresh = answers.find_fresh_answer(instance.hot_reads, key, version, instance.today())
    if fresh is not None:
        count_answer("stored")
        return instance.single_flight.was_right(key, fresh)
    return instance.single_flight.fly(
        key,
        lambda: _compute_answer(
            instance, key, question, find, compute, keep_more, texts, outdated_by
        ),
        _other_hosts(instance, key),
    )


def _other_hosts(instance: Instance, key: str) -> OtherHosts | None:
    """What makes one host alone compute a question; None where there is no other host."""
    if not instance.settings.database:
        return None
    return OtherHosts(
        lambda wait_s: instance.alone_with(key, wait_s),
        lambda: answers.find_fresh_answer(
            instance.hot_reads, key, _version_of(instance), instance.today()
        ),
    )


def _is_known(instance: Instance, connection: Connection, chip: str) -> bool:
    """Whether the catalogue or a result of any kind names the chip."""
    return instance.catalogue.find(chip) is not None or find_chip(connection, chip) is not None


@dataclass(frozen=True, slots=True)
class ShownAnswer:
    """An answer that a page or a picture shows."""

    kind: str
    question: Asked
    answer: AnswerBytes


def picture_once(
    instance: Instance,
    kind: str,
    question: Asked,
    draw: Callable[[], tuple[bytes, Sequence[ShownAnswer] | None]],
    flight: SingleFlight,
) -> AnswerBytes:
    """The bytes of this kind of picture of the question, stored or drawn.

    `draw` makes them, with the answers that they show. A picture is stored while each of these is:
    then what outdates one of them outdates the picture. With None it is never stored.

    Raises
    ------
    StorageBusy, StorageBroken
        When the database can't be read now.
    """
    key = stored_key(instance, kind, question)
    fresh = answers.find_fresh_answer(
        instance.hot_reads, key, _version_of(instance), instance.today()
    )
    if fresh is not None:
        return fresh
    return flight.fly(
        key,
        lambda: _draw_picture(instance, key, question, draw),
        _other_hosts(instance, key),
    )


def _draw_picture(
    instance: Instance,
    key: str,
    question: Asked,
    draw: Callable[[], tuple[bytes, Sequence[ShownAnswer] | None]],
) -> AnswerBytes:
    day = instance.today()
    with instance.reading() as connection:
        line, lines = find_line(connection, question.chip.line), load_lines(connection)
    body, shown = draw()
    picture = AnswerBytes(body, checksum_of(body))
    by = None if shown is None else outdated_by_shown(instance, shown)
    if line is None or by is None:
        return picture
    place, stamp = Place(key, answers.PICTURES, line.id), _stamp(instance, day, line, lines, by)
    try:
        with instance.writing(_STORING_LOCK_TIMEOUT_S, shared=True) as connection:
            answers.save_answer(connection, place, stamp, picture)
    except (StorageBusy, StorageUnwritable):
        return picture
    return picture


def outdated_by_shown(instance: Instance, shown: Sequence[ShownAnswer]) -> OutdatedBy | None:
    """What outdates that which shows these answers; None where one of them is not stored."""
    by = OutdatedBy.OWN_LINE
    for one in shown:
        key, version = stored_key(instance, one.kind, one.question), _version_of(instance)
        fresh = answers.find_fresh_answer(instance.hot_reads, key, version, instance.today())
        if fresh is None or fresh.etag != one.answer.etag:
            return None
        by = OutdatedBy.ALL_LINES if fresh.is_of_all_lines else by
    return by


def _version_of(instance: Instance) -> str:
    """What answers depend on beside evidence: this program, and the host's own catalogue."""
    return ANSWER_STAMP + instance.catalogue.stamp


def revision_of(answer: object) -> str:
    """The ETag that an answer with an empty revision would have; it changes with the answer only.

    A number that rises with each result would count the results of others.
    """
    return checksum_of(orjson.dumps(answer))


def _compute_answer(
    instance: Instance,
    key: str,
    question: Asked,
    find: Callable[[Connection], _Found],
    compute: Callable[[_Found], object],
    keep_more: Callable[[Connection, _Found], None],
    texts: Mapping[str, str],
    outdated_by: Callable[[_Found], OutdatedBy | None],
) -> AnswerBytes:
    day = instance.today()

    def read(connection: Connection) -> tuple[_Found, Sequence[LineRow], bool]:
        found = find(connection)
        is_known = found.has_results or _is_known(instance, connection, question.chip.key)
        # Any number of chips can be thought up in a line; only known ones may take up room.
        is_kept = is_known and answers.have_results(connection, question.chip.key, texts)
        return found, load_lines(connection), is_kept

    found, lines, is_kept = instance.read_evidence(read)
    check_time("reading of evidence")
    answer = compute(found)
    check_time("answer")
    body = orjson.dumps(answer)
    to_store = AnswerBytes(body, checksum_of(body))
    finished = AnswerBytes.from_stored(to_store.body, to_store.etag)
    place_and_stamp = _place_to_keep(instance, key, question, found, lines, day, outdated_by)
    if place_and_stamp is not None and is_kept:
        # The answer is right all the same; it is computed again for the next one who asks.
        with (
            suppress(StorageBusy, StorageUnwritable),
            instance.writing(_STORING_LOCK_TIMEOUT_S, shared=True) as connection,
        ):
            if answers.save_answer(connection, *place_and_stamp, to_store):
                keep_more(connection, found)
    return finished


def _place_to_keep(
    instance: Instance,
    key: str,
    question: Asked,
    found: _Found,
    lines: Sequence[LineRow],
    day: date,
    outdated_by: Callable[[_Found], OutdatedBy | None],
) -> tuple[Place, Stamp] | None:
    """Where an answer is stored, and what outdates it; None for one that is not stored."""
    by, line = outdated_by(found), found.line
    if by is OutdatedBy.ALL_LINES and line is None:
        # The chip's own line has no results. Any other can hold its place.
        line = next(iter(lines), None)
    if line is None or by is None:
        return None
    return Place(key, question.chip.key, line.id), _stamp(instance, day, line, lines, by)


def _stamp(
    instance: Instance, day: date, line: LineRow, lines: Sequence[LineRow], by: OutdatedBy
) -> Stamp:
    version = _version_of(instance)
    of_all_lines = answers.lines_stamp(version, lines) if by is OutdatedBy.ALL_LINES else None
    return Stamp(line.revision, version, day, of_all_lines)
