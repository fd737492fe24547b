"""Pages about chips: the front page, the search for a chip, and what is known of one chip.

A page shows the JSON answers of the chip and computes nothing. It is stored like them.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import Any, Final, NamedTuple
from urllib.parse import parse_qs, urlencode

import orjson
from flask import Response, current_app, g, render_template, request
from marshmallow import Schema
from sqlalchemy import Connection

from kbapi.access.limits import Need, is_open
from kbapi.advice.cautions import CODES
from kbapi.advice.chips import (
    ChipKnown,
    ChipWithResults,
    chips_with_results,
    list_chips,
    names_of,
    show_chip,
)
from kbapi.advice.gains.answer import advise_gains
from kbapi.advice.gains.query import GainsQuestionSchema, parse_gains_question
from kbapi.advice.identify import identify
from kbapi.advice.locks.answer import advise_locks
from kbapi.advice.locks.query import LockQuestionSchema, parse_lock_question
from kbapi.advice.longevity.answer import advise_longevity
from kbapi.advice.longevity.query import LongevityQuestionSchema, parse_longevity_question
from kbapi.advice.phrases import (
    domains_text,
    machines_text,
    percent,
    range_text,
    setting_in_short,
)
from kbapi.advice.power.answer import advise_power
from kbapi.advice.power.query import PowerQuestionSchema, parse_power_question
from kbapi.advice.start.answer import advise_start
from kbapi.advice.start.query import QuestionSchema, parse_question
from kbapi.advice.start.text import shown_later, why_shallower
from kbapi.advice.stored_answers import (
    Asked,
    OutdatedBy,
    ShownAnswer,
    answer_once,
    outdated_by_shown,
)
from kbapi.api.admission import page_needs
from kbapi.api.http_messages import conditional, instance
from kbapi.api.operation import describe_service
from kbapi.chips.catalogue import resolve_chip
from kbapi.chips.chip import ChipName
from kbapi.errors import ChipUnknown, Problem, QueryInvalid
from kbapi.instance.instance import Instance
from kbapi.pages.pictures.chart import Chart
from kbapi.pages.pictures.views import KINDS, read_picture
from kbapi.pages.views import allow_on_page, as_json, page_blueprint, prefers
from kbapi.storage.answers import AnswerBytes
from kbapi.storage.pools import LineRow, find_chip, find_line
from kbapi.storage.sql import checksum_of

blueprint: Final = page_blueprint("chip_pages")


class Part(NamedTuple):
    """A part of a chip's page: the answer that it shows, and how its query is read."""

    parse: Callable[..., Any]
    advise: Callable[[Instance, Any], AnswerBytes]
    schema: Schema

    def own(self, sent: Mapping[str, list[str]]) -> dict[str, list[str]]:
        """The parameters of the page that this answer has as well."""
        return {name: sent[name] for name in sent if name in self.schema.fields}


PARTS: Final[Mapping[str, Part]] = {
    "start": Part(parse_question, advise_start, QuestionSchema()),
    "locks": Part(parse_lock_question, advise_locks, LockQuestionSchema()),
    "gains": Part(parse_gains_question, advise_gains, GainsQuestionSchema()),
    "power": Part(parse_power_question, advise_power, PowerQuestionSchema()),
    "longevity": Part(parse_longevity_question, advise_longevity, LongevityQuestionSchema()),
}
_ASKED_OF_A_PAGE: Final = ("domain", "control", "moved_with", "clock_mhz", "machine", "load")


@dataclass(frozen=True, slots=True)
class PageQuestion:
    """What a chip's page shows: the question of each part."""

    chip: ChipName
    questions: Mapping[str, Asked]
    query: str
    """The parameters of the page, beginning with a question mark unless there are none."""
    key: str = field(init=False)

    def __post_init__(self) -> None:
        """Make the key once: the same text for all queries with the same meaning."""
        key = "|".join(question.key for question in self.questions.values())
        object.__setattr__(self, "key", f"{key}|{self.query}")

    @property
    def sent(self) -> dict[str, list[str]]:
        """The parameters of the page by name."""
        return parse_qs(self.query[1:], keep_blank_values=True)


_LONGEST_QUERY: Final = 500
"""Longer queries are not kept."""


@lru_cache(maxsize=2_048)
def page_question(served: Instance, chip: str, query: str) -> PageQuestion:
    """The question of a page; the same address is read once.

    Raises
    ------
    ChipUnknown
        When the text is not the name of exactly one chip.
    QueryInvalid
        With every problem of the parameters.
    """
    found = resolve_chip(chip, "chip", served.catalogue)
    if isinstance(found, Problem):
        raise ChipUnknown(problems=[found])
    sent = parse_qs(query, keep_blank_values=True)
    if others := [name for name in sent if name not in _ASKED_OF_A_PAGE]:
        sentence = f"This page takes {', '.join(_ASKED_OF_A_PAGE)}."
        raise QueryInvalid(problems=[Problem(one, "unknown_field", sentence) for one in others])
    questions = {
        name: part.parse({"chip": [found.key], **part.own(sent)}, served.catalogue)
        for name, part in PARTS.items()
    }
    asked = urlencode([(name, sent[name][0]) for name in _ASKED_OF_A_PAGE if name in sent])
    return PageQuestion(found, questions, f"?{asked}" if asked else "")


@dataclass(frozen=True, slots=True)
class PageParts:
    """What a page shows: the answer of each part, and the title of each picture."""

    answers: Mapping[str, AnswerBytes]
    pictures: Mapping[str, str]
    shown: Sequence[ShownAnswer]
    """Every answer behind these."""


@dataclass(frozen=True, slots=True)
class _PageFound:
    """The line of a chip, read before its answers: what changes it outdates the page."""

    line: LineRow | None
    has_results: bool


@blueprint.get("/chips/<chip>")
@page_needs(Need.READING)
def show_chip_page(chip: str) -> Response:
    """What is known of one chip, as a page, or as JSON where the request prefers it."""
    served = instance()
    query = request.query_string.decode("ascii", "replace")
    read = page_question if len(query) <= _LONGEST_QUERY else page_question.__wrapped__
    asked = read(served, chip, query)
    if chip != asked.chip.key:
        return _redirect(f"/chips/{asked.chip.key}{asked.query}")
    if prefers("text/html", "application/json") == "application/json":
        answer = _kept(served, "page data", asked, _data)
        response = conditional(answer.body, answer.etag)
    else:
        allow_on_page("script-src", "form-action")
        settings = served.settings
        kind = f"page {_TEMPLATES}|{settings.name}|{settings.address}"
        answer = _kept(served, kind, asked, chip_page)
        response = conditional(answer.body, answer.etag, "text/html; charset=utf-8")
    response.vary.add("Accept")
    return response


def _kept(
    served: Instance,
    kind: str,
    asked: PageQuestion,
    compose: Callable[[PageQuestion, PageParts], bytes],
) -> AnswerBytes:
    """The page, stored or composed; it is stored while each answer that it shows is."""
    shown: list[ShownAnswer] = []

    def find(connection: Connection) -> _PageFound:
        line = find_line(connection, asked.chip.line)
        return _PageFound(line, find_chip(connection, asked.chip.key) is not None)

    def compute(_: _PageFound) -> object:
        parts = page_parts(served, asked)
        shown[:] = parts.shown
        return orjson.Fragment(compose(asked, parts))

    def by(_: _PageFound) -> OutdatedBy | None:
        return outdated_by_shown(served, shown)

    return answer_once(served, kind, asked, find, compute, outdated_by=by)


def page_parts(served: Instance, asked: PageQuestion) -> PageParts:
    """The answers and pictures of a page, each stored or computed."""
    shown = [
        ShownAnswer(name, question, PARTS[name].advise(served, question))
        for name, question in asked.questions.items()
    ]
    answers = {one.kind: one.answer for one in shown}
    pictures = {}
    for name in (one for one in _PICTURES if one in KINDS):
        about = read_picture(served, name, asked.chip.key, PARTS[_PICTURES[name]].own(asked.sent))
        found = KINDS[name].chart(served, about)
        shown.extend(found.shown)
        if isinstance(found.chart, Chart):
            pictures[name] = found.chart.title
    return PageParts(answers, pictures, shown)


_PICTURES: Final[Mapping[str, str]] = {
    "stability": "start",
    "gains": "gains",
    "power": "power",
    "longevity": "longevity",
    "locks": "locks",
}
"""The pictures of a page, and the part whose parameters each has."""


def _data(asked: PageQuestion, parts: PageParts) -> bytes:
    """The page as JSON: links, and the answer of each part."""
    answers = {name: orjson.Fragment(answer.body) for name, answer in parts.answers.items()}
    detail = show_chip(instance(), asked.chip.key)
    return orjson.dumps({"links": _links(asked), "chip": detail, **answers})


def _links(asked: PageQuestion) -> dict[str, str]:
    """The addresses of the page, of each answer that it shows, and of what to do next."""
    path, key = f"/chips/{asked.chip.key}", asked.chip.key
    answers = {}
    for name, part in {**PARTS, "stability": PARTS["start"]}.items():
        query = {"chip": [key], **part.own(asked.sent)}
        answers[name] = f"/v1/{name}?{urlencode(query, doseq=True)}"
    return {
        "self": path + asked.query,
        **answers,
        "chip": f"/v1/chips/{key}",
        "search": f"{path}/search",
        "compare": f"{path}/compare",
        "submit": f"/submit?{urlencode({'chip': key})}",
    }


def chip_page(asked: PageQuestion, parts: PageParts) -> bytes:
    """The page as HTML."""
    read = {name: orjson.loads(answer.body) for name, answer in parts.answers.items()}
    start, locks = read["start"], read["locks"]
    detail = as_json(show_chip(instance(), asked.chip.key))
    text = render_template(
        "chip.html",
        **read,
        detail=detail,
        chip=detail["chip"],
        links=_links(asked),
        lock=_lock_of(start, locks),
        cautions=_cautions(read),
        other_pools=_other_pools(start, detail),
        basis=_basis(start),
        beside=_beside_the_curve(start, parts.shown),
        related=names_of(instance(), [*start["related_chips"], *detail["siblings"]]),
        pictures=_picture_addresses(asked, parts.pictures),
    )
    return text.encode()


def _picture_addresses(asked: PageQuestion, titles: Mapping[str, str]) -> dict[str, Any]:
    """The title and the addresses of each picture."""
    pictures = {}
    for name in (one for one in _PICTURES if one in titles):
        own = PARTS[_PICTURES[name]].own(asked.sent)
        path = f"/chips/{asked.chip.key}/pictures/{name}"

        def address(ending: str, *look: tuple[str, str], path: str = path, own: Any = own) -> str:
            query = urlencode([*((one, own[one][0]) for one in own), *look])
            return f"{path}.{ending}?{query}" if query else f"{path}.{ending}"

        pictures[name] = {
            "title": titles[name],
            "light": address("svg"),
            "dark": address("svg", ("theme", "dark")),
            "png": address("png", ("scale", "2")),
            "preview": address("png", ("size", "preview")),
            "txt": address("txt"),
        }
    return pictures


def _lock_of(start: Mapping[str, Any], locks: Mapping[str, Any]) -> Mapping[str, Any] | None:
    """What is reported of the control that the start is for."""
    wanted = start["domain"], start["control"]
    return next((one for one in locks["locks"] if (one["domain"], one["control"]) == wanted), None)


def _basis(start: Mapping[str, Any]) -> str:
    """The summary of the start without its warnings: the page shows them beside the number."""
    summary: str = start["summary"]
    for warning in start["warnings"]:
        summary = summary.replace(f"{warning['text']} ", "", 1)
    return summary


def _beside_the_curve(start: Mapping[str, Any], shown: Sequence[ShownAnswer]) -> list[str]:
    """Why the curve shows other numbers than the start: it is shallower, and results wait."""
    curves = [orjson.loads(one.answer.body) for one in shown if one.kind == "stability"]
    if not curves:
        return []
    curve, texts, first = curves[0], [], start["start"]
    most = next((one for one in curve["percentiles"] if one["share"] == _MOST_HOLD), None)
    if first is not None and first["stable_share"] == _MOST_HOLD and most is not None:
        unit = "setting_mv" if first["setting_counts"] is None else "setting_counts"
        if most[unit] < first["value_to_enter"]:
            setting = setting_in_short(start["control"], int(most[unit]))
            are_new = any(one["code"] in _OF_NEW_SENDERS for one in start["warnings"])
            texts.append(why_shallower(setting, first["confidence"], are_new=are_new))
    counts = [
        [one["evidence"][name] for name in ("units", "borrowed_units", "latest_month")]
        for one in (curve, start)
    ]
    if counts[0] != counts[1]:
        texts.append(shown_later(machines_text(counts[0][0])))
    return texts


_MOST_HOLD: Final = 0.9
_OF_NEW_SENDERS: Final = ("no_contributor_established", "mostly_new_contributors")


def _cautions(read: Mapping[str, Any]) -> list[Mapping[str, str]]:
    """Every caution of the answers once: those of the start or of a lock first."""
    first = read["start" if read["start"]["start"] else "locks"]["cautions"]
    others = {one["code"]: one for answer in read.values() for one in answer["cautions"]}
    rest = sorted(others.values(), key=lambda one: CODES.index(one["code"]))
    return [*first, *(one for one in rest if one not in first)]


def _other_pools(start: Mapping[str, Any], detail: Mapping[str, Any]) -> list[dict[str, Any]]:
    """The other pools of the chip, with the address of the page about each."""
    own = start["control"], {start["domain"], *start["moved_with"]}, start["clock_band_mhz"]
    others = []
    for pool in detail["pools"]:
        if (pool["control"], set(pool["domains"]), pool["clock_band_mhz"]) != own:
            domain, *beside = pool["domains"]
            query = {"domain": domain, "control": pool["control"], "moved_with": ",".join(beside)}
            if pool["clock_band_mhz"] is not None:
                query["clock_mhz"] = str(pool["clock_band_mhz"])
            others.append({**pool, "domain": domain, "beside": beside, "query": urlencode(query)})
    return others


def _as_html(note: str) -> str:
    r"""The Markdown of a note as HTML, without raw HTML, headings and pictures of its own.

    >>> _as_html("# Two **rails** <b>")
    '<p># Two <strong>rails</strong> &lt;b&gt;</p>\n'
    """
    # A worker loads the parser with the first page that needs it, not at its start.
    from markdown_it import MarkdownIt

    parser = MarkdownIt("commonmark", {"html": False}).disable(["heading", "lheading", "image"])
    return str(parser.render(note))


blueprint.add_app_template_filter(_as_html, "note")
blueprint.add_app_template_filter(percent, "percent")
blueprint.add_app_template_filter(lambda ends: range_text((ends[0], ends[1])), "range")
blueprint.add_app_template_filter(machines_text, "machines")
blueprint.add_app_template_global(domains_text, "domains_text")
blueprint.add_app_template_global(setting_in_short, "setting_in_short")

_SHOWN_ON_FRONT: Final = 20
_NEWEST: Final = 5


@blueprint.get("/")
@page_needs(Need.EXPLAINING)
def show_front() -> Response:
    """The front page where the request prefers HTML, else the description of the service."""
    if prefers("application/json", "text/html") == "text/html":
        allow_on_page("form-action")
        join = current_app.extensions["kbapi_join"]
        leading = _leading() if is_open(Need.READING, join, g.holder) else None
        response = Response(render_template("front.html", **_lists(leading)))
    else:
        response = describe_service()
    response.vary.add("Accept")
    return response


def _lists(leading: Sequence[ChipWithResults] | None) -> dict[str, object]:
    if leading is None:
        return {"is_closed": True}
    most = sorted(leading, key=lambda one: (-one.units, one.key))[:_SHOWN_ON_FRONT]
    newest = sorted(leading, key=lambda one: one.first_pool, reverse=True)[:_NEWEST]
    return {"is_closed": False, "most": most, "newest": newest}


def _leading() -> Sequence[ChipWithResults]:
    served = instance()
    # Results are counted once a minute at most: the lists may be as old.
    return _counted(served, int(served.now().timestamp() // 60))


@lru_cache(maxsize=1)
def _counted(served: Instance, minute: int) -> Sequence[ChipWithResults]:
    return chips_with_results(served)


@blueprint.get("/search")
@page_needs(Need.READING)
def search_chip() -> Response:
    """The page of the chip that a text names, or what the text may mean."""
    text = " ".join(request.args.get("text", "").split())
    if not text:
        return _redirect("/")
    found = identify({"text": [text]}, instance().catalogue)
    if found.chip is not None:
        return _redirect(f"/chips/{found.chip.key}")
    likest: Sequence[ChipKnown] = ()
    if not found.candidates and any(letter.isdigit() for letter in text):
        likest = list_chips(instance(), {"search": [text[:80]], "limit": ["5"]}).chips
    allow_on_page("form-action")
    page = render_template("which_chip.html", text=text, found=found, likest=likest)
    return Response(page)


def _redirect(path: str) -> Response:
    return Response(status=302, headers={"Location": path, "Cache-Control": "no-cache"})


def _stamp_of_templates() -> str:
    """A text that changes with the code and the templates of pages, so that old pages go stale."""
    folder = Path(__file__).parent
    files = [Path(__file__), folder / "templates" / "base.html", folder / "templates" / "chip.html"]
    return checksum_of(b"".join(file.read_bytes() for file in files))


_TEMPLATES: Final = _stamp_of_templates()
