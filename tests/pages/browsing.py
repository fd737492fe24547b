"""A browser without a script: the forms of a page, filled in and sent as a person does."""

import html
import re
from dataclasses import dataclass, field
from html.parser import HTMLParser
from typing import Any

from flask.testing import FlaskClient
from werkzeug.test import TestResponse


@dataclass
class SentForm:
    """A form of a page with the values that the page gives its fields."""

    method: str
    action: str
    fields: dict[str, list[str]] = field(default_factory=dict)
    asked: set[str] = field(default_factory=set)
    """The names of all fields, those without a value included."""
    buttons: list[str] = field(default_factory=list)
    """The values of its buttons, in order."""

    def value(self, name: str) -> str:
        """The first value of a field; empty without one."""
        return next(iter(self.fields.get(name, [])), "")


class _Reader(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.forms: list[SentForm] = []
        self._in_form = False
        self._select = ""
        self._area: str | None = None
        self._text = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        found = dict(attrs)
        if tag == "form":
            method = str(found.get("method"))
            self.forms.append(SentForm(method, str(found.get("action"))))
            self._in_form = True
        if not self._in_form:
            return
        form, name = self.forms[-1], found.get("name") or ""
        if tag == "button":
            form.buttons.append(found.get("value") or "")
        elif name:
            form.asked.add(name)
        if tag == "input" and name:
            is_choice = found.get("type") in ("checkbox", "radio")
            if (not is_choice or "checked" in found) and found.get("type") != "file":
                form.fields.setdefault(name, []).append(found.get("value") or "")
        elif tag == "select":
            self._select = name
        elif tag == "option" and "selected" in found:
            form.fields[self._select] = [found.get("value") or ""]
        elif tag == "textarea":
            self._area, self._text = name, ""

    def handle_data(self, data: str) -> None:
        if self._area is not None:
            self._text += data

    def handle_endtag(self, tag: str) -> None:
        if tag == "textarea" and self._area is not None:
            # A browser drops the first line end of a text area.
            self.forms[-1].fields[self._area] = [self._text.removeprefix("\n")]
            self._area = None
        if tag == "form":
            self._in_form = False


def forms_of(page: TestResponse) -> list[SentForm]:
    """Every form of the page, in order."""
    reader = _Reader()
    reader.feed(page.get_data(as_text=True))
    return reader.forms


def form_with(page: TestResponse, button: str) -> SentForm:
    """The first form of the page with a button of this value."""
    return next(form for form in forms_of(page) if button in form.buttons)


def press(
    client: FlaskClient, page: TestResponse, button: str, *, headers: Any = None, **typed: Any
) -> TestResponse:
    """The answer to the form with this button, once these fields are filled in."""
    form = form_with(page, button)
    assert form.method == "post"
    unknown = set(typed) - form.asked
    assert not unknown, f"the page has no fields {unknown}"
    data = {**form.fields, **typed, "action": button}
    return client.post(form.action, data=data, headers=headers)


def text_of(page: TestResponse) -> str:
    """The text that a person reads on the page."""
    body = re.sub(r"<(script|style|head).*?</\1>", "", page.get_data(as_text=True), flags=re.DOTALL)
    return " ".join(html.unescape(re.sub(r"<[^>]*>", " ", body)).split())


def problems_at(page: TestResponse) -> dict[str, str]:
    """The problems of the page by the fields that they are shown at."""
    found = re.findall(
        r'<p class="problem" id="p-(\w+)">(.*?)</p>', page.get_data(as_text=True), re.DOTALL
    )
    return {
        name: html.unescape(re.sub(r"<[^>]*>", "", text)).replace("Problem:", "").strip()
        for name, text in found
    }
