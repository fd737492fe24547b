"""How long settings last: the share still stable after 30, 90 and 365 days, by margin."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from marshmallow import fields
from sqlalchemy import Connection

from kbapi.advice.cautions import Caution, cautions_about_time
from kbapi.advice.chip_question import ChipQuestionSchema, read_chip_question, usual_domain
from kbapi.advice.stored import answer_once
from kbapi.advice.time_found import TimeFound, find_time, lasting_of
from kbapi.advice.time_told import (
    DAYS,
    DriftTold,
    LastedTold,
    SettleTold,
    drift_told,
    lasted_told,
    settle_told,
    shown_bands,
)
from kbapi.advice.told import ChipAnswered
from kbapi.advice.wording import lasting as words
from kbapi.chips.catalogue import Catalogue
from kbapi.chips.chip import ChipName
from kbapi.evidence.lasting import LastingEvidence
from kbapi.storage.answers import AnswerBytes
from kbapi.storage.instance import Instance
from kbapi.vocabulary import DOMAINS, LIMIT_CONTROLS
from kbapi.wire import OneWordOf


@dataclass(frozen=True, slots=True)
class LastingQuestion:
    """What is asked about settings over months."""

    chip: ChipName
    domain: str
    control: str | None
    """None for the one that most follow-ups are about."""

    @property
    def key(self) -> str:
        """One text for all ways of asking the same."""
        return f"{self.chip.key}|{self.domain}|{self.control or 'any'}"


class LastingQuestionSchema(ChipQuestionSchema):
    """The query parameters of a question about settings over months."""

    domain = fields.String(
        validate=OneWordOf(DOMAINS),
        metadata={
            "description": "The supply rail; core for a processor, gpu_core for graphics unless "
            "given.",
            "example": "core",
        },
    )
    control = fields.String(
        validate=OneWordOf(LIMIT_CONTROLS),
        metadata={
            "description": "How it is adjusted; unless given, the control with the most "
            "follow-ups.",
            "example": "voltage_offset",
        },
    )


_LASTING_QUESTION: Final = LastingQuestionSchema()


@dataclass(frozen=True, slots=True)
class BandTold:
    """Settings that kept a like margin to the deepest setting that had passed."""

    more_than: float | None
    """mV, or counts for count_offset; None for no margin at all."""
    up_to: float | None
    """None for the widest band."""
    units: int
    failures: int
    after: tuple[LastedTold, ...]


@dataclass(frozen=True, slots=True)
class LastingAnswer:
    """The whole answer."""

    chip: ChipAnswered
    domain: str
    control: str
    level: str
    """Whose units it stands on: chip, series where those are too few, none."""
    units: int
    failures: int
    after: tuple[LastedTold, ...]
    """Over all margins."""
    by_margin: tuple[BandTold, ...]
    withheld_cells: int
    """Bands and days that fewer than five units tell of, which are not shown."""
    settle: SettleTold
    drift: DriftTold | None
    """Of the chip's largest pool on this control; None where it has none."""
    revision: str
    summary: str
    cautions: tuple[Caution, ...]


def parse_lasting_question(
    sent: Mapping[str, Sequence[str]], catalogue: Catalogue
) -> LastingQuestion:
    """The question that these parameters ask.

    Raises
    ------
    QuestionRefused
        With every problem; a pointer is the name of a parameter.
    """
    asked = read_chip_question(_LASTING_QUESTION, sent, catalogue)
    domain = asked.values.get("domain", usual_domain(asked.chip))
    return LastingQuestion(asked.chip, domain, asked.values.get("control"))


def advise_lasting(instance: Instance, question: LastingQuestion) -> AnswerBytes:
    """How long settings last, stored or computed.

    Raises
    ------
    StorageBusy, StorageBroken
        When the database can't be read now.
    """
    catalogue = instance.catalogue

    def find(connection: Connection) -> TimeFound:
        return find_time(connection, question.chip, question.domain, question.control, catalogue)

    return answer_once(
        instance,
        "lasting",
        question,
        find,
        lambda found: _lasting_answer(question, found, catalogue),
    )


def _lasting_answer(
    question: LastingQuestion, found: TimeFound, catalogue: Catalogue
) -> LastingAnswer:
    chip = question.chip
    evidence = lasting_of(found, chip, catalogue)
    after, shown = _after(evidence), _bands_told(evidence)
    grid = catalogue.grid_for(chip, found.control)
    return LastingAnswer(
        chip=ChipAnswered(chip.key, chip.name, chip.kind, chip.series, chip.line),
        domain=question.domain,
        control=found.control,
        level=evidence.level,
        units=evidence.units,
        failures=_failures(evidence),
        after=after,
        by_margin=shown,
        withheld_cells=0 if evidence.level == "none" else _withheld(evidence, after, shown),
        settle=settle_told(evidence, found.control),
        drift=drift_told(found.drift, grid, found.control),
        revision=found.revision,
        summary=_summary(chip.name, evidence, after),
        cautions=cautions_about_time(),
    )


def _after(evidence: LastingEvidence) -> tuple[LastedTold, ...]:
    told = (lasted_told(evidence, days) for days in DAYS)
    return tuple(one for one in told if one is not None)


def _bands_told(evidence: LastingEvidence) -> tuple[BandTold, ...]:
    bands, ends = evidence.bands, (None, *evidence.margins, None)
    return tuple(
        BandTold(
            more_than=ends[place],
            up_to=ends[place + 1],
            units=bands[place].units,
            failures=_failures(bands[place]),
            after=tuple(one for one in _after(bands[place]) if one.days in days),
        )
        for place, days in shown_bands(evidence).items()
    )


def _withheld(
    evidence: LastingEvidence, after: tuple[LastedTold, ...], shown: tuple[BandTold, ...]
) -> int:
    days_shown = len(after) + sum(len(band.after) for band in shown)
    return len(DAYS) * (1 + len(shown)) - days_shown + len(evidence.bands) - len(shown)


def _failures(evidence: LastingEvidence) -> int:
    return len({one.unit_id for one in evidence.settings if one.failed})


def _summary(chip_name: str, evidence: LastingEvidence, after: tuple[LastedTold, ...]) -> str:
    told = words.not_long_enough()
    if after:
        usual = next((one for one in after if one.days == DAYS[1]), after[-1])
        told = words.lasted_in_words(usual.share, usual.days)
    return words.summary_of_lasting(chip_name, evidence.level, evidence.units, told)
