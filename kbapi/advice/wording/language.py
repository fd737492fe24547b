"""How a sentence is said: by its English template, or by whatever a translation makes of it.

The templates are the message ids of gettext, with named places for what varies, so that another
language may order them as it likes. `kbapi.pot` beside this file lists them all.
"""

import gettext
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from typing import Final

_ENGLISH: Final = gettext.NullTranslations()
_SPOKEN: Final[ContextVar[gettext.NullTranslations]] = ContextVar("spoken", default=_ENGLISH)


def say(template: str, **values: object) -> str:
    """The sentence with its places filled.

    >>> say("begin {rails} at {setting}", rails="core", setting="-50 mV")
    'begin core at -50 mV'
    """
    return _SPOKEN.get().gettext(template).format(**values)


def say_count(one: str, many: str, count: float, **values: object) -> str:
    """The sentence for so many, which `{count}` stands for.

    >>> say_count("{count} unit", "{count} units", 1), say_count("{count} unit", "{count} units", 0)
    ('1 unit', '0 units')
    """
    # A language's plural rules are made for whole numbers: half a count is spoken of like several.
    number = int(count) if count == int(count) else 2
    return _SPOKEN.get().ngettext(one, many, number).format(count=f"{count:g}", **values)


def marked(template: str) -> str:
    """The template itself, listed for translators; whoever tells it says it."""
    return template


@contextmanager
def speaking(translations: gettext.NullTranslations) -> Iterator[None]:
    """Everything that is said inside is said in this language."""
    before = _SPOKEN.set(translations)
    try:
        yield
    finally:
        _SPOKEN.reset(before)
