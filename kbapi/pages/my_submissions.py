"""The page of one's own results: what is due, corrections, follow-ups, withdrawal.

The contributor token comes with each request and is a hidden field of the page: it is in no
address, cookie or log line, and stored nowhere.
"""

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

import orjson
from flask import Response, g, render_template, request

from kbapi.access.limits import Need
from kbapi.api.admission import page_needs
from kbapi.api.http_messages import corrected_with_links, instance
from kbapi.api.problems import STATUS_OF
from kbapi.documents.sender import Sender, new_token
from kbapi.errors import DocumentRefused, ReceiptWrong, SubmissionGone
from kbapi.intake.correct import correct_submission
from kbapi.intake.follow_up import accept_follow_up
from kbapi.intake.my_submissions import (
    list_own_results,
    read_own_result,
    withdraw_own_result,
    withdraw_own_results,
)
from kbapi.pages.forms import Field, Form, blueprint, options_of
from kbapi.pages.submit import (
    SENDER_FIELDS,
    Carried,
    Document,
    Draft,
    as_link,
    draft_of,
    dry_run,
    form_of_document,
    is_checked,
    mark_of,
    read_document_field,
    read_draft,
    read_sender,
    sent_key,
    show_draft,
)
from kbapi.pages.views import as_json
from kbapi.time_budget import DOCUMENT_TIME, begin_time
from kbapi.vocabulary import (
    FAILURE_SIGNS,
    FAILURES,
    FOLLOW_UP_CHANGES,
    FOLLOW_UP_OUTCOMES,
    LOAD_SIGNS,
    LOADS,
)

_OUTCOME_SIGNS: Final = {
    "still_stable": "The setting is still stable.",
    "failed_later": "It failed.",
    "locked_later": "An update locked the control.",
    "fails_at_stock_too": "The machine also fails at stock.",
    "given_up": "You do not use the setting now.",
    "machine_gone": "You do not have the machine now.",
}
_FOLLOW_UP: Final = (
    Field("of", "Which setting?", "choice"),
    Field(
        "setting",
        "Its value, if it is not the one in use",
        "number",
        "In mV or counts; negative is lower. At a fixed clock: the voltage itself.",
        pointers=("/setting",),
    ),
    Field(
        "outcome",
        "What became of it?",
        "choice",
        "A failure is the most useful report.",
        options_of(FOLLOW_UP_OUTCOMES, _OUTCOME_SIGNS),
        ("/outcome",),
    ),
    Field("days", "Days in use", "number", pointers=("/days",)),
    Field("load", "Load of the failure", "choice", "", options_of(LOADS, LOAD_SIGNS), ("/load",)),
    Field(
        "failure",
        "How did it fail?",
        "choice",
        "",
        options_of(FAILURES, FAILURE_SIGNS),
        ("/failure",),
    ),
    Field(
        "changed",
        "What changed since then?",
        "choices",
        "",
        options_of(FOLLOW_UP_CHANGES),
        ("/changed",),
    ),
    Field(
        "read_back",
        "Does the control still report the setting?",
        "yes_no",
        "Without proof a stable setting does not count.",
        (("yes", "yes"), ("no", "no or not known")),
        ("/effect/shown_by", "/effect"),
    ),
)
_FOLLOW_UP_PLACES: Final = {
    "/domain": "of",
    "/control": "of",
    "/clock_mhz": "of",
    "/last_stable_day": "days",
}
_RECEIPT: Final = Field("receipt", "Receipt of this result", "token", "kbr_...")
_ID: Final = re.compile(r"[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}", re.ASCII)


@blueprint.get("/my-submissions")
@page_needs(Need.OWN_RESULTS)
def show_my_submissions_form() -> Response:
    """A form for the sender's file or the contributor token."""
    return _page("my_submissions.html", form=Form.of(SENDER_FIELDS, {}))


@blueprint.post("/my-submissions")
@page_needs(Need.OWN_RESULTS)
def handle_my_submissions() -> Response:
    """One's own results, or what the form asks to do with them."""
    begin_time(DOCUMENT_TIME)
    action = request.form.get("action", "list")
    if action in _OF_ONE:
        return _handle_one(action)
    form = Form.of(SENDER_FIELDS, request.form.to_dict(flat=False))
    sender = read_sender(form)
    if sender is None:
        if not form.problems:
            form.add("sender_file", "Choose your file, or paste your token.")
        return _page("my_submissions.html", 422, form=form)
    if action == "ask_withdraw_all":
        return _page("withdraw.html", sender=sender)
    if action == "withdraw_all":
        done = as_json(withdraw_own_results(instance(), sender.contributor_token))
        return _page("withdrawn.html", answer=done, sender=sender)
    return _list(form, sender)


def _page(template: str, status: int = 200, **values: Any) -> Response:
    return Response(render_template(template, **values), status)


def _list(form: Form, sender: Sender) -> Response:
    """A page of the contributor's results."""
    cursor = request.form.get("cursor", "")
    found = list_own_results(
        instance(), sender.contributor_token, cursor if _ID.fullmatch(cursor) else None
    )
    return _page("my_submissions.html", form=form, sender=sender, answer=as_json(found))


def _handle_one(action: str) -> Response:
    """One result, or what the form asks to do with it; with its receipt."""
    sent_id, receipt = request.form.get("id", ""), request.form.get("receipt", "").strip()
    form = Form.of((_RECEIPT,), {"receipt": [receipt]})
    sender = read_sender(form)
    if not receipt and sender is not None and sent_id in sender.receipts:
        receipt = sender.receipts[sent_id].receipt
    one = _One(sent_id if _ID.fullmatch(sent_id) else "", receipt, sender)
    try:
        return _OF_ONE[action](one)
    except (ReceiptWrong, SubmissionGone) as error:
        g.problem_code = error.code
        form.add("receipt", error.explanation)
        return _page("my_receipt.html", STATUS_OF[type(error)], form=form, one=one, error=error)


@dataclass(frozen=True, slots=True)
class _One:
    """One result of the sender: its id, its receipt, and the sender's file if it came along."""

    id: str
    receipt: str
    sender: Sender | None

    def read(self) -> dict[str, Any]:
        """The result as programs get it."""
        return as_json(read_own_result(instance(), self.id, self.receipt))


def _open(one: _One) -> Response:
    """The result with a form for a follow-up."""
    return _show_one(one, one.read())


def _show_one(
    one: _One,
    detail: dict[str, Any],
    form: Form | None = None,
    answer: dict[str, Any] | None = None,
) -> Response:
    page = render_template(
        "my_submission.html",
        one=one,
        detail=detail,
        form=form or _follow_up_form(detail, {}),
        answer=answer,
        key=new_token(),
    )
    return Response(page, 422 if form and form.problems else 200)


def _follow_up_form(detail: dict[str, Any], typed: Mapping[str, list[str]]) -> Form:
    settings = detail["document"].get("settings") or []
    options = tuple(
        (str(place), f"{one['domain']}, {one['control']}, in use: {one.get('in_use', 'none')}")
        for place, one in enumerate(settings)
    )
    which, *others = _FOLLOW_UP
    return Form.of((replace(which, options=options), *others), typed)


def _follow_up(one: _One) -> Response:
    """The result with the answer to the follow-up, or with the problems of its form."""
    detail = one.read()
    form = _follow_up_form(detail, request.form.to_dict(flat=False))
    document = _follow_up_document(form, detail["document"].get("settings") or [])
    if form.problems:
        return _show_one(one, detail, form)
    places = _FOLLOW_UP_PLACES | {at: field.name for field in _FOLLOW_UP for at in field.pointers}
    try:
        answer = accept_follow_up(
            instance(), one.id, one.receipt, orjson.dumps(document), sent_key()
        )
    except DocumentRefused as refused:
        form.add_all(refused.problems, places)
        return _show_one(one, detail, form)
    return _show_one(one, one.read(), answer=as_json(answer))


def _follow_up_document(form: Form, settings: list[Document]) -> Document:
    """The follow-up that was typed, on the chosen setting or on the first."""
    document: Document = {}
    chosen = form.text("of")
    known = {place for place, _ in form.fields["of"].options}
    if settings:
        setting = settings[int(chosen) if chosen in known else 0]
        of_setting = ("domain", "control", "clock_mhz")
        document = {name: setting[name] for name in of_setting if name in setting}
    for name in ("setting", "outcome", "days", "load", "failure", "changed"):
        value = form.value(name)
        if value is not None:
            document[name] = value
    if form.value("read_back"):
        document["effect"] = {"shown_by": "read_back"}
    return document


def _edit(one: _One) -> Response:
    """The form of a result with the values of the present document."""
    base = one.read()["document"]
    return _show_correction(one, draft_of(form_of_document(base), base), base)


def _show_correction(one: _One, draft: Draft, base: Document, **more: Any) -> Response:
    kept = "" if one.sender is None else one.sender.model_dump_json()
    return show_draft(draft, base, "correct.html", one=one, sender=kept, **more)


def _check_or_send(one: _One) -> Response:
    """The check of a corrected result, or the answer once it has replaced the earlier one."""
    one.read()
    base = read_document_field("base")
    draft = read_draft(base)
    body = orjson.dumps(draft.document)
    answer = dry_run(draft, draft.document)
    if answer is None:
        return _show_correction(one, draft, base)
    if is_checked(body):
        try:
            correction = correct_submission(instance(), one.id, one.receipt, body, sent_key())
        except DocumentRefused as refused:
            draft.form.add_all(refused.problems, draft.places)
            return _show_correction(one, draft, base)
        return _page("corrected.html", answer=as_json(corrected_with_links(correction)), one=one)
    # The result keeps its sender, whose tokens are not in the document.
    answer["warnings"] = []
    carried = Carried("", "", new_token(), mark_of(body))
    return _show_correction(one, draft, base, answer=answer, carried=carried)


def _ask_withdraw(one: _One) -> Response:
    """A page that asks once more before the result is withdrawn."""
    return _page("withdraw.html", one=one, detail=one.read())


def _withdraw(one: _One) -> Response:
    """A page that says that the result was withdrawn, with the sender's file without it."""
    withdraw_own_result(instance(), one.id, one.receipt)
    file = ""
    if one.sender is not None:
        one.sender.receipts.pop(one.id, None)
        file = as_link(one.sender)
    return _page("withdrawn.html", one=one, sender=one.sender, file=file)


_OF_ONE: Final[dict[str, Callable[[_One], Response]]] = {
    "open": _open,
    "follow_up": _follow_up,
    "edit": _edit,
    "check": _check_or_send,
    "send": _check_or_send,
    "ask_withdraw": _ask_withdraw,
    "withdraw": _withdraw,
}
