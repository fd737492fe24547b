"""Addresses of pictures: the stored one while what it shows is current, else a new drawing."""

import re
from collections.abc import Callable, Mapping, Sequence
from contextlib import nullcontext
from dataclasses import dataclass, field
from datetime import date
from threading import Lock
from typing import Any, Final, Literal
from urllib.parse import parse_qs, quote, unquote, urlencode

import orjson
from flask import Blueprint, Response, current_app, request
from flask.sansio.blueprints import BlueprintSetupState
from marshmallow import ValidationError, fields, validate

from kbapi.access.limits import Need
from kbapi.advice.gains.answer import advise_gains
from kbapi.advice.gains.query import parse_gains_question
from kbapi.advice.locks.answer import advise_locks
from kbapi.advice.locks.query import parse_lock_question
from kbapi.advice.longevity.answer import advise_longevity
from kbapi.advice.longevity.query import parse_longevity_question
from kbapi.advice.next_step.answer import advise_next_step
from kbapi.advice.next_step.query import read_search
from kbapi.advice.power.answer import advise_power
from kbapi.advice.power.query import parse_power_question
from kbapi.advice.stability.answer import advise_stability
from kbapi.advice.start.answer import advise_start
from kbapi.advice.start.query import parse_question
from kbapi.advice.stored_answers import ShownAnswer, picture_once
from kbapi.api.admission import add_cpu_time, page_needs
from kbapi.api.http_messages import conditional, instance
from kbapi.chips.catalogue import Catalogue, resolve_chip
from kbapi.chips.chip import ChipName
from kbapi.documents.reader import read_parameters
from kbapi.documents.shapes import (
    OneChoiceOf,
    OneNumberOf,
    ParameterCount,
    ParameterNumber,
    StrictSchema,
)
from kbapi.errors import ChipUnknown, PageMissing, PictureEmpty, Problem, QueryInvalid
from kbapi.instance.instance import Instance
from kbapi.pages.pictures.chart import SEPARATOR, Chart, NothingToShow
from kbapi.pages.pictures.curves import (
    longevity_chart,
    power_chart,
    search_chart,
    stability_chart,
)
from kbapi.pages.pictures.process import DrawingProcess
from kbapi.pages.pictures.rows import gains_chart, locks_chart
from kbapi.pages.views import as_json
from kbapi.settings import Settings
from kbapi.storage.answers import AnswerBytes, SingleFlight

blueprint = Blueprint("pictures", __name__)

PICTURES_VERSION: Final = 2
"""Raised with every change of how pictures look: stored ones go stale."""

Ending = Literal["svg", "png", "txt"]
_TYPES: Final[dict[Ending, str]] = {
    "svg": "image/svg+xml",
    "png": "image/png",
    "txt": "text/plain; charset=utf-8",
}
_DEEPEST_OWN: Final = 1_000.0
_PREVIEW: Final = (1_200, 630)
_MOST_TRIALS: Final = 64
_TRIAL: Final = re.compile(r"-?[0-9]{1,4}(\.[0-9]{1,2})?f?")


class PictureSchema(StrictSchema):
    """How a picture looks; the other parameters of its address are those of its question."""

    theme = fields.String(load_default="light", validate=OneChoiceOf(("light", "dark")))
    size = fields.String(load_default="page", validate=OneChoiceOf(("page", "preview")))
    scale = ParameterNumber(load_default=1.0, validate=OneNumberOf((1, 2)))


class OwnSettingSchema(PictureSchema):
    """The same for a picture of settings."""

    own = ParameterNumber(load_default=None, validate=validate.Range(-_DEEPEST_OWN, 0))


class _Trials(fields.String):
    """Settings in their order, separated by commas, each with an `f` after it if it failed."""

    def _deserialize(self, value: Any, attr: str | None, data: Any, **kwargs: Any) -> Any:
        texts = str(value).split(",")
        if len(texts) > _MOST_TRIALS or not all(map(_TRIAL.fullmatch, texts)):
            raise ValidationError(
                f"Send up to {_MOST_TRIALS} settings as -60,-80f: f follows a failed one."
            )
        return tuple((float(text.removesuffix("f")), not text.endswith("f")) for text in texts)


class SearchPictureSchema(PictureSchema):
    """The same for a picture of a search, with the terms of the search."""

    trials = _Trials(required=True)
    stock_mv = ParameterNumber()
    max_risk = ParameterNumber()
    trial_minutes = ParameterNumber()


@dataclass(frozen=True, slots=True)
class PictureAsked:
    """A picture of one question, with one text for all ways of asking for the same."""

    name: str
    question: Any
    look: Mapping[str, Any]
    key: str = field(init=False)

    def __post_init__(self) -> None:
        """Make the key once."""
        look = orjson.dumps(self.look).decode()
        object.__setattr__(self, "key", f"{self.name}|{look}|{self.question.key}")

    @property
    def chip(self) -> ChipName:
        """The chip that is asked about."""
        chip: ChipName = self.question.chip
        return chip


@dataclass(frozen=True, slots=True)
class PictureKind:
    """A kind of picture: how its query is read, and how its chart is made."""

    parse: Callable[[Mapping[str, Sequence[str]], Catalogue], Any]
    chart: Callable[[Instance, PictureAsked], "Found"]
    schema: StrictSchema


@dataclass(frozen=True, slots=True)
class Found:
    """A chart, and the answers that it shows."""

    chart: Chart | NothingToShow
    shown: tuple[ShownAnswer, ...]
    is_kept: bool = True
    """False where it shows what a person sent, which is never stored."""


def _stability(instance: Instance, asked: PictureAsked) -> Found:
    question = asked.question
    answers = (
        ShownAnswer("stability", question, advise_stability(instance, question)),
        ShownAnswer("start", question, advise_start(instance, question)),
    )
    stability, start = (orjson.loads(one.answer.body) for one in answers)
    own = asked.look["own"]
    chart = stability_chart(stability, start, own, _source(instance))
    return Found(chart, answers, is_kept=own is None)


def _power(instance: Instance, asked: PictureAsked) -> Found:
    shown = ShownAnswer("power", asked.question, advise_power(instance, asked.question))
    return Found(power_chart(orjson.loads(shown.answer.body), _source(instance)), (shown,))


def _gains(instance: Instance, asked: PictureAsked) -> Found:
    shown = ShownAnswer("gains", asked.question, advise_gains(instance, asked.question))
    chart = gains_chart(orjson.loads(shown.answer.body), asked.look["size"], _source(instance))
    return Found(chart, (shown,))


def _longevity(instance: Instance, asked: PictureAsked) -> Found:
    shown = ShownAnswer("longevity", asked.question, advise_longevity(instance, asked.question))
    chart = longevity_chart(orjson.loads(shown.answer.body), asked.look["size"], _source(instance))
    return Found(chart, (shown,))


def _locks(instance: Instance, asked: PictureAsked) -> Found:
    shown = ShownAnswer("locks", asked.question, advise_locks(instance, asked.question))
    chart = locks_chart(orjson.loads(shown.answer.body), asked.look["size"], _source(instance))
    return Found(chart, (shown,))


def _search(instance: Instance, asked: PictureAsked) -> Found:
    """The picture of a search, which shows trials of a person and is never stored."""
    start = orjson.loads(advise_start(instance, asked.question).body)
    search = read_search(orjson.dumps(_search_document(asked, start)), instance.catalogue)
    step = as_json(advise_next_step(instance, search))
    stock_mv = asked.look.get("stock_mv", 0.0) if step["clock_band_mhz"] else 0.0
    trials = [(value - stock_mv, passed) for value, passed in asked.look["trials"]]
    return Found(search_chart(trials, step, _source(instance)), (), is_kept=False)


def _search_document(asked: PictureAsked, start: Mapping[str, Any]) -> dict[str, Any]:
    """The request for the next step after the trials of the address."""
    question, look = asked.question, asked.look
    domains = [start["domain"], *start["moved_with"]]
    trials = [
        {
            "settings": [
                {"domain": domain, "control": start["control"], "value": value}
                for domain in domains
            ],
            "outcome": "stable" if passed else "failed",
        }
        for value, passed in look["trials"]
    ]
    terms = {name: look[name] for name in _TERMS if name in look}
    if question.clock_mhz is not None:
        terms["clock_mhz"] = question.clock_mhz
    return {
        "chip": question.chip.key,
        "domain": start["domain"],
        "control": start["control"],
        "moved_with": start["moved_with"],
        "trials": trials,
        **terms,
    }


_TERMS: Final = ("stock_mv", "max_risk", "trial_minutes")

KINDS: Final[dict[str, PictureKind]] = {
    "stability": PictureKind(parse_question, _stability, OwnSettingSchema()),
    "gains": PictureKind(parse_gains_question, _gains, PictureSchema()),
    "power": PictureKind(parse_power_question, _power, PictureSchema()),
    "longevity": PictureKind(parse_longevity_question, _longevity, PictureSchema()),
    "locks": PictureKind(parse_lock_question, _locks, PictureSchema()),
    "search": PictureKind(parse_question, _search, SearchPictureSchema()),
}


def source_line(settings: Settings, today: date) -> str:
    """The name of the instance, its address and the month, as the last line of a picture.

    >>> settings = Settings(name="Tidewater Bench Club", address="https://club.example")
    >>> source_line(settings, date(2026, 11, 30))
    'Tidewater Bench Club · https://club.example · 2026-11'
    """
    return SEPARATOR.join(filter(None, (settings.name, settings.address, str(today)[:7])))


def _source(instance: Instance) -> str:
    return source_line(instance.settings, instance.today())


class Pictures:
    """The pictures of one application: questions that were read, and the process that draws."""

    _MOST: Final = 1_024
    _LONGEST_QUERY: Final = 500

    def __init__(self) -> None:
        self.process = DrawingProcess()
        # Nothing is remembered: a worker would keep the bytes of hundreds of pictures.
        self.flight = SingleFlight(most_remembered=0)
        self._lock = Lock()
        self._asked: dict[tuple[str, str, bytes], PictureAsked] = {}

    def asked(self, instance: Instance, name: str, chip: str) -> PictureAsked:
        """What this request asks for; the same address is read once."""
        address = name, chip, request.query_string
        known = self._asked.get(address)
        if known is not None:
            return known
        asked = read_picture(instance, name, chip, request.args.to_dict(flat=False))
        if len(request.query_string) <= self._LONGEST_QUERY:
            with self._lock:
                while len(self._asked) >= self._MOST:
                    del self._asked[next(iter(self._asked))]
                self._asked[address] = asked
        return asked


def read_picture(
    instance: Instance, name: str, chip: str, sent: Mapping[str, Sequence[str]]
) -> PictureAsked:
    """The picture that these parameters describe.

    Raises
    ------
    ChipUnknown
        When the text is not the name of exactly one chip.
    QueryInvalid
        With every problem; a pointer is the name of a parameter.
    """
    kind = KINDS[name]
    found = resolve_chip(chip, "chip", instance.catalogue)
    if isinstance(found, Problem):
        raise ChipUnknown(problems=[found])
    look = {one: values for one, values in sent.items() if one in kind.schema.fields}
    read = read_parameters(kind.schema, look)
    rest = {one: values for one, values in sent.items() if one not in look}
    # The chip is in the path: in the query it is repeated.
    about = {**rest, "chip": [found.key, *sent.get("chip", ())]}
    try:
        question = kind.parse(about, instance.catalogue)
    except QueryInvalid as invalid:
        raise QueryInvalid(problems=[*read.problems, *invalid.problems]) from None
    if read.problems:
        raise QueryInvalid(problems=read.problems)
    return PictureAsked(name, question, read.values)


@blueprint.record_once
def _prepare(setup: BlueprintSetupState) -> None:
    setup.app.extensions["kbapi_pictures"] = Pictures()


@blueprint.before_request
def _ignore_ranges() -> None:
    """Send every picture whole, as RFC 9110, section 14.2, allows."""
    request.environ.pop("HTTP_RANGE", None)


@blueprint.get(
    "/chips/<chip>/pictures/<any(stability,gains,power,longevity,locks,search):name>.<any(svg,png,txt):ending>"
)
@page_needs(Need.READING)
def show_picture(chip: str, name: str, ending: Ending) -> Response:
    """A picture as SVG or PNG, or its text alternative."""
    pictures: Pictures = current_app.extensions["kbapi_pictures"]
    asked = pictures.asked(instance(), name, chip)
    if ending == "txt":
        text = _chart(_found(asked)).text
        return Response(text, content_type=_TYPES["txt"], headers={"Cache-Control": "no-cache"})
    picture = _picture(pictures, asked, ending)
    return conditional(picture.body, picture.etag, _TYPES[ending])


def _picture(pictures: Pictures, asked: PictureAsked, ending: Ending) -> AnswerBytes:
    kind = f"picture {PICTURES_VERSION}|{ending}|{_source(instance())}"

    def draw() -> tuple[bytes, tuple[ShownAnswer, ...] | None]:
        found = _found(asked)
        body = _drawn(pictures, _chart(found), asked.look, ending)
        return body, found.shown if found.is_kept else None

    return picture_once(instance(), kind, asked, draw, pictures.flight)


def _found(asked: PictureAsked) -> Found:
    return KINDS[asked.name].chart(instance(), asked)


def _chart(found: Found) -> Chart:
    if isinstance(found.chart, NothingToShow):
        raise PictureEmpty(found.chart.text)
    return found.chart


def _drawn(pictures: Pictures, chart: Chart, look: Mapping[str, Any], ending: Ending) -> bytes:
    wanted = {
        "chart": chart,
        "description": chart.description,
        "theme": look["theme"],
        "size": look["size"],
        "scale": 0 if ending == "svg" else round(look["scale"]),
    }
    # The other process computes: this one can answer another request meanwhile.
    paused = request.environ.get("kbapi.paused")
    with nullcontext() if paused is None else paused("drawing"):
        drawn = pictures.process.draw(orjson.dumps(wanted))
    add_cpu_time(drawn.cpu_s)
    return drawn.body


class OembedSchema(StrictSchema):
    """What a site sends beside the link that it wants to show (oEmbed 1.0)."""

    format = fields.String(load_default="json", validate=OneChoiceOf(("json",)))
    maxwidth = ParameterCount(load_default=_PREVIEW[0], validate=validate.Range(1))
    maxheight = ParameterCount(load_default=_PREVIEW[1], validate=validate.Range(1))


_OEMBED: Final = OembedSchema()


@blueprint.get("/oembed")
@page_needs(Need.READING)
def describe_link() -> Response:
    """The picture behind an address of this instance, as oEmbed describes it.

    Nothing is fetched, and no other origin is named: the address is that of the settings.
    """
    sent = request.args.to_dict(flat=False)
    # An address as a whole is no text of a person; its own parameters are read like any others.
    url = sent.pop("url", [""])[0]
    read = read_parameters(_OEMBED, sent)
    if read.problems:
        raise QueryInvalid(problems=read.problems)
    asked, address = _linked(instance(), url)
    chart = _chart(_found(asked))
    shrink = min(1, read.values["maxwidth"] / _PREVIEW[0], read.values["maxheight"] / _PREVIEW[1])
    settings = instance().settings
    described = {
        "version": "1.0",
        "type": "photo",
        "title": chart.title,
        "url": address,
        "width": max(int(shrink * _PREVIEW[0]), 1),
        "height": max(int(shrink * _PREVIEW[1]), 1),
        "provider_name": settings.name,
        "provider_url": settings.address,
    }
    headers = {"Cache-Control": "no-cache"}
    return Response(orjson.dumps(described), headers=headers, mimetype="application/json")


def _linked(instance: Instance, url: str) -> tuple[PictureAsked, str]:
    """The picture that an address of a page or a picture shows, and the address of its preview.

    Raises
    ------
    PageMissing
        For every other address, and where the instance does not know its own.
    """
    own = instance.settings.address
    found = _OWN_PATH.fullmatch(url.removeprefix(own)) if own and url.startswith(own) else None
    if found is None:
        raise PageMissing
    name = found["name"] or "stability"
    sent = parse_qs(found["query"] or "", keep_blank_values=True)
    sent["size"] = ["preview"]
    asked = read_picture(instance, name, unquote(found["chip"]), sent)
    query = urlencode(sent, doseq=True)
    return asked, f"{own}/chips/{quote(asked.chip.key)}/pictures/{name}.png?{query}"


_OWN_PATH: Final = re.compile(
    rf"/chips/(?P<chip>[^/?#]{{1,300}})(?:/pictures/(?P<name>{'|'.join(KINDS)})\.[a-z]{{3}})?"
    r"(?:\?(?P<query>[^#]{0,1000}))?"
)
