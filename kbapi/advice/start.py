"""The one road out: a question becomes a start with its uncertainty, or an honest no."""

import hashlib

import orjson
from sqlalchemy import Connection

from kbapi.advice.question import Question
from kbapi.advice.spread import spread_of
from kbapi.advice.start_answer import StartAnswer, answer_with_pool, answer_without_pool
from kbapi.errors import StorageBusy, StorageUnwritable
from kbapi.evidence.pools import PoolEvidence, PoolWanted, find_pool, load_pool
from kbapi.storage import answers, chip_rows
from kbapi.storage.answers import AnswerBytes, Stamp
from kbapi.storage.chip_rows import ChipRow
from kbapi.storage.instance import Instance
from kbapi.versions import ANSWER_STAMP


def advise_start(instance: Instance, question: Question) -> AnswerBytes:
    """The answer to the question: the stored one while it is fresh, else computed and kept.

    Raises
    ------
    StorageBusy, StorageBroken
        When the database can't be read now.
    """
    with instance.reading() as connection:
        fresh = answers.find_fresh_answer(connection, question.key, ANSWER_STAMP, instance.today())
        if fresh is not None:
            return fresh
        chip = chip_rows.find_chip(connection, question.chip.key)
        pool = None if chip is None else _find_evidence(connection, chip, question)
        answer = _compute(instance, connection, question, chip, pool)
    body = orjson.dumps(answer)
    finished = AnswerBytes(body, hashlib.sha256(body).hexdigest()[:32])
    if chip is not None:
        _keep(instance, question, chip, pool, finished)
    return finished


def _find_evidence(
    connection: Connection, chip: ChipRow, question: Question
) -> PoolEvidence | None:
    wanted = PoolWanted(question.control, question.domain, question.moved_with, question.clock_mhz)
    found = find_pool(connection, chip.id, wanted)
    return None if found is None else load_pool(connection, found)


def _compute(
    instance: Instance,
    connection: Connection,
    question: Question,
    chip: ChipRow | None,
    pool: PoolEvidence | None,
) -> StartAnswer:
    relatives = tuple(
        chip_rows.find_relatives(
            connection, question.chip.key, question.chip.series, question.chip.line
        )
    )
    revision = "0" if chip is None else str(chip.line_revision)
    if pool is None or pool.intervals.total_weight == 0:
        control = question.control or instance.catalogue.controls_for(question.chip)[0]
        return answer_without_pool(question, control, pool, relatives, revision)
    grid = instance.catalogue.grid_for(question.chip, pool.key.control)
    return answer_with_pool(question, pool, grid, relatives, revision)


def _keep(
    instance: Instance,
    question: Question,
    chip: ChipRow,
    pool: PoolEvidence | None,
    finished: AnswerBytes,
) -> None:
    stamp = Stamp(chip.line_revision, ANSWER_STAMP, instance.today())
    try:
        with instance.writing() as connection:
            kept = answers.save_answer(connection, question.key, chip.id, stamp, finished)
            if kept and pool is not None:
                spread = spread_of(pool)
                answers.save_spread(connection, pool.id, spread.known, spread.stable)
    except (StorageBusy, StorageUnwritable):
        # The answer is right all the same; it is only computed again for the next one who asks.
        return
