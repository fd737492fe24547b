"""The page that sends a result: a form in five parts, its dry run, its receipt as a file."""

import base64
import hashlib
import re
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Final

import orjson
from flask import Response, render_template, request
from pydantic import ValidationError

from kbapi.access.limits import Need
from kbapi.api.admission import page_needs, voucher
from kbapi.api.http_messages import instance, with_links
from kbapi.bounds import LONGEST_TEXT
from kbapi.chips.catalogue import decide_chip
from kbapi.chips.chip import ChipName
from kbapi.documents.reader import JsonReading, read_json, refusal_of
from kbapi.documents.sender import SavedReceipt, Sender, new_token
from kbapi.errors import DocumentRefused, Problem, UnsafeSetup
from kbapi.intake.submit import accept_submission, dry_run_submission
from kbapi.pages.forms import YES_NO, Field, Form, blueprint, options_of
from kbapi.pages.views import as_json
from kbapi.vocabulary import (
    COOLING,
    DOMAINS,
    EFFECTS,
    FAILURE_SIGNS,
    FAILURES,
    FORMS,
    LIMIT_CONTROLS,
    LOAD_SIGNS,
    LOADS,
    LOCK_CHANGES,
    LOCK_SIGNS,
    LOCK_STATUSES,
    LOCKED_STATUSES,
    LOCKS_FOUND_BY,
    OPERATING_SYSTEMS,
    PERFORMANCE_UNITS,
    POWER_SCOPES,
    READING_STATES,
    SUPPLIES,
)

_IN_UNIT: Final = "In mV, or in counts; negative is lower. At a fixed clock: the voltage itself."
_CONTROL_SIGNS: Final = {
    "voltage_offset": "a distance from stock in mV, such as -80",
    "count_offset": "whole counts of the maker's menu, such as -15",
    "fixed_clock_voltage": "a voltage in mV at one clock, such as 820",
}
_EFFECT_SIGNS: Final = {
    "read_back": "The control reported the setting afterwards.",
    "rail_voltage": "The voltage was measured.",
    "less_power": "Less power at the same clock.",
    "more_clock": "More clock at the same power.",
    "failed_deeper": "A deeper setting failed.",
}


def _of(part: str, name: str, label: str, hint: str = "", **more: Any) -> Field:
    """A field with one place in the document, below `part`."""
    place = f"{part}/{more.pop('at', name)}"
    options = more.get("options")
    kind = more.pop("kind", "choice" if options else "text")
    return Field(name, label, kind, hint, pointers=(place,), **more)


_MACHINE: Final = (
    Field(
        "chip",
        "Chip, as the system prints it",
        "long_text",
        "The name of the processor or of the graphics chip, or a whole record that holds it.",
        pointers=("/chip",),
        example="Norvane(R) Sable(TM) 7 4820MX @ 2.60GHz",
    ),
    _of(
        "/platform",
        "machine",
        "Machine",
        "Maker and model. Leave the serial number out.",
        example="harbour-15",
    ),
    _of("/platform", "form", "Form of the machine", options=options_of(FORMS)),
    _of("/platform", "firmware", "Firmware version", example="1.14"),
    _of("/platform", "firmware_month", "Month of the firmware", "YYYY-MM", example="2026-03"),
    _of("/platform", "microcode", "Microcode version", example="0x2b"),
    _of("/platform", "driver", "Graphics driver version", example="31.0.15"),
    _of("/platform", "os", "Operating system", options=options_of(OPERATING_SYSTEMS)),
    _of("/platform", "supply", "Power source during the tests", options=options_of(SUPPLIES)),
    _of("/platform", "cooling", "Cooling", kind="choices", options=options_of(COOLING)),
)
_ALLOWED: Final = (
    Field(
        "domain",
        "Supply rail (domain)",
        "choice",
        "Empty is the usual one: core for a processor, gpu_core for graphics.",
        options_of(DOMAINS),
        ("/settings/0/domain", "/locks/0/domain"),
    ),
    Field(
        "control",
        "Control",
        "choice",
        "How the voltage is adjusted.",
        options_of(LIMIT_CONTROLS, _CONTROL_SIGNS),
        ("/settings/0/control", "/locks/0/control"),
    ),
    _of(
        "/locks/0",
        "status",
        "Can it be used on this machine?",
        "A locked machine is a result by itself. Then leave the next two parts empty.",
        options=options_of(LOCK_STATUSES, LOCK_SIGNS),
    ),
    _of("/locks/0", "found_by", "How was that found?", options=options_of(LOCKS_FOUND_BY)),
    _of(
        "/locks/0",
        "changes",
        "What was changed to open it?",
        "A record, not a recommendation.",
        kind="choices",
        options=options_of(LOCK_CHANGES),
    ),
)
_TRIED: Final = (
    _of("/settings/0", "stable_at", "Deepest setting that passed", _IN_UNIT, kind="number"),
    _of(
        "/settings/0",
        "unstable_at",
        "Shallowest setting that failed",
        "The most useful number of all. It counts after any length of run.",
        kind="number",
    ),
    _of("/settings/0", "failure", "How did it fail?", options=options_of(FAILURES, FAILURE_SIGNS)),
    _of("/settings/0", "minutes", "Minutes of testing at the setting that passed", kind="number"),
    _of(
        "/settings/0",
        "loads",
        "Loads that passed there",
        kind="choices",
        options=options_of(LOADS, LOAD_SIGNS),
    ),
    _of(
        "/settings/0",
        "checked_results",
        "Did the load check its own results?",
        kind="yes_no",
        options=YES_NO,
    ),
    _of(
        "/settings/0",
        "moved_with",
        "Other domains that moved together with it",
        kind="choices",
        options=options_of(DOMAINS),
    ),
    _of(
        "/stock_passed/0",
        "stock_load",
        "Load that passed at stock, before any change",
        at="load",
        options=options_of(LOADS, LOAD_SIGNS),
    ),
    _of("/stock_passed/0", "stock_minutes", "Minutes at stock", at="minutes", kind="number"),
    _of("/settings/0", "first_tried", "First setting that was tried", kind="number"),
    _of("/settings/0", "clock_mhz", "Clock of the setting, in MHz", kind="number"),
    _of("/settings/0", "stock_mv", "Your stock voltage at that clock, in mV", kind="number"),
)
_PROOF: Final = (
    _of(
        "/settings/0/effect",
        "shown_by",
        "What shows that the setting took effect?",
        "A locked machine ignores a setting and passes at any. Without proof it does not count.",
        options=options_of(EFFECTS, _EFFECT_SIGNS),
    ),
    _of("/settings/0", "read_back", "What the control reported afterwards", kind="number"),
    _of("/settings/0/effect", "rail_mv", "Measured voltage, in mV", kind="number"),
    _of(
        "/settings/0",
        "in_use",
        "The setting that you use from day to day",
        "With a margin to the deepest that passed.",
        kind="number",
    ),
)
_BOTH_READINGS: Final = (
    Field("reading_load", "Load of the readings", "choice", "", options_of(LOADS, LOAD_SIGNS)),
    Field("power_scope", "Power of what?", "choice", "", options_of(POWER_SCOPES)),
    Field(
        "performance_unit", "Unit of the performance", "choice", "", options_of(PERFORMANCE_UNITS)
    ),
)
_OF_READING: Final = (
    ("runs", "Number of runs"),
    ("minutes", "Minutes of one run"),
    ("power_w", "Mean power, in W"),
    ("power_cap_w", "Power limit, in W; empty for none"),
    ("clock_mhz", "Mean clock, in MHz"),
    ("temp_max_c", "Highest temperature, in °C"),
    ("performance", "Performance"),
)
_READINGS: Final = tuple(
    Field(f"reading_{state}_{name}", label, "number")
    for state in READING_STATES
    for name, label in _OF_READING
)
_DONE: Final = (
    Field(
        "measured_in",
        "Month of the measurement",
        hint="YYYY-MM. Empty is this month.",
        pointers=("/measured_in",),
    ),
    Field(
        "chip_confirmed",
        "Did you check the number of the chip?",
        "yes_no",
        options=YES_NO,
        pointers=("/chip_confirmed",),
    ),
)
SENDER_FIELDS: Final = (
    Field(
        "sender_file",
        "Your file sender.json",
        "file",
        "It holds your tokens and receipts. The server does not store it.",
    ),
    Field(
        "contributor_token",
        "Or your contributor token",
        "token",
        "16 to 128 characters.",
    ),
)
DOCUMENT_FIELDS: Final = (*_MACHINE, *_ALLOWED, *_TRIED, *_PROOF, *_DONE)
ALL_FIELDS: Final = (*DOCUMENT_FIELDS, *_BOTH_READINGS, *_READINGS, *SENDER_FIELDS)
PARTS: Final = {
    "machine": tuple(one.name for one in _MACHINE),
    "allowed": tuple(one.name for one in _ALLOWED),
    "tried": tuple(one.name for one in _TRIED),
    "changed": tuple(one.name for one in (*_PROOF, *_BOTH_READINGS, *_READINGS)),
}
"""The names of the fields of each part that folds."""
_PLACES: Final = {
    "": "",
    "/settings": "stable_at",
    "/settings/0": "stable_at",
    "/locks/0": "status",
    "/stock_passed/0": "stock_load",
}
"""Fields that stand for places without one of their own."""


Document = dict[str, Any]


def read_document_field(name: str) -> Document:
    """The JSON object that this page carries in a hidden field; empty without one.

    Raises
    ------
    JsonUnreadable, DocumentRefused
        When the text is not JSON, or not sound JSON: it was changed.
    """
    text = request.form.get(name, "")
    reading = read_json(text.encode()) if text else JsonReading({}, ())
    if reading.problems:
        raise refusal_of(reading.problems)
    return reading.value if isinstance(reading.value, dict) else {}


def form_of_document(document: Document) -> Form:
    """The form with the values of a document, as they would be typed."""
    typed: dict[str, list[str]] = {}
    for asked in DOCUMENT_FIELDS:
        for pointer in asked.pointers:
            value = _get(document, pointer)
            if value is not None:
                typed.setdefault(asked.name, _as_typed(value))
    return Form.of(ALL_FIELDS, typed)


def _as_typed(value: Any) -> list[str]:
    if isinstance(value, bool):
        return ["yes" if value else "no"]
    if isinstance(value, list):
        return [str(one) for one in value]
    return [f"{value:.10g}" if isinstance(value, float) else str(value)]


def _path(pointer: str) -> list[str | int]:
    parts = pointer.split("/")[1:]
    return [int(part) if part.isdigit() else part for part in parts]


def _get(document: Any, pointer: str) -> Any:
    """The value at a pointer, None where there is none."""
    found = document
    for key in _path(pointer):
        try:
            found = found[key]
        except (KeyError, IndexError, TypeError):
            return None
    return found


def _put(document: Document, pointer: str, value: Any) -> None:
    """Set the value at a pointer, with the objects and lists on the way to it; None removes it.

    Of a list only the first entry is on this page.
    """
    path = _path(pointer)
    last = path[-1]
    at: Any = document
    for key, following in pairwise(path):
        wanted: Any = list if isinstance(following, int) else dict
        inner = _get(at, f"/{key}")
        if not isinstance(inner, wanted):
            if value is None:
                return
            inner = wanted()
            if isinstance(at, list):
                at[:1] = [inner]
            else:
                at[key] = inner
        at = inner
    if value is None:
        at.pop(last, None)
    else:
        at[last] = value


@dataclass(slots=True)
class Draft:
    """A result that is being written: its form, and the document that the form makes."""

    form: Form
    document: Document
    places: dict[str, str]
    """The fields of the page by their pointers into the document."""


def draft_of(form: Form, base: Document) -> Draft:
    """The document of a form over one that the page carries: runs, or the corrected result.

    A number that cannot be read is a problem of its field.
    """
    document: Document = orjson.loads(orjson.dumps(base))
    draft = Draft(form, document, dict(_PLACES))
    for asked in form.fields.values():
        for pointer in asked.pointers:
            draft.places[pointer] = asked.name
            _put(document, pointer, form.value(asked.name))
    _add_rail(form, document)
    if "readings" not in base:
        _add_readings(draft)
    return draft


_OF_RAIL: Final = frozenset({"domain", "control"})


def _add_rail(form: Form, document: Document) -> None:
    """Give setting and lock the usual domain and control; drop one that says nothing else."""
    chip = decide_chip(form.text("chip"), "/chip", instance().catalogue)
    known = None if isinstance(chip, Problem) else chip.chip
    usual = _usual_rail(known)
    for name in ("settings", "locks"):
        parts = document.get(name)
        if not isinstance(parts, list) or not parts or not isinstance(parts[0], dict):
            continue
        if parts[0].keys() <= _OF_RAIL:
            del parts[0]
        else:
            parts[0] |= {key: value for key, value in usual.items() if not parts[0].get(key)}
        if not parts:
            del document[name]
    if _get(document, "/settings/0/read_back") is not None:
        shown = _get(document, "/settings/0/effect/shown_by")
        _put(document, "/settings/0/effect/shown_by", shown or "read_back")


def _usual_rail(chip: ChipName | None) -> dict[str, str]:
    if chip is None:
        return {"domain": "core", "control": "voltage_offset"}
    catalogue = instance().catalogue
    return {"domain": catalogue.usual_domain(chip), "control": catalogue.usual_control(chip)}


def _add_readings(draft: Draft) -> None:
    """Add a reading for each state of which a number was typed."""
    form = draft.form
    readings: list[dict[str, Any]] = []
    for state in READING_STATES:
        numbers = {
            name: value
            for name, _ in _OF_READING
            if (value := form.value(f"reading_{state}_{name}")) is not None
        }
        if not numbers:
            continue
        shared = {"load": form.value("reading_load")}
        if "power_w" in numbers:
            shared["power_scope"] = form.value("power_scope")
        if "performance" in numbers:
            shared["performance_unit"] = form.value("performance_unit")
        at = f"/readings/{len(readings)}"
        draft.places |= {f"{at}/{name}": f"reading_{state}_{name}" for name, _ in _OF_READING}
        draft.places |= {f"{at}/load": "reading_load", at: f"reading_{state}_{next(iter(numbers))}"}
        draft.places |= {f"{at}/{one.name}": one.name for one in _BOTH_READINGS}
        readings.append({"state": state, **numbers, **_known(shared)})
    if readings:
        draft.document["readings"] = readings


def _known(values: Mapping[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in values.items() if value is not None}


def read_draft(base: Document) -> Draft:
    """The draft of the form that was sent; a chosen candidate replaces the text of the chip."""
    typed = request.form.to_dict(flat=False)
    if chosen := request.form.get("chip_choice"):
        typed["chip"] = [chosen]
    return draft_of(Form.of(ALL_FIELDS, typed), base)


def dry_run(draft: Draft, document: Document) -> dict[str, Any] | None:
    """The answer of a dry run as JSON; None with problems, which are at their fields then."""
    try:
        answer = dry_run_submission(instance(), orjson.dumps(document))
    except DocumentRefused as refused:
        draft.form.add_all(refused.problems, draft.places)
        return None
    return None if draft.form.problems else as_json(answer)


def read_sender(form: Form) -> Sender | None:
    """The sender of a file or token that was given, or of the page; None without any.

    What cannot be read is a problem of its field.
    """
    file = request.files.get("sender_file")
    sent = file.read() if file is not None else b""
    if sent:
        try:
            return Sender.model_validate_json(sent)
        except ValidationError:
            form.add("sender_file", "This is no sender.json of version 1. Choose another file.")
            return None
    if token := form.text("contributor_token"):
        try:
            return Sender(contributor_token=token)
        except ValidationError:
            form.add("contributor_token", _TOKEN_RULE)
            return None
    with suppress(ValidationError):
        return Sender.model_validate_json(request.form.get("sender", ""))
    return None


_TOKEN_RULE: Final = "A token is 16 to 128 of the characters A-Z a-z 0-9 . _ ~ -."  # noqa: S105 - a rule


@dataclass(frozen=True, slots=True)
class Carried:
    """What the page of a checked result carries to the sending of it, in hidden fields."""

    sender: str
    """The sender's file before this result."""
    new_token: str
    """The token for a unit that the file does not have yet."""
    key: str
    """The Idempotency-Key."""
    mark: str
    """The hash of the document that was checked."""


def mark_of(body: bytes) -> str:
    """The hash of a document, by which a change after its check is noticed."""
    return hashlib.sha256(body).hexdigest()


def is_checked(body: bytes) -> bool:
    """Whether this document is to be sent, and is the one that the page showed the check of."""
    sent = request.form.get("mark", "")
    return request.form.get("action") == "send" and sent == mark_of(body)


CHANGED: Final = "You changed something after the check. This is the check of what is there now."


def show_draft(
    draft: Draft, base: Document, template: str = "submit.html", **more: Any
) -> Response:
    """The page of a draft; with status 422 if it has problems."""
    if request.form.get("action") == "send" and not draft.form.problems:
        draft.form.notice = CHANGED
    runs = base.get("trials")
    page = render_template(
        template,
        form=draft.form,
        parts=PARTS,
        is_locked=draft.form.text("status") in LOCKED_STATUSES,
        base=orjson.dumps(base).decode() if base else "",
        runs=len(runs) if isinstance(runs, list) else 0,
        has_readings="readings" in base,
        **more,
    )
    return Response(page, 422 if draft.form.problems else 200)


@blueprint.get("/submit")
@page_needs(Need.SENDING)
def show_submit_form() -> Response:
    """The form for a result, with the chip that the address names."""
    form = form_of_document({"chip": request.args.get("chip", "")[:LONGEST_TEXT]})
    return show_draft(draft_of(form, {}), {}, sender="")


@blueprint.post("/submit")
@page_needs(Need.SENDING)
def check_or_send_result() -> Response:
    """The check of a result, or its receipt once it is stored.

    Without an action it is the form with the runs of a search.
    """
    base = read_document_field("base")
    if request.form.get("action") not in ("check", "send"):
        return show_draft(draft_of(form_of_document(base), base), base, sender="")
    draft = read_draft(base)
    sender = read_sender(draft.form)
    kept = "" if sender is None else sender.model_dump_json()
    answer = dry_run(draft, draft.document)
    if answer is None:
        return show_draft(draft, base, sender=kept)
    return _go_on(draft, base, sender or Sender(), answer["chip"]["key"])


def _go_on(draft: Draft, base: Document, sender: Sender, chip: str) -> Response:
    """The check of a sound document with its tokens, or the page once it is stored."""
    unit_token = request.form.get("new_token", "")
    if not _NEW_TOKEN.fullmatch(unit_token):
        unit_token = new_token()
    kept = sender.model_dump_json()
    own = _with_unit(sender, chip, draft.form.text("machine"), unit_token, draft.form)
    if own is None:
        return show_draft(draft, base, sender=kept)
    document = {**draft.document, **own.tokens}
    body = orjson.dumps(document)
    if is_checked(body):
        stored = _store(draft, body, own.sender)
        if stored is not None:
            return stored
    answer = dry_run(draft, document)
    carried = Carried(kept, unit_token, new_token(), mark_of(body))
    return show_draft(draft, base, sender=kept, answer=answer, carried=carried)


@dataclass(frozen=True, slots=True)
class _Own:
    """The sender's file with the unit of a result, and the tokens of the result."""

    sender: Sender
    tokens: dict[str, str]


def _with_unit(sender: Sender, chip: str, machine: str, unit_token: str, form: Form) -> _Own | None:
    """The file with the unit of this chip and machine; None with a problem of the form."""
    own = sender.model_copy(deep=True)
    known = len(own.units)
    try:
        token = own.unit_token(chip, machine)
    except UnsafeSetup:
        names = ", ".join(unit.machine for unit in own.units if unit.chip == chip)
        form.add("machine", f"You have this chip in several machines. Name one: {names}.")
        return None
    if len(own.units) > known:
        # The same at each request from this page, so that a repeat is recognised.
        own.units[-1].unit_token = token = unit_token
    return _Own(own, {"contributor_token": own.contributor_token, "unit_token": token})


def _store(draft: Draft, body: bytes, sender: Sender) -> Response | None:
    """The page with the receipt of the stored result; None with problems of the form."""
    try:
        accepted = accept_submission(instance(), body, sent_key(), voucher())
    except DocumentRefused as refused:
        draft.form.add_all(refused.problems, draft.places)
        return None
    answer = as_json(with_links(accepted))
    sender.receipts[accepted.id] = SavedReceipt(
        receipt=accepted.receipt,
        chip=accepted.chip.key,
        day=f"{instance().today()}",
        server=instance().settings.address or request.host_url.rstrip("/"),
    )
    return Response(
        render_template("submitted.html", answer=answer, file=as_link(sender), sender=sender), 201
    )


_NEW_TOKEN: Final = re.compile(r"[A-Za-z0-9_-]{24}")


def sent_key() -> str | None:
    """The Idempotency-Key that was made with the page; None for a changed one."""
    key = request.form.get("key", "")
    return key if _NEW_TOKEN.fullmatch(key) else None


def as_link(sender: Sender) -> str:
    """The address of the sender's file, for a link that saves it without a request."""
    text = sender.model_dump_json(indent=2) + "\n"
    return "data:application/json;base64," + base64.b64encode(text.encode()).decode()
