"""The one road out: a question becomes a start with its uncertainty, or an honest no."""

from sqlalchemy import Connection

from kbapi.advice.evidence_found import EvidenceFound, control_of, find_evidence, keep_findings
from kbapi.advice.question import Question
from kbapi.advice.start_answer import StartAnswer, start_answer
from kbapi.advice.stored import answer_once
from kbapi.storage.answers import AnswerBytes
from kbapi.storage.instance import Instance


def advise_start(instance: Instance, question: Question) -> AnswerBytes:
    """The start that the evidence allows, stored or computed.

    Raises
    ------
    StorageBusy, StorageBroken
        When the database can't be read now.
    """
    catalogue = instance.catalogue

    def find(connection: Connection) -> EvidenceFound:
        return find_evidence(connection, question, instance)

    def compute(found: EvidenceFound) -> StartAnswer:
        control = control_of(question, found, catalogue)
        return start_answer(question, found, control, catalogue.grid_for(question.chip, control))

    def keep(connection: Connection, found: EvidenceFound) -> None:
        keep_findings(connection, found, instance)

    return answer_once(instance, "start", question, find, compute, keep)
