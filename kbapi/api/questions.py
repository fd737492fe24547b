"""Questions: start, stability, locks, gains, power, longevity, next step, diagnosis."""

from collections.abc import Callable, Mapping, Sequence
from threading import Lock
from typing import Any, Final, TypeVar

from flask import Response, request
from flask_smorest import Blueprint
from marshmallow import Schema

from kbapi.access.limits import Need
from kbapi.advice.diagnosis.answer import diagnose
from kbapi.advice.diagnosis.query import read_diagnosis
from kbapi.advice.gains.answer import advise_gains
from kbapi.advice.gains.query import GainsQuestionSchema, parse_gains_question
from kbapi.advice.locks.answer import advise_locks
from kbapi.advice.locks.query import LockQuestionSchema, parse_lock_question
from kbapi.advice.longevity.answer import advise_longevity
from kbapi.advice.longevity.query import LongevityQuestionSchema, parse_longevity_question
from kbapi.advice.next_step.answer import advise_next_step
from kbapi.advice.next_step.query import read_search
from kbapi.advice.power.answer import advise_power
from kbapi.advice.power.query import PowerQuestionSchema, parse_power_question
from kbapi.advice.stability.answer import advise_stability
from kbapi.advice.start.answer import advise_start
from kbapi.advice.start.query import QuestionSchema, parse_question
from kbapi.api.admission import needs
from kbapi.api.answer_schemas import references_of
from kbapi.api.http_messages import (
    conditional,
    dump,
    instance,
    require_json,
    require_no_parameters,
    sent_body,
)
from kbapi.api.openapi import json_answer, problem_answers, query_parameters
from kbapi.chips.catalogue import Catalogue
from kbapi.storage.answers import AnswerBytes

blueprint = Blueprint(
    "questions",
    __name__,
    url_prefix="/v1",
    description="What the pooled results show about a chip.",
)

_Question = TypeVar("_Question")


def _documented(
    description: str, component: str, schema: type[Schema] = QuestionSchema
) -> dict[str, Any]:
    return {
        "parameters": query_parameters(schema),
        "responses": {
            "200": json_answer(description, component, "Age"),
            "304": {
                "description": "The answer with this ETag is unchanged.",
                "headers": references_of(("Age",)),
            },
            **problem_answers(
                _422="The query is invalid: all problems are listed.",
                _503="The database cannot be read now.",
            ),
        },
    }


@blueprint.route("/start", methods=["GET"])
@blueprint.doc(
    **_documented("A start with its confidence, or a null start with a reason.", "StartAnswer")
)
@needs(blueprint, Need.READING)
def suggest_start() -> Response:
    """Suggest the first setting to try, with its confidence and its evidence.

    With too few results, `start` is null and `reason` gives the cause.
    """
    return _conditional(advise_start(instance(), _question(parse_question)))


@blueprint.route("/stability", methods=["GET"])
@blueprint.doc(
    **_documented(
        "Stable shares with bands; the chip's own results and those of its siblings are separate.",
        "StabilityAnswer",
    )
)
@needs(blueprint, Need.READING)
def show_stability() -> Response:
    """Show the share of units that are stable at each setting, with bands and percentiles.

    The curve from the chip's own results is separate from the curve that includes its siblings.
    """
    return _conditional(advise_stability(instance(), _question(parse_question)))


@blueprint.route("/locks", methods=["GET"])
@blueprint.doc(
    **_documented(
        "Shares of machines with each lock status, and notes.", "LocksAnswer", LockQuestionSchema
    )
)
@needs(blueprint, Need.READING)
def show_locks() -> Response:
    """Show how often each control can be used, and what is possible where it is locked.

    The answer includes the conditions that the shares depend on, and notes by curators.
    """
    return _conditional(advise_locks(instance(), _question(parse_lock_question)))


@blueprint.route("/longevity", methods=["GET"])
@blueprint.doc(
    **_documented(
        "Shares of settings that are still stable over time.",
        "LongevityAnswer",
        LongevityQuestionSchema,
    )
)
@needs(blueprint, Need.READING)
def show_longevity() -> Response:
    """Show the share of settings still stable after 30, 90 and 365 days, by their margin.

    The margin is the distance from the deepest setting that passed.
    """
    return _conditional(advise_longevity(instance(), _question(parse_longevity_question)))


@blueprint.route("/gains", methods=["GET"])
@blueprint.doc(
    **_documented(
        "What tuning changed, by load and power limit.", "GainsAnswer", GainsQuestionSchema
    )
)
@needs(blueprint, Need.READING)
def show_gains() -> Response:
    """Show what tuning changed on pairs of readings, and how your own pair compares.

    A pair is one reading at stock and one tuned, of one unit under one load.
    """
    return _conditional(advise_gains(instance(), _question(parse_gains_question)))


@blueprint.route("/power", methods=["GET"])
@blueprint.doc(
    **_documented(
        "Performance against power, with power limits.", "PowerAnswer", PowerQuestionSchema
    )
)
@needs(blueprint, Need.READING)
def suggest_power_limit() -> Response:
    """Suggest the smallest power limit that keeps a share of performance, at stock and tuned.

    A suggested limit is never above stock.
    """
    return _conditional(advise_power(instance(), _question(parse_power_question)))


def _question(parse: Callable[[Mapping[str, Sequence[str]], Catalogue], _Question]) -> _Question:
    """The question of this request; the same query is parsed once."""
    return _PARSED.of(parse, lambda: parse(request.args.to_dict(flat=False), instance().catalogue))


def _conditional(answer: AnswerBytes) -> Response:
    response = conditional(answer.body, answer.etag)
    if answer.age_s is not None:
        response.headers["Age"] = str(answer.age_s)
    return response


class _Parsed:
    """Parsed questions by their query: most queries repeat, character for character.

    Only valid questions are kept; the oldest is dropped first.
    """

    _MOST: Final = 2_048
    _LONGEST_QUERY: Final = 500

    def __init__(self) -> None:
        self._lock = Lock()
        self._questions: dict[tuple[Callable[..., Any], bytes], Any] = {}

    def of(self, parse: Callable[..., _Question], read: Callable[[], _Question]) -> _Question:
        """The question that `parse` makes of this request's query."""
        query = request.query_string
        known: _Question | None = self._questions.get((parse, query))
        if known is not None:
            return known
        question = read()
        if len(query) <= self._LONGEST_QUERY:
            # A dict that changes while another thread looks for the oldest entry raises.
            with self._lock:
                while len(self._questions) >= self._MOST:
                    del self._questions[next(iter(self._questions))]
                self._questions[parse, query] = question
        return question


_PARSED: Final = _Parsed()


diagnosis_blueprint = Blueprint(
    "diagnoses", __name__, url_prefix="/v1", description="Why a setting is no longer stable."
)


@diagnosis_blueprint.route("/diagnose", methods=["POST"])
@diagnosis_blueprint.doc(
    requestBody={
        "required": True,
        "content": {
            "application/json": {"schema": {"$ref": "#/components/schemas/DiagnosisRequest"}}
        },
    },
    responses={
        "200": json_answer(
            "What to check first, what other units showed, and what to do.", "DiagnosisAnswer"
        ),
        **problem_answers(
            _400="The body is not valid JSON.",
            _413="The body is too large.",
            _415="The Content-Type is not application/json.",
            _422="At least one value is not possible: all problems are listed.",
            _503="The database cannot be read now.",
        ),
    },
)
@needs(diagnosis_blueprint, Need.READING)
def diagnose_setting() -> Response:
    """Diagnose a setting that was stable and is not stable now.

    The answer lists what to check first, what other units showed after the same changes, and what
    to do. Nothing is stored.
    """
    require_no_parameters()
    require_json()
    question = read_diagnosis(sent_body(), instance().catalogue)
    return dump(diagnose(instance(), question), 200)


next_step_blueprint = Blueprint(
    "next_steps",
    __name__,
    url_prefix="/v1/next-step",
    description="The next setting to try, from your own runs so far.",
)


@next_step_blueprint.route("", methods=["POST"])
@next_step_blueprint.doc(
    requestBody={
        "required": True,
        "content": {
            "application/json": {"schema": {"$ref": "#/components/schemas/NextStepRequest"}}
        },
    },
    responses={
        "200": json_answer("The next setting, or a null setting with a reason.", "NextStepAnswer"),
        **problem_answers(
            _400="The body is not valid JSON.",
            _413="The body is too large.",
            _415="The Content-Type is not application/json.",
            _422="At least one value is not possible: all problems are listed.",
            _503="The database cannot be read now.",
        ),
    },
)
@needs(next_step_blueprint, Need.READING)
def propose_next_step() -> Response:
    """Propose the next setting to try from the runs so far, or the setting to use.

    The answer includes the chance that the setting is stable, when to stop, and the cost of the
    rest of the search. Nothing is stored.
    """
    require_no_parameters()
    require_json()
    search = read_search(sent_body(), instance().catalogue)
    return dump(advise_next_step(instance(), search), 200)
