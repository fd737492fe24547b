"""Answers kept as bytes: the stored one while its stamp holds, else computed and kept."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Final, Protocol, TypeVar

import orjson
from sqlalchemy import Connection

from kbapi.chips.chip import ChipName
from kbapi.errors import StorageBusy, StorageUnwritable
from kbapi.instance.instance import Instance
from kbapi.metrics.counters import count_answer
from kbapi.storage import answers
from kbapi.storage.answers import AnswerBytes, Place, SingleFlight, Stamp
from kbapi.storage.pools import LineRow, find_line
from kbapi.storage.sqlite.engine import checksum_of
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


class Kept(StrEnum):
    """What is kept of a computed answer."""

    ANSWER = "answer"
    """The answer, and what was found beside it."""
    FINDINGS = "findings"
    """What was found beside it: results of other lines would not outdate the answer."""
    NOTHING = "nothing"


_NO_TEXTS: Final[Mapping[str, str]] = {}
_Found = TypeVar("_Found", bound=Found)


def _keep_nothing_more(connection: Connection, found: Found) -> None:
    """The usual case: the answer is all that is kept."""


def _keep_answer(found: Found) -> Kept:
    """The usual case: only results of the line can change the answer within the day."""
    return Kept.ANSWER


def stored_key(instance: Instance, kind: str, question: Asked) -> str:
    """The keyed hash that the answer is stored under: a question may hold texts of a person."""
    return instance.secret.keyed_hash("question", f"{kind}|{question.key}".encode()).hex()


def answer_once(
    instance: Instance,
    kind: str,
    question: Asked,
    find: Callable[[Connection], _Found],
    compute: Callable[[_Found], object],
    keep_more: Callable[[Connection, _Found], None] = _keep_nothing_more,
    texts: Mapping[str, str] = _NO_TEXTS,
    kept: Callable[[_Found], Kept] = _keep_answer,
) -> AnswerBytes:
    """The bytes of this kind of answer to the question.

    `find` reads what it is based on, `compute` makes a frozen answer of that; both run once for
    each change of the line's evidence, each day and each version, however many ask at once: the
    others wait, or are given what was right two seconds ago at most. `keep_more` may keep something
    else in the transaction that keeps the answer; `kept` says which of both is kept. An answer
    repeats the `texts` of its filters, so it is stored only if results have the same texts.

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
        key, lambda: _compute_answer(instance, key, question, find, compute, keep_more, texts, kept)
    )


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
    return flight.fly(key, lambda: _draw_picture(instance, key, question, draw))


def _draw_picture(
    instance: Instance,
    key: str,
    question: Asked,
    draw: Callable[[], tuple[bytes, Sequence[ShownAnswer] | None]],
) -> AnswerBytes:
    with instance.reading() as connection:
        line = find_line(connection, question.chip.line)
    day, version = instance.today(), _version_of(instance)
    body, shown = draw()
    picture = AnswerBytes(body, checksum_of(body))
    if line is None or shown is None or not all(is_stored(instance, one) for one in shown):
        return picture
    place = Place(key, answers.PICTURES, line.id)
    try:
        with instance.writing(_STORING_LOCK_TIMEOUT_S) as connection:
            answers.save_answer(connection, place, Stamp(line.revision, version, day), picture)
    except (StorageBusy, StorageUnwritable):
        return picture
    return picture


def is_stored(instance: Instance, shown: ShownAnswer) -> bool:
    """Whether exactly this answer is stored, and right: what outdates it outdates what shows it."""
    key = stored_key(instance, shown.kind, shown.question)
    fresh = answers.find_fresh_answer(
        instance.hot_reads, key, _version_of(instance), instance.today()
    )
    return fresh is not None and fresh.etag == shown.answer.etag


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
    kept: Callable[[_Found], Kept],
) -> AnswerBytes:
    with instance.reading() as connection:
        found = find(connection)
        are_stored = answers.have_results(connection, question.chip.key, texts)
    check_time("reading of evidence")
    answer = compute(found)
    check_time("answer")
    body = orjson.dumps(answer)
    to_store = AnswerBytes(body, checksum_of(body))
    finished = AnswerBytes.from_stored(to_store.body, to_store.etag)
    is_known = found.has_results or instance.catalogue.find(question.chip.key)
    keeps = kept(found)
    if found.line is not None and is_known and are_stored and keeps is not Kept.NOTHING:
        # Any number of chips can be thought up in a line; only known ones may take up room.
        place = Place(key, question.chip.key, found.line.id)
        stamp = Stamp(found.line.revision, _version_of(instance), instance.today())
        try:
            with instance.writing(_STORING_LOCK_TIMEOUT_S) as connection:
                if keeps is Kept.FINDINGS:
                    is_current = answers.is_current(connection, place.line_id, stamp)
                else:
                    is_current = answers.save_answer(connection, place, stamp, to_store)
                if is_current:
                    keep_more(connection, found)
        except (StorageBusy, StorageUnwritable):
            # The answer is right all the same; it is computed again for the next one who asks.
            return finished
    return finished
