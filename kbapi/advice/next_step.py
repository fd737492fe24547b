"""From somebody's own runs to the next setting: asked, answered, and nothing of it kept."""

from kbapi.advice.chip_question import usual_domain
from kbapi.advice.evidence_found import control_of, find_evidence
from kbapi.advice.next_step_answer import next_step_answer
from kbapi.advice.next_step_scene import search_scene
from kbapi.advice.next_step_told import NextStepAnswer
from kbapi.advice.question import DEFAULT_CONFIDENCE, DEFAULT_SHARE, Question
from kbapi.evidence.lasting import load_settle_margin
from kbapi.evidence.own_runs import OwnSearch
from kbapi.evidence.units import EVERYTHING
from kbapi.storage.instance import Instance


def advise_next_step(instance: Instance, search: OwnSearch) -> NextStepAnswer:
    """What to try next, or why nothing more, and where to settle.

    How far to stay from the deepest pass is learnt from follow-ups of the series, where these
    tell enough, else one step of 10 mV or 2 counts.

    Raises
    ------
    DocumentRefused
        When the runs, or what is wished for, can't be right for the control that was found.
    StorageBusy, StorageBroken
        When the database can't be read now.
    """
    question = question_of(search)
    with instance.reading() as connection:
        found = find_evidence(connection, question, instance)
        control = control_of(question, found, instance.catalogue)
        settle = load_settle_margin(
            connection, question.chip, question.domain, control, instance.catalogue
        )
    scene = search_scene(question, search, found, control, instance.catalogue)
    return next_step_answer(scene, instance.catalogue, settle)


def question_of(search: OwnSearch) -> Question:
    """The question whose start the search begins from."""
    domain = search.domain or usual_domain(search.chip)
    others = search.moved_with
    return Question(
        chip=search.chip,
        domain=domain,
        control=search.control,
        moved_with=None if others is None else tuple(one for one in others if one != domain),
        clock_mhz=search.clock_mhz,
        stable_share=DEFAULT_SHARE,
        confidence=DEFAULT_CONFIDENCE,
        detail="start",
        filters=EVERYTHING,
    )
