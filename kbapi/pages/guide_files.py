"""The guides: Markdown files as HTML, without raw HTML, with an anchor at each heading."""

import re
from dataclasses import dataclass
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from markdown_it.token import Token

FOLDER: Final = Path(__file__).parent / "guides"
INDEX: Final = "index"
_LINK_TO_GUIDE: Final = re.compile(r"(?P<name>[a-z-]+)\.md(?P<anchor>#[a-z0-9-]+)?")


@dataclass(frozen=True)
class Guide:
    """A guide that is ready to be shown."""

    title: str
    html: str


@cache
def guide_names() -> tuple[str, ...]:
    """The names of all guides, without the index."""
    return tuple(sorted(path.stem for path in FOLDER.glob("*.md") if path.stem != INDEX))


@cache
def rendered_guide(name: str) -> Guide:
    """The guide of that name; its first heading is the title."""
    # A worker loads the parser with the first guide that is read, not at its start.
    from markdown_it import MarkdownIt

    parser = MarkdownIt("commonmark", {"html": False}).enable("table")
    tokens = parser.parse((FOLDER / f"{name}.md").read_text())
    title = tokens[1].content
    for heading, text in pairwise(tokens):
        if heading.type == "heading_open":
            heading.attrSet("id", anchor_of(text.content))
        for part in heading.children or ():
            _lead_to_page(part)
    return Guide(title, str(parser.renderer.render(tokens, parser.options, {})))


def anchor_of(heading: str) -> str:
    """The name by which a link reaches a heading, as code hosts form it."""
    kept = re.sub(r"[^a-z0-9 -]", "", heading.lower())
    return kept.replace(" ", "-")


def _lead_to_page(part: "Token") -> None:
    """Turn a link to the file of a guide, which works in the repository, into one to its page."""
    link = _LINK_TO_GUIDE.fullmatch(str(part.attrGet("href") or ""))
    if link:
        name = "" if link["name"] == INDEX else link["name"]
        part.attrSet("href", f"/guides/{name}{link['anchor'] or ''}")
