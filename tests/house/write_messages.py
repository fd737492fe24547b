"""`python -m tests.house.write_messages` writes kbapi/advice/wording/kbapi.pot: every sentence."""

from io import BytesIO
from pathlib import Path
from typing import Final

from babel.messages.catalog import Catalog
from babel.messages.extract import extract_from_dir
from babel.messages.pofile import write_po

ROOT: Final = Path(__file__).parents[2]
COMMITTED: Final = ROOT / "kbapi" / "advice" / "wording" / "kbapi.pot"
_SENTENCES: Final = "kbapi/advice/wording"
_MARKS: Final = {"say": None, "marked": None, "say_count": (1, 2)}
_HEADER: Final = """\
# The sentences of kbapi's answers. Made by `python -m tests.house.write_messages`.
msgid ""
msgstr ""
"Content-Type: text/plain; charset=UTF-8\\n"
"Content-Transfer-Encoding: 8bit\\n"
"""


def messages() -> Catalog:
    """Every sentence with the file that says it."""
    catalog = Catalog()
    found = extract_from_dir(
        ROOT / _SENTENCES, method_map=[("**.py", "python")], keywords=_MARKS, comment_tags=()
    )
    for file, _line, message, _comments, _context in sorted(found, key=lambda one: one[:2]):
        # Without line numbers, so that the file changes when a sentence does.
        catalog.add(message, locations=[(f"{_SENTENCES}/{file}", None)])
    return catalog


def as_text(catalog: Catalog) -> str:
    """The template as it is committed: no dates, the same bytes each time."""
    written = BytesIO()
    write_po(written, catalog, omit_header=True, include_lineno=False, width=100)
    return f"{_HEADER}\n{written.getvalue().decode()}"


if __name__ == "__main__":
    COMMITTED.parent.mkdir(exist_ok=True)
    COMMITTED.write_text(as_text(messages()))
