"""Answers kept as bytes: the stored one while its stamp holds, else computed and kept."""

import hashlib
from collections.abc import Callable

import orjson
from sqlalchemy import Connection

from kbapi.advice.evidence_found import EvidenceFound, find_evidence
from kbapi.advice.question import Question
from kbapi.advice.spread import spread_of
from kbapi.errors import StorageBusy, StorageUnwritable
from kbapi.storage import answers
from kbapi.storage.answers import AnswerBytes, Place, Stamp
from kbapi.storage.instance import Instance
from kbapi.versions import ANSWER_STAMP


def answer_once(
    instance: Instance,
    kind: str,
    question: Question,
    compute: Callable[[Question, EvidenceFound], object],
) -> AnswerBytes:
    """The bytes of this kind of answer to the question.

    `compute` makes a frozen answer of what was found; it runs once for each change of the line's
    evidence, each day and each version.

    Raises
    ------
    StorageBusy, StorageBroken
        When the database can't be read now.
    """
    key = f"{kind}|{question.key}"
    with instance.reading() as connection:
        fresh = answers.find_fresh_answer(connection, key, ANSWER_STAMP, instance.today())
        if fresh is not None:
            instance.uses.note(key)
            return fresh
        found = find_evidence(connection, question, instance.catalogue)
    body = orjson.dumps(compute(question, found))
    finished = AnswerBytes(body, hashlib.sha256(body).hexdigest()[:32])
    if found.line is not None and (found.own or instance.catalogue.find(question.chip.key)):
        # Any number of chips can be thought up in a line; only known ones may take up room.
        place = Place(key, question.chip.key, found.line.id)
        stamp = Stamp(found.line.revision, ANSWER_STAMP, instance.today())
        _keep(instance, place, stamp, finished, found)
    return finished


def _keep(
    instance: Instance, place: Place, stamp: Stamp, finished: AnswerBytes, found: EvidenceFound
) -> None:
    try:
        with instance.writing() as connection:
            answers.note_uses(connection, instance.uses.take())
            if answers.save_answer(connection, place, stamp, finished):
                _keep_spread(connection, found)
    except (StorageBusy, StorageUnwritable):
        # The answer is right all the same; it is only computed again for the next one who asks.
        return


def _keep_spread(connection: Connection, found: EvidenceFound) -> None:
    if found.own is not None:
        spread = spread_of(found.own)
        answers.save_spread(connection, found.own.id, spread.known, spread.stable)
