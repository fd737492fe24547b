"""Which power limit pays: pooled curves of performance over power, at stock and tuned."""

import hashlib
from dataclasses import dataclass

import numpy as np
from sqlalchemy import Connection

from kbapi.advice.power_answer import PowerAnswer, power_answer
from kbapi.advice.power_question import PowerQuestion
from kbapi.advice.stored import answer_once
from kbapi.evidence.power import PowerPool, largest_power_pool
from kbapi.stats.power_curve import PowerFit, fit_power_curves
from kbapi.storage import chip_rows
from kbapi.storage.answers import AnswerBytes
from kbapi.storage.chip_rows import LineRow
from kbapi.storage.instance import Instance
from kbapi.storage.reading_rows import load_curves


@dataclass(frozen=True)
class PowerFound:
    """Everything in the database that an answer about power limits stands on."""

    line: LineRow | None
    pool: PowerPool | None

    @property
    def has_results(self) -> bool:
        """Whether any unit of the chip was measured at several powers."""
        return self.pool is not None


def advise_power(instance: Instance, question: PowerQuestion) -> AnswerBytes:
    """What a lower power limit costs and saves, stored or computed.

    Raises
    ------
    StorageBusy, StorageBroken
        When the database can't be read now.
    """

    def find(connection: Connection) -> PowerFound:
        chip = chip_rows.find_chip(connection, question.chip.key)
        line = chip_rows.find_line(connection, question.chip.line)
        curves = None if chip is None else load_curves(connection, chip.id, question.load)
        return PowerFound(line, None if curves is None else largest_power_pool(curves))

    def compute(found: PowerFound) -> PowerAnswer:
        revision = chip_rows.revision_told(found.line)
        fit = None if found.pool is None else fit_pool(question.chip.key, found.pool)
        return power_answer(question, found.pool, fit, revision)

    return answer_once(instance, "power", question, find, compute)


def fit_pool(chip_key: str, pool: PowerPool) -> PowerFit:
    """The curves of a pool, drawn with dice of its own: same evidence, same bytes."""
    name = f"{chip_key}|{pool.load}|{pool.power_scope}"
    seed = int.from_bytes(hashlib.sha256(name.encode()).digest()[:8])
    rng = np.random.default_rng(seed)
    return fit_power_curves(pool.stock, pool.tuned, pool.stock_power_w, rng)
