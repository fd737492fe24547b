"""The texts for readers: the README, the guides, and what developers read."""

import re
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from kbapi.pages.views import GUIDES_FOLDER

ROOT: Final = Path(__file__).parents[2]
README: Final = (ROOT / "README.md").read_text()
GUIDES: Final = {path.stem: path.read_text() for path in sorted(GUIDES_FOLDER.glob("*.md"))}
FOR_USERS: Final = {"README": README, **GUIDES}
ALL_FOR_USERS: Final = "\n".join(FOR_USERS.values())
DEVELOPERS: Final = (ROOT / "DEVELOPERS.md").read_text()
OF_PACKAGES: Final = {
    str(path.parent.relative_to(ROOT)): path.read_text()
    for folder in ("kbapi", "tests")
    for path in sorted((ROOT / folder).rglob("README.md"))
    if "node_modules" not in path.parts
}
FOR_DEVELOPERS: Final = {"DEVELOPERS": DEVELOPERS, **OF_PACKAGES}
_BLOCK: Final = re.compile(r"^```(\w*)( [^\n]*)?\n(.*?)^```$", re.MULTILINE | re.DOTALL)


@dataclass(frozen=True)
class Block:
    """An example: its place, its language, what the line that opens it adds, its text."""

    place: str
    language: str
    request: str
    text: str


BLOCKS: Final = tuple(
    Block(place, language, request.strip(), text)
    for place, whole in FOR_USERS.items()
    for language, request, text in _BLOCK.findall(whole)
)


def without_blocks(text: str) -> str:
    """The text without its examples and comments."""
    return re.sub(r"<!--.*?-->", "", _BLOCK.sub("", text), flags=re.DOTALL)


def quoted_in(text: str) -> set[str]:
    """Everything in backticks, except in examples."""
    return {" ".join(name.split()) for name in re.findall(r"`([^`]+)`", without_blocks(text))}


def plain_parts(text: str) -> list[str]:
    """Headings, paragraphs, list entries and cells of tables, one text each, without marks."""
    prose = re.sub(r"\]\([^)]*\)", "]", without_blocks(text))
    prose = re.sub(r"^\|[-|]+\|$", "", prose, flags=re.MULTILINE)
    prose = re.sub(r"\\\|", "/", prose)
    parts = re.split(r"\n\s*\n|\n(?=\s*(?:[-*] |\d+\. |\||#))|(?<=\S) *\|(?= |$)", prose)
    # A name in backticks is one word, whatever it contains.
    plain = (re.sub(r"`[^`]*`", "name", part) for part in parts)
    return [" ".join(re.sub(r"[*_|#\[\]]", " ", part).split()) for part in plain]
