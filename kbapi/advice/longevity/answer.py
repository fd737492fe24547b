"""How long settings last: the share still stable after 30, 90 and 365 days, by margin."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from marshmallow import fields
from sqlalchemy import Connection

from kbapi.advice.cautions import Caution, cautions_about_time
from kbapi.advice.chip_query import ChipQuestionSchema, read_chip_question, usual_domain
from kbapi.advice.longevity import text
from kbapi.advice.longevity.changes import (
    DAYS,
    DriftSummary,
    RecommendedMargin,
    SurvivalShare,
    TimeFound,
    drift_response,
    find_time,
    lasted_response,
    longevity_of,
    settle_response,
    shown_bands,
)
from kbapi.advice.stored_answers import answer_once
from kbapi.chips.catalogue import Catalogue
from kbapi.chips.chip import ChipName, ChipSummary
from kbapi.documents.shapes import OneChoiceOf
from kbapi.evidence.longevity import LongevityEvidence
from kbapi.instance.instance import Instance
from kbapi.stats.estimate.siblings import Level
from kbapi.storage.answers import AnswerBytes
from kbapi.vocabulary import DOMAINS, LIMIT_CONTROLS, Domain, LimitControl


@dataclass(frozen=True, slots=True)
class LongevityQuestion:
    """What is asked about settings over months."""

    chip: ChipName
    domain: Domain
    control: LimitControl | None
    """None for the one that most follow-ups are about."""

    @property
    def key(self) -> str:
        """One text for all ways of asking the same."""
        return f"{self.chip.key}|{self.domain}|{self.control or 'any'}"


class LongevityQuestionSchema(ChipQuestionSchema):
    """The query parameters of a question about settings over months."""

    domain = fields.String(
        validate=OneChoiceOf(DOMAINS),
        metadata={
            "description": "The supply rail; core for a processor, gpu_core for graphics unless "
            "given.",
            "example": "core",
        },
    )
    control = fields.String(
        validate=OneChoiceOf(LIMIT_CONTROLS),
        metadata={
            "description": "How it is adjusted; unless given, the control with the most "
            "follow-ups.",
            "example": "voltage_offset",
        },
    )


_LASTING_QUESTION: Final = LongevityQuestionSchema()


@dataclass(frozen=True, slots=True)
class SurvivalByMargin:
    """Settings in use with a similar margin to the deepest setting that had passed."""

    margin_above: float | None
    """Margins of this band are larger than this, in mV or counts; null for no margin at all."""
    margin_up_to: float | None
    """Margins of this band are at most this, in mV or counts; null for the widest band."""
    units: int
    """Number of units with such a margin."""
    failures: int
    """Number of these units whose setting failed in use."""
    survival: tuple[SurvivalShare, ...]
    """Share still stable after 30, 90 and 365 days, as far as five units or more are known."""


@dataclass(frozen=True, slots=True)
class LongevityAnswer:
    """How long settings of a chip stay stable in use, and which margin to keep."""

    chip: ChipSummary
    """The chip that was asked about."""
    domain: Domain
    """The supply rail that was asked about."""
    control: LimitControl
    """The control of the answer: the one asked for, else the one with most follow-ups."""
    level: Level
    """Whose units the shares are from: `chip`, `series` where the chip has too few, or `none`."""
    units: int
    """Number of units whose setting was followed in use."""
    failures: int
    """Number of these units whose setting failed in use."""
    survival: tuple[SurvivalShare, ...]
    """Share still stable after 30, 90 and 365 days over all margins."""
    by_margin: tuple[SurvivalByMargin, ...]
    """The same by margin to the deepest setting that had passed."""
    withheld_groups: int
    """Number of margins and days with fewer than five units, which are not shown."""
    withheld_text: str | None
    """What is withheld, and how many more machines it takes; null where nothing is."""
    recommended_margin: RecommendedMargin
    """The margin to keep."""
    drift: DriftSummary | None
    """Drift of the chip's largest pool on this control; null where it has none."""
    revision: str
    """Revision of the evidence of the chip's product line; it changes with each new result."""
    summary: str
    """The answer in one or two sentences."""
    cautions: tuple[Caution, ...]
    """Cautions that belong to the answer."""


def parse_longevity_question(
    sent: Mapping[str, Sequence[str]], catalogue: Catalogue
) -> LongevityQuestion:
    """The question that these parameters ask.

    Raises
    ------
    QueryInvalid
        With every problem; a pointer is the name of a parameter.
    """
    asked = read_chip_question(_LASTING_QUESTION, sent, catalogue)
    domain = asked.values.get("domain", usual_domain(asked.chip))
    return LongevityQuestion(asked.chip, domain, asked.values.get("control"))


def advise_longevity(instance: Instance, question: LongevityQuestion) -> AnswerBytes:
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
        "longevity",
        question,
        find,
        lambda found: _longevity_answer(question, found, catalogue),
    )


def _longevity_answer(
    question: LongevityQuestion, found: TimeFound, catalogue: Catalogue
) -> LongevityAnswer:
    chip = question.chip
    evidence = longevity_of(found, chip, catalogue)
    after, shown = _after(evidence), _bands_response(evidence)
    withheld = 0 if evidence.level == "none" else _withheld(evidence, after, shown)
    grid = catalogue.grid_for(chip, found.control)
    return LongevityAnswer(
        chip=chip.summary,
        domain=question.domain,
        control=found.control,
        level=evidence.level,
        units=evidence.units,
        failures=_failures(evidence),
        survival=after,
        by_margin=shown,
        withheld_groups=withheld,
        withheld_text=text.withheld_longevity(withheld, evidence.too_few),
        recommended_margin=settle_response(evidence, found.control),
        drift=drift_response(found.drift, grid, found.control),
        revision=found.revision,
        summary=_summary(evidence, after),
        cautions=cautions_about_time(),
    )


def _after(evidence: LongevityEvidence) -> tuple[SurvivalShare, ...]:
    told = (lasted_response(evidence, days) for days in DAYS)
    return tuple(one for one in told if one is not None)


def _bands_response(evidence: LongevityEvidence) -> tuple[SurvivalByMargin, ...]:
    bands, ends = evidence.bands, (None, *evidence.margins, None)
    return tuple(
        SurvivalByMargin(
            margin_above=ends[place],
            margin_up_to=ends[place + 1],
            units=bands[place].units,
            failures=_failures(bands[place]),
            survival=tuple(one for one in _after(bands[place]) if one.days in days),
        )
        for place, days in shown_bands(evidence).items()
    )


def _withheld(
    evidence: LongevityEvidence,
    after: tuple[SurvivalShare, ...],
    shown: tuple[SurvivalByMargin, ...],
) -> int:
    days_shown = len(after) + sum(len(band.survival) for band in shown)
    return len(DAYS) * (1 + len(shown)) - days_shown + len(evidence.bands) - len(shown)


def _failures(evidence: LongevityEvidence) -> int:
    return len({one.unit_id for one in evidence.settings if one.failed})


def _summary(evidence: LongevityEvidence, after: tuple[SurvivalShare, ...]) -> str:
    told = text.not_long_enough()
    if after:
        usual = next((one for one in after if one.days == DAYS[1]), after[-1])
        told = text.lasted_text(usual.share, usual.days)
    return text.summary_of_longevity(evidence.level, evidence.units, told)
