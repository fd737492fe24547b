"""Addresses of pictures: the stored one while what it shows is current, else drawn anew."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from threading import Lock
from typing import Any, Final, Literal

import orjson
from flask import Blueprint, Response, current_app, request
from flask.sansio.blueprints import BlueprintSetupState
from marshmallow import fields, validate

from kbapi.access.limits import Need
from kbapi.advice.stability.answer import advise_stability
from kbapi.advice.start.answer import advise_start
from kbapi.advice.start.query import parse_question
from kbapi.advice.stored_answers import ShownAnswer, picture_once
from kbapi.api.admission import add_cpu_time, page_needs
from kbapi.api.http_messages import conditional, instance
from kbapi.chips.catalogue import Catalogue, resolve_chip
from kbapi.chips.chip import ChipName
from kbapi.documents.reader import read_parameters
from kbapi.documents.shapes import OneChoiceOf, OneNumberOf, ParameterNumber, StrictSchema
from kbapi.errors import ChipUnknown, PictureEmpty, Problem, QueryInvalid
from kbapi.instance.instance import Instance
from kbapi.pages.pictures.chart import SEPARATOR, Chart, NothingToShow
from kbapi.pages.pictures.curves import stability_chart
from kbapi.pages.pictures.process import DrawingProcess
from kbapi.settings import Settings
from kbapi.storage.answers import AnswerBytes, SingleFlight

blueprint = Blueprint("pictures", __name__)

PICTURES_VERSION: Final = 1
"""Raised with every change of how pictures look: stored ones go stale."""

Ending = Literal["svg", "png", "txt"]
_TYPES: Final[dict[Ending, str]] = {
    "svg": "image/svg+xml",
    "png": "image/png",
    "txt": "text/plain; charset=utf-8",
}
_DEEPEST_OWN: Final = 1_000.0


class PictureSchema(StrictSchema):
    """How a picture looks; the other parameters of its address are those of its question."""

    theme = fields.String(load_default="light", validate=OneChoiceOf(("light", "dark")))
    size = fields.String(load_default="page", validate=OneChoiceOf(("page", "preview")))
    scale = ParameterNumber(load_default=1.0, validate=OneNumberOf((1, 2)))


class OwnSettingSchema(PictureSchema):
    """The same for a picture of settings."""

    own = ParameterNumber(load_default=None, validate=validate.Range(-_DEEPEST_OWN, 0))


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


def _stability(instance: Instance, asked: PictureAsked) -> Found:
    question = asked.question
    answers = (
        ShownAnswer("stability", question, advise_stability(instance, question)),
        ShownAnswer("start", question, advise_start(instance, question)),
    )
    stability, start = (orjson.loads(one.answer.body) for one in answers)
    source = source_line(instance.settings)
    return Found(stability_chart(stability, start, asked.look["own"], source), answers)


KINDS: Final[dict[str, PictureKind]] = {
    "stability": PictureKind(parse_question, _stability, OwnSettingSchema()),
}


def source_line(settings: Settings) -> str:
    """The name of the instance and its address, as the last line of a picture.

    >>> source_line(Settings(name="Tidewater Bench Club", address="https://club.example"))
    'Tidewater Bench Club · https://club.example'
    """
    return SEPARATOR.join(filter(None, (settings.name, settings.address)))


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
    question = kind.parse({**rest, "chip": [found.key, *sent.get("chip", ())]}, instance.catalogue)
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


@blueprint.get("/chips/<chip>/pictures/<any(stability):name>.<any(svg,png,txt):ending>")
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
    source = source_line(instance().settings)
    kind = f"picture {PICTURES_VERSION}|{ending}|{source}"

    def draw() -> tuple[bytes, Sequence[ShownAnswer]]:
        found = _found(asked)
        return _drawn(pictures, _chart(found), asked.look, ending), found.shown

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
    drawn = pictures.process.draw(orjson.dumps(wanted))
    add_cpu_time(drawn.cpu_s)
    return drawn.body
