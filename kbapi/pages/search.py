"""The pages with one's own numbers: a search step by step, and a comparison with the pool."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final
from urllib.parse import urlencode

import orjson
from flask import Response, render_template, request

from kbapi.access.limits import Need
from kbapi.advice.gains.answer import advise_gains
from kbapi.advice.gains.query import parse_gains_question
from kbapi.advice.next_step.answer import advise_next_step
from kbapi.advice.next_step.query import read_search
from kbapi.advice.phrases import amount_text, percent, range_text
from kbapi.advice.stability.answer import advise_stability
from kbapi.advice.start.query import parse_question
from kbapi.api.admission import page_needs
from kbapi.api.http_messages import instance
from kbapi.bounds import MOST_TRIALS
from kbapi.chips.catalogue import resolve_chip
from kbapi.chips.chip import ChipName
from kbapi.documents.runs import setting_of_runs
from kbapi.errors import ChipUnknown, DocumentRefused, Problem, QueryInvalid
from kbapi.pages.forms import YES_NO, Field, Form, blueprint, options_of
from kbapi.pages.views import as_json
from kbapi.storage.answers import AnswerBytes
from kbapi.vocabulary import (
    DOMAINS,
    FAILURE_SIGNS,
    FAILURES,
    LIMIT_CONTROLS,
    LOAD_SIGNS,
    LOADS,
)

_TERMS: Final = (
    Field("domain", "Supply rail (domain)", "choice", "", options_of(DOMAINS), ("/domain",)),
    Field("control", "Control", "choice", "", options_of(LIMIT_CONTROLS), ("/control",)),
    Field("clock_mhz", "Clock, in MHz", "number", "For a fixed clock.", pointers=("/clock_mhz",)),
    Field(
        "stock_mv",
        "Your own stock voltage at that clock, in mV",
        "number",
        "Settings are below it.",
        pointers=("/stock_mv",),
    ),
    Field(
        "max_risk",
        "Highest chance that the next setting fails",
        "number",
        "From 0.01 to 0.25. Empty is 0.1.",
        pointers=("/max_risk",),
    ),
    Field(
        "trial_minutes",
        "Minutes of one trial",
        "number",
        "Empty is 20.",
        pointers=("/trial_minutes",),
    ),
)
_TRIAL: Final = (
    Field("value", "Setting that you tried", "number", "In the unit above; negative is lower."),
    Field("outcome", "How did it end?", "choice", "", (("stable", "passed"), ("failed", "failed"))),
    Field("minutes", "Minutes of the run", "number"),
    Field("load", "Load", "choice", "", options_of(LOADS, LOAD_SIGNS)),
    Field(
        "failure",
        "How did it fail?",
        "choice",
        "Only after a failure. A failure is the most useful result.",
        options_of(FAILURES, FAILURE_SIGNS),
    ),
    Field("checked", "Did the load check its own results?", "yes_no", "", YES_NO),
)
_TRIAL_NAMES: Final = tuple(one.name for one in _TRIAL)
_SEPARATOR: Final = "|"
MOST_TRIALS_SHOWN: Final = 64
"""As many are in the address of a picture."""


@dataclass(frozen=True, slots=True)
class Trials:
    """The trials of a search, as the page carries them: one text for each."""

    texts: tuple[str, ...]

    @property
    def typed(self) -> list[dict[str, str]]:
        """Each trial by the names of its fields."""
        return [_typed_of(text) for text in self.texts]

    def as_runs(self, rail: Mapping[str, Any]) -> list[dict[str, Any]]:
        """The trials as the request for a next step has them."""
        return [_run_of(one, rail) for one in self.typed]

    @property
    def as_parameter(self) -> str:
        """The trials in the address of a picture: settings in order, `f` after a failure.

        Empty where they are more than the address of a picture takes.

        >>> Trials(("-60|stable|20|||", "-80.5|failed||||")).as_parameter
        '-60,-80.5f'
        """
        if len(self.texts) > MOST_TRIALS_SHOWN:
            return ""
        values = ((_form_of(one).value("value"), one["outcome"]) for one in self.typed)
        return ",".join(
            f"{value:.6g}" + ("f" if outcome == "failed" else "")
            for value, outcome in values
            if value is not None
        )


def _typed_of(text: str) -> dict[str, str]:
    parts = text.split(_SEPARATOR)
    return dict(zip(_TRIAL_NAMES, (*parts, *[""] * len(_TRIAL_NAMES)), strict=False))


def _form_of(typed: Mapping[str, str]) -> Form:
    return Form.of(_TRIAL, {name: [text] for name, text in typed.items()})


def _run_of(typed: Mapping[str, str], rail: Mapping[str, Any]) -> dict[str, Any]:
    """One run; what is no number stays text, and the rules refuse it."""
    form = _form_of(typed)
    value = form.value("value")
    domains = [rail["domain"], *rail["moved_with"]]
    run: dict[str, Any] = {
        "settings": [
            {"domain": domain, "control": rail["control"], "value": value} for domain in domains
        ],
        "outcome": typed["outcome"],
    }
    minutes = form.value("minutes")
    optional = {
        "seconds": None if minutes is None else round(60 * minutes),
        "load": form.value("load"),
        "failure": form.value("failure") if typed["outcome"] == "failed" else None,
        "checked_results": form.value("checked"),
        "clock_mhz": rail.get("clock_mhz"),
    }
    return run | {name: one for name, one in optional.items() if one is not None}


_RAIL_FIELD: Final = "rail"
"""The field with domain, control and other domains that the trials of the page are about."""


def _rail_of(answer: Mapping[str, Any]) -> str:
    others = ",".join(answer["moved_with"])
    return _SEPARATOR.join((answer["domain"], answer["control"], others))


def _read_rail(text: str) -> dict[str, Any]:
    domain, control, others = (*text.split(_SEPARATOR), "", "", "")[:3]
    return {
        "domain": domain,
        "control": control,
        "moved_with": [one for one in others.split(",") if one],
    }


@dataclass(slots=True)
class _Search:
    """A search as a page carries it: chip, terms, trials so far, and the trial that is typed."""

    chip: ChipName
    form: Form
    trials: Trials
    rail: str = ""

    def document(self, trials: Trials) -> dict[str, Any]:
        """The request for the next step after these trials."""
        terms = {
            one.name: value for one in _TERMS if (value := self.form.value(one.name)) is not None
        }
        rail = _read_rail(self.rail) if self.rail or trials.texts else {}
        document = {"chip": self.chip.key, **terms, **rail}
        if trials.texts:
            document["trials"] = trials.as_runs(document)
        return document

    def ask(self, trials: Trials) -> dict[str, Any] | None:
        """The answer after these trials as programs get it; None with problems at their fields."""
        document = self.document(trials)
        if self.form.problems:
            return None
        try:
            search = read_search(orjson.dumps(document), instance().catalogue)
            answer = advise_next_step(instance(), search)
        except DocumentRefused as refused:
            self.form.add_all(refused.problems, _places_of(trials))
            return None
        return as_json(answer)

    def add_trial(self) -> None:
        """Add the typed trial, unless it has problems: these are at its fields then."""
        for name, sentence in _WANTED.items():
            if not self.form.text(name):
                self.form.add(name, sentence)
        for name in ("value", "minutes"):
            self.form.value(name)
        if len(self.trials.texts) >= MOST_TRIALS:
            self.form.add("", f"A search has at most {MOST_TRIALS} trials.")
        typed = (self.form.text(name).replace(_SEPARATOR, " ") for name in _TRIAL_NAMES)
        longer = Trials((*self.trials.texts, _SEPARATOR.join(typed)))
        if not self.form.problems and self.ask(longer) is not None:
            self.trials = longer
            self._forget_typed()

    def undo_trial(self) -> None:
        """Remove the last trial, and fill its fields with what was typed."""
        if self.trials.texts:
            last = self.trials.typed[-1]
            self.form.typed |= {name: [last[name]] for name in _TRIAL_NAMES}
            self.trials = Trials(self.trials.texts[:-1])

    def _forget_typed(self) -> None:
        # The next trial is probably under the same load.
        for name in ("value", "outcome", "minutes", "failure"):
            self.form.typed.pop(name, None)


_WANTED: Final = {
    "value": "Enter the setting that you tried.",
    "outcome": "Choose how the trial ended.",
}


def _places_of(trials: Trials) -> dict[str, str]:
    """The fields by their places in a request; of the trials, the last one is on the page."""
    last = f"/trials/{len(trials.texts) - 1}"
    of_last = {"outcome": "outcome", "seconds": "minutes", "load": "load", "failure": "failure"}
    places: dict[str, str] = {pointer: one.name for one in _TERMS for pointer in one.pointers}
    places.update({f"{last}/{place}": name for place, name in of_last.items()})
    places[last] = "value"
    return places


def _chip_of_path(text: str) -> ChipName:
    """The chip with this key.

    Raises
    ------
    ChipUnknown
        When the path names no chip, or several.
    """
    chip = resolve_chip(text, "chip", instance().catalogue)
    if isinstance(chip, Problem):
        raise ChipUnknown(problems=[chip])
    return chip


@blueprint.get("/chips/<chip>/search")
@page_needs(Need.READING)
def show_search(chip: str) -> Response:
    """The first step of a search, and a form for its first trial."""
    form = Form.of((*_TERMS, *_TRIAL), request.args.to_dict(flat=False))
    return _search_page(_Search(_chip_of_path(chip), form, Trials(())))


@blueprint.post("/chips/<chip>/search")
@page_needs(Need.READING)
def continue_search(chip: str) -> Response:
    """The next step after one more trial, or after the last one was removed."""
    form = Form.of((*_TERMS, *_TRIAL), request.form.to_dict(flat=False))
    trials = Trials(tuple(request.form.getlist("trial"))[:MOST_TRIALS])
    search = _Search(_chip_of_path(chip), form, trials)
    action = request.form.get("action")
    if trials.texts or action == "add":
        search.rail = request.form.get(_RAIL_FIELD, "")
    if action == "add":
        search.add_trial()
    elif action == "undo":
        search.undo_trial()
    return _search_page(search)


def _picture_query(search: _Search) -> str:
    """The parameters of the picture of this search."""
    rail = _read_rail(search.rail)
    asked = rail | {"moved_with": ",".join(rail["moved_with"])}
    terms = (*_OF_CLOCK, "max_risk", "trial_minutes")
    asked |= {name: search.form.text(name) for name in terms}
    asked["trials"] = search.trials.as_parameter
    return urlencode({name: text for name, text in asked.items() if text or name == "moved_with"})


_CLOCK_WANTED: Final = (
    "This chip is tuned by a voltage at a fixed clock. Enter the clock, and your own stock voltage "
    "at that clock."
)
_OF_CLOCK: Final = ("clock_mhz", "stock_mv")


def _search_page(search: _Search) -> Response:
    form, problems = search.form, dict(search.form.problems)
    # Problems of the typed trial do not hide what the trials so far lead to.
    form.problems = {}
    answer = search.ask(search.trials)
    wants_clock = set(form.problems) <= {*_OF_CLOCK} and not any(map(form.text, _OF_CLOCK))
    if form.problems and wants_clock:
        form.problems, form.notice = {}, _CLOCK_WANTED
    form.problems |= problems
    if answer is not None:
        search.rail = _rail_of(answer)
        _fill_in(form, answer)
    result = {} if answer is None else _result_of(search, answer)
    page = render_template(
        "search.html",
        chip=search.chip,
        form=form,
        answer=answer,
        trials=search.trials,
        rail=search.rail,
        result=orjson.dumps(result).decode(),
        picture=f"/chips/{search.chip.key}/pictures/search",
        query=_picture_query(search),
    )
    return Response(page, 422 if form.problems else 200)


def _fill_in(form: Form, answer: dict[str, Any]) -> None:
    """Fill the proposal into the fields that nothing was typed into."""
    proposed = answer["next_step"]
    if proposed is None:
        return
    value = proposed["value_to_enter"]
    if answer["control"] == "fixed_clock_voltage":
        stock = form.value("stock_mv")
        value = "" if stock is None else stock + value
    for name, text in (("value", value), ("minutes", round(proposed["minutes"]))):
        if not form.text(name):
            form.typed[name] = [str(text)]


def _result_of(search: _Search, answer: dict[str, Any]) -> dict[str, Any]:
    """The document that the trials make, to go on with on the page that sends it."""
    if not search.trials.texts:
        return {}
    document = search.document(search.trials)
    runs = document["trials"]
    setting: dict[str, Any] = {
        **{name: answer[name] for name in ("domain", "control", "moved_with")},
        **{name: document[name] for name in ("clock_mhz", "stock_mv") if name in document},
        **setting_of_runs(runs),
    }
    in_use = answer["recommended_in_use"]["setting"]
    if in_use is not None and setting["stable_at"] is not None:
        is_fixed = answer["control"] == "fixed_clock_voltage"
        setting["in_use"] = in_use["at_clock_mv"] if is_fixed else in_use["value_to_enter"]
    if answer["reason"] is not None and setting["unstable_at"] is None:
        setting["planned_end"] = setting["stable_at"]
    return {"chip": search.chip.key, "settings": [setting], "trials": runs}


_RUNS: Final = "One number for each run, separated by commas. Send all runs, not the best."
_COMPARED: Final = (
    Field("chip", "Chip, as the system prints it", example="Norvane(R) Sable(TM) 7 4820MX"),
    Field("load", "Load", "choice", "Empty is every load.", options_of(LOADS, LOAD_SIGNS)),
    Field("own_performance_stock", "Your performance at stock", "text", _RUNS),
    Field("own_performance_tuned", "Your performance tuned", "text", "In the same unit."),
    Field("own_power_stock_w", "Your power at stock, in W", "text", _RUNS),
    Field("own_power_tuned_w", "Your power tuned, in W"),
    Field(
        "own",
        "Your deepest setting that passed",
        "number",
        "In mV or counts from stock; negative is lower. At a fixed clock: below your own stock.",
    ),
    Field("domain", "Supply rail (domain)", "choice", "Empty is the usual.", options_of(DOMAINS)),
    Field("control", "Control", "choice", "Empty is the usual.", options_of(LIMIT_CONTROLS)),
    Field("clock_mhz", "Clock, in MHz", "number", "For a fixed clock."),
)
_OF_GAINS: Final = (
    "load",
    "own_performance_stock",
    "own_performance_tuned",
    "own_power_stock_w",
    "own_power_tuned_w",
)
_OF_STABILITY: Final = ("domain", "control", "clock_mhz")
_MOST_TEXT: Final = 2_000


@blueprint.get("/compare")
@page_needs(Need.READING)
def compare() -> Response:
    """One's own numbers beside those of the pool of a chip that the form names."""
    return _comparison(_typed_query())


@blueprint.get("/chips/<chip>/compare")
@page_needs(Need.READING)
def compare_with_chip(chip: str) -> Response:
    """One's own numbers beside those of the pool of this chip."""
    return _comparison(_typed_query() | {"chip": [_chip_of_path(chip).key]})


def _typed_query() -> dict[str, list[str]]:
    typed = request.args.to_dict(flat=False)
    return {name: [one[:_MOST_TEXT] for one in texts] for name, texts in typed.items()}


@dataclass(frozen=True, slots=True)
class _Answered:
    """An answer as programs get it, and the query that they get it with."""

    answer: dict[str, Any]
    query: str


def _asked(
    form: Form, names: Sequence[str], ask: Callable[[Mapping[str, Sequence[str]]], AnswerBytes]
) -> _Answered | None:
    """The answer to what was typed into these fields; None with problems at their fields."""
    query = {name: [form.text(name)] for name in ("chip", *names) if form.text(name)}
    if "chip" not in query:
        return None
    try:
        body = ask(query).body
    except QueryInvalid as invalid:
        form.add_all(invalid.problems, {one.pointer: one.pointer for one in invalid.problems})
        return None
    return _Answered(orjson.loads(body), urlencode(query, doseq=True))


def _ask_gains(query: Mapping[str, Sequence[str]]) -> AnswerBytes:
    return advise_gains(instance(), parse_gains_question(query, instance().catalogue))


def _ask_stability(query: Mapping[str, Sequence[str]]) -> AnswerBytes:
    return advise_stability(instance(), parse_question(query, instance().catalogue))


def _comparison(typed: dict[str, list[str]]) -> Response:
    form = Form.of(_COMPARED, typed)
    own = form.value("own")
    gains = _asked(form, _OF_GAINS, _ask_gains)
    stability = None if own is None else _asked(form, _OF_STABILITY, _ask_stability)
    picture = ""
    if stability is not None and own <= 0 and stability.answer["own_curve"]:
        asked = [(name, form.text(name)) for name in _OF_STABILITY if form.text(name)]
        picture = urlencode([*asked, ("own", form.text("own"))])
    page = render_template(
        "compare.html",
        form=form,
        gains=gains,
        stability=stability,
        place=None if stability is None else _place_among(stability.answer, own),
        picture=picture,
    )
    return Response(page, 422 if form.problems else 200)


def _place_among(answer: Mapping[str, Any], own: float) -> str:
    """The share of machines that are stable at the nearest setting of the curve.

    >>> curve = {"setting": [0, -4.88], "share": [1, 0.41], "lower": [1, 0.3], "upper": [1, 0.52]}
    >>> answer = {"control": "voltage_offset", "borrowed_curve": None, "own_curve": curve}
    >>> _place_among(answer, -5)
    '41 % of machines are stable at -4.88 mV (30 % to 52 %).'
    """
    curve = answer["own_curve"] or answer["borrowed_curve"]
    if curve is None:
        return "No results show how many machines are stable there."
    settings = curve["setting"]
    nearest = min(range(len(settings)), key=lambda place: abs(settings[place] - own))
    if settings[nearest] - own > settings[0] - settings[min(1, len(settings) - 1)]:
        return "Your setting is deeper than any that the results show."
    at = amount_text(answer["control"], settings[nearest])
    band = range_text((curve["lower"][nearest], curve["upper"][nearest]))
    of = "machines" if answer["own_curve"] else "machines with related chips"
    return f"{percent(curve['share'][nearest])} of {of} are stable at {at} ({band})."
