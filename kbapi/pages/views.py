"""HTML pages: the API document, which works offline, the guides, and explanations of problems."""

import hashlib
import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Literal
from urllib.parse import urlencode

import orjson
from flask import Blueprint, Response, g, render_template, request
from werkzeug.exceptions import HTTPException

from kbapi import errors
from kbapi.api.admission import needs_nothing
from kbapi.api.http_messages import conditional, instance
from kbapi.api.problems import problem_response
from kbapi.client import kbapi_client
from kbapi.documents.readings import READING_RULES
from kbapi.documents.refusal_rules import DOCUMENT_REFUSALS, REFUSALS
from kbapi.errors import FAULTS, AccessKeyMissing, KbapiError, PageMissing
from kbapi.intake.follow_up_rules import SENTENCES
from kbapi.intake.responses import SENTENCES_OF_REASONS
from kbapi.settings import bundled_folder

if TYPE_CHECKING:
    from markdown_it.token import Token

_NOTHING_ELSE: Final = (
    "default-src 'none'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'; "
)
# Every page has an icon.
_PAGE_POLICY: Final = _NOTHING_ELSE + "style-src 'self'; img-src 'self'"
Source = Literal["script-src", "form-action"]
# The viewer creates styles, shows small embedded pictures, and sends requests to this server.
_VIEWER_POLICY: Final = _NOTHING_ELSE + (
    "script-src 'self'; style-src 'self' 'unsafe-inline'; img-src 'self' data:; connect-src 'self'"
)
# Written from the code by developers and tested to be equal: no request generates it.
_API_DOCUMENT: Final = (bundled_folder("openapi") / "openapi.json").read_bytes()


def _ignore_ranges() -> None:
    """Send every file whole, as RFC 9110, section 14.2, allows: all files are small."""
    request.environ.pop("HTTP_RANGE", None)


def _add_policy(response: Response) -> Response:
    if response.mimetype == "text/html":
        is_viewer = request.endpoint == "pages.show_docs"
        policy = _VIEWER_POLICY if is_viewer else page_policy(g.get("page_sources", ()))
        response.headers["Content-Security-Policy"] = policy
    return response


def allow_on_page(*sources: Source) -> None:
    """Let the page of this request use the script or forms of this server."""
    g.page_sources = sources


def page_policy(sources: Sequence[Source]) -> str:
    """The policy of a page.

    >>> page_policy(("form-action", "script-src")).split("; ")[2:5]
    ["form-action 'self'", "frame-ancestors 'none'", "style-src 'self'"]
    """
    policy = _PAGE_POLICY
    if "form-action" in sources:
        policy = policy.replace("form-action 'none'", "form-action 'self'")
    return policy + "".join(f"; {one} 'self'" for one in sources if one != "form-action")


def as_json(answer: object) -> dict[str, Any]:
    """The answer as programs get it."""
    value: dict[str, Any] = orjson.loads(orjson.dumps(answer))
    return value


def prefers(*types: str) -> str:
    """The type that the request prefers; the first one where it prefers none, as with `*/*`."""
    return request.accept_mimetypes.best_match(types, types[0]) or types[0]


def show_problem(error: KbapiError) -> Response:
    """The problem as a page where the request prefers HTML, else as a problem document.

    A member without a session is led to the page for signing in, and back.
    """
    response = problem_response(error)
    response.vary.add("Accept")
    if prefers("application/json", "text/html") == "text/html":
        if isinstance(error, AccessKeyMissing):
            then = urlencode({"then": request.full_path.removesuffix("?")})
            response.status_code, response.headers["Location"] = 303, f"/sign-in?{then}"
        response.set_data(render_template("refused.html", error=error))
        response.content_type = "text/html; charset=utf-8"
    return response


def show_missing_page(_: HTTPException) -> Response:
    """The problem of a path without a page or endpoint; below /v1 it is a document always."""
    if request.path.startswith("/v1/"):
        return problem_response(PageMissing())
    return _add_policy(show_problem(PageMissing()))


def page_blueprint(name: str, **options: Any) -> Blueprint:
    """A blueprint for pages: with their policy, without ranges, and with problems as pages."""
    made = Blueprint(name, __name__, **options)
    made.before_request(_ignore_ranges)
    made.after_request(_add_policy)
    made.register_error_handler(KbapiError, show_problem)
    return made


blueprint: Final = page_blueprint(
    "pages", template_folder="templates", static_folder="static", static_url_path="/static"
)


blueprint.app_errorhandler(404)(show_missing_page)


@blueprint.app_context_processor
def _name_site() -> dict[str, object]:
    settings = instance().settings
    return {"site": {"name": settings.name, "address": settings.address}}


def _all_explanations() -> dict[str, tuple[str, str]]:
    found = {}
    for rule in (*REFUSALS, *DOCUMENT_REFUSALS, *READING_RULES):
        found[rule.code] = (rule.code.replace("_", " ").capitalize(), rule.sentence)
    sentences = FAULTS | SENTENCES_OF_REASONS | SENTENCES
    for code, sentence in sentences.items():
        found[code] = (code.replace("_", " ").capitalize(), sentence)
    for kind in vars(errors).values():
        if isinstance(kind, type) and issubclass(kind, KbapiError) and kind is not KbapiError:
            found[kind.code] = (kind.title, kind.explanation)
    return found


_EXPLANATIONS: Final = _all_explanations()
"""Title and explanation of every problem and of every rule, by code."""


@blueprint.get("/problems/<code>")
@needs_nothing
def explain_problem(code: str) -> Response:
    """A page, or JSON where the request prefers it, that explains a problem and its correction."""
    if code not in _EXPLANATIONS:
        raise PageMissing
    problem = _explanation(code)
    return _page_or_json(render_template("problem.html", **problem), problem)


@blueprint.get("/problems")
@needs_nothing
def list_problems() -> Response:
    """A page, or JSON where the request prefers it, with every problem and rule."""
    problems = [_explanation(code) for code in sorted(_EXPLANATIONS)]
    page = render_template("problems.html", problems=problems)
    return _page_or_json(page, {"problems": problems})


def _explanation(code: str) -> dict[str, str]:
    title, explanation = _EXPLANATIONS[code]
    return {"code": code, "title": title, "explanation": explanation}


def _page_or_json(page: str, value: object) -> Response:
    if prefers("text/html", "application/json") == "application/json":
        response = Response(orjson.dumps(value), mimetype="application/json")
    else:
        response = Response(page)
    response.vary.add("Accept")
    return response


GUIDES_FOLDER: Final = Path(__file__).parent / "guides"
INDEX: Final = "index"
_LINK_TO_GUIDE: Final = re.compile(r"(?P<name>[a-z-]+)\.md(?P<anchor>#[a-z0-9-]+)?")


_STATIC: Final = "../static/"


@dataclass(frozen=True)
class Guide:
    """A guide as HTML."""

    title: str
    html: str


@cache
def guide_names() -> tuple[str, ...]:
    """The names of all guides, without the index."""
    return tuple(sorted(path.stem for path in GUIDES_FOLDER.glob("*.md") if path.stem != INDEX))


@cache
def rendered_guide(name: str) -> Guide:
    """The guide of that name, without raw HTML; its first heading is the title."""
    # A worker loads the parser with the first guide that is read, not at its start.
    from markdown_it import MarkdownIt

    parser = MarkdownIt("commonmark", {"html": False}).enable("table")
    tokens = parser.parse((GUIDES_FOLDER / f"{name}.md").read_text())
    title = tokens[1].content
    for heading, text in pairwise(tokens):
        if heading.type == "heading_open":
            heading.attrSet("id", anchor_of(text.content))
        for part in heading.children or ():
            _link_to_page(part)
    return Guide(title, str(parser.renderer.render(tokens, parser.options, {})))


def anchor_of(heading: str) -> str:
    """The anchor of a heading, formed as code hosts form it."""
    kept = re.sub(r"[^a-z0-9 -]", "", heading.lower())
    return kept.replace(" ", "-")


def _link_to_page(part: "Token") -> None:
    """Change a link to the Markdown file of a guide, or to a picture, into its address here."""
    source = str(part.attrGet("src") or "")
    if source.startswith(_STATIC):
        part.attrSet("src", f"/static/{source.removeprefix(_STATIC)}")
    link = _LINK_TO_GUIDE.fullmatch(str(part.attrGet("href") or ""))
    if link:
        name = "" if link["name"] == INDEX else link["name"]
        part.attrSet("href", f"/guides/{name}{link['anchor'] or ''}")


@blueprint.get("/guides/", strict_slashes=False)
@needs_nothing
def list_guides() -> str:
    """A page with a link to every guide."""
    return render_template("guide.html", guide=rendered_guide(INDEX), is_index=True)


@blueprint.get("/guides/<name>")
@needs_nothing
def show_guide(name: str) -> str:
    """One guide."""
    if name not in guide_names():
        raise PageMissing
    return render_template("guide.html", guide=rendered_guide(name), is_index=False)


@blueprint.get("/openapi.json")
@needs_nothing
def show_openapi() -> Response:
    """The OpenAPI document of this code."""
    return Response(_API_DOCUMENT, mimetype="application/json")


@blueprint.get("/docs")
@needs_nothing
def show_docs() -> str:
    """A page to read and to try the API, without anything from other servers."""
    return render_template("docs.html")


_CLIENT_NAME: Final = "kbapi_client.py"
_CLIENT: Final = Path(kbapi_client.__file__).read_bytes()
_CLIENT_SHA256: Final = hashlib.sha256(_CLIENT).hexdigest()


@blueprint.get("/client")
@needs_nothing
def describe_client() -> Response:
    """A page, or JSON where the request prefers it, about the client for scripts."""
    base = instance().settings.address or request.host_url.rstrip("/")
    address = f"{base}/client/{_CLIENT_NAME}"
    client = {
        "version": kbapi_client.__version__,
        "sha256": _CLIENT_SHA256,
        "bytes": len(_CLIENT),
        "python": "3.9",
        "address": address,
        "install": f"curl -O {address}",
    }
    return _page_or_json(render_template("client.html", client=client, base=base), client)


@blueprint.get(f"/client/{_CLIENT_NAME}")
@needs_nothing
def send_client() -> Response:
    """The client for scripts, one file."""
    return conditional(_CLIENT, _CLIENT_SHA256, "text/x-python; charset=utf-8")
