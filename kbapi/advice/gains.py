"""What tuning changed: the pool's gains by load and cap, and where one's own pair lies in it."""

from dataclasses import dataclass

from sqlalchemy import Connection

from kbapi.advice.gains_answer import GainsAnswer, gains_answer
from kbapi.advice.gains_question import GainsQuestion
from kbapi.advice.stored import answer_once
from kbapi.evidence.gains import gain_cells, run_noises
from kbapi.storage import chip_rows
from kbapi.storage.answers import AnswerBytes
from kbapi.storage.chip_rows import LineRow
from kbapi.storage.instance import Instance
from kbapi.storage.reading_rows import PairColumns, RepeatRow, load_pairs, load_repeats


@dataclass(frozen=True)
class GainsFound:
    """Everything in the database that an answer about gains stands on."""

    line: LineRow | None
    pairs: PairColumns | None
    repeats: list[RepeatRow]

    @property
    def has_results(self) -> bool:
        """Whether the chip itself has pairs of readings."""
        return self.pairs is not None


def advise_gains(instance: Instance, question: GainsQuestion) -> AnswerBytes:
    """What tuning changed on the units of a chip, stored or computed.

    Raises
    ------
    StorageBusy, StorageBroken
        When the database can't be read now.
    """

    def find(connection: Connection) -> GainsFound:
        return _find_gains(connection, question)

    def compute(found: GainsFound) -> GainsAnswer:
        revision = chip_rows.revision_told(found.line)
        return gains_answer(question, gain_cells(found.pairs), run_noises(found.repeats), revision)

    return answer_once(instance, "gains", question, find, compute)


def _find_gains(connection: Connection, question: GainsQuestion) -> GainsFound:
    line = chip_rows.find_line(connection, question.chip.line)
    chip = chip_rows.find_chip(connection, question.chip.key)
    if chip is None:
        return GainsFound(line, None, [])
    return GainsFound(
        line,
        load_pairs(connection, chip.id, question.load),
        load_repeats(connection, chip.id, question.load),
    )
