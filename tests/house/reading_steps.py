"""Lines that reading executes, counted on inputs of one size and of ten times that size."""

import sys
from collections.abc import Callable
from types import FrameType
from typing import Any, Final

from kbapi.advice.identify import identify
from kbapi.advice.next_step.query import read_search
from kbapi.advice.start.query import parse_question
from kbapi.chips.catalogue_file import load_catalogue
from kbapi.chips.naming import identify_chip
from kbapi.documents.reader import read_document, read_json
from kbapi.errors import KbapiError
from kbapi.intake.screening import screen_setting
from kbapi.settings import bundled_folder
from kbapi.vocabulary import DOMAINS
from tests.intake.whole_document import a_whole_document
from tests.makers import a_body, a_setting, a_submission

_CATALOGUE: Final = load_catalogue(bundled_folder("seed_data") / "club" / "catalogue")
_MONTH: Final = "2026-09"

Input = Callable[[int], Any]
"""An input of a size."""


def lines_of(call: Callable[[], Any]) -> int:
    """How many lines of Python a call executes, a line of a loop once for each turn."""
    count = 0

    def trace(_frame: FrameType, event: str, _argument: Any) -> Any:
        nonlocal count
        count += event == "line"
        return trace

    sys.settrace(trace)
    try:
        call()
    finally:
        sys.settrace(None)
    return count


def read_body_of(body: bytes) -> None:
    """Read and screen a document, or refuse it."""
    try:
        document = read_document(read_json(body), _MONTH, _CATALOGUE)
    except KbapiError:
        return
    for setting in document.result.settings:
        grid = _CATALOGUE.grid_for(document.chip, setting.control)
        screen_setting(setting, document.result, grid)


def read_submission(document: Any) -> None:
    """Read and screen a document that is no JSON yet."""
    read_body_of(a_body(document))


def read_query(sent: dict[str, list[str]]) -> None:
    """Read the parameters of a question, or refuse them."""
    try:
        parse_question(sent, _CATALOGUE)
    except KbapiError:
        return


def read_question(document: Any) -> None:
    """Read the body of a question, or refuse it."""
    try:
        read_search(a_body(document), _CATALOGUE)
    except KbapiError:
        return


def read_every_kind() -> None:
    """Read each input of the table once, and some more, so that each pattern is used."""
    for read, make in CASES.values():
        read(make(2))
    read_submission(a_whole_document())
    for text in ("2.5", "nan", "-1e5"):
        read_query({"chip": ["x"], "stable_share": [text], "firmware": [text]})
    identify({"text": ["Norvane Sable 7 4820MX"], "pci_id": ["10de:1b80"]}, _CATALOGUE)


def _settings(number: int) -> list[dict[str, Any]]:
    """Settings at fixed clocks: any number of them can be in one document."""
    return [
        a_setting(
            control="fixed_clock_voltage",
            clock_mhz=1000 + place,
            stock_mv=1000,
            stable_at=900,
            unstable_at=850,
        )
        for place in range(number)
    ]


def _trials(number: int, in_force: int = 4) -> list[dict[str, Any]]:
    """Runs that failed or passed in turn, each with settings in force that must be judged."""
    runs = (("failed", 840, -200), ("stable", 905, -20))
    return [
        {
            "outcome": outcome,
            "load": "vector_heavy",
            "seconds": 900,
            "temp_max_c": 70,
            "settings": [
                {"domain": "core", "control": "fixed_clock_voltage", "value": fixed},
                *(
                    {"domain": domain, "control": "voltage_offset", "value": offset}
                    for domain in DOMAINS[:in_force]
                ),
            ],
        }
        for outcome, fixed, offset in (runs * number)[:number]
    ]


def _readings(number: int) -> list[dict[str, Any]]:
    """Readings that can all be compared, without an effect and with a fixed fan."""
    return [
        {
            "state": "tuned" if place % 2 else "stock",
            "load": "vector_heavy",
            "fan": "fixed",
            "power_w": 60,
            "clock_mhz": 2000 + 100 * (place % 2),
            "temp_max_c": 70,
            "ambient_c": 20,
        }
        for place in range(number)
    ]


def _without_failures(settings: list[dict[str, Any]]) -> list[dict[str, Any]]:
    return [{**one, "unstable_at": None} for one in settings]


_LOCK: Final = {"domain": "core", "control": "voltage_offset", "status": "open"}


def _document(**changes: Callable[[int], Any]) -> Input:
    return lambda size: a_submission(**{name: make(size) for name, make in changes.items()})


def _text(make: Callable[[int], str]) -> Input:
    return lambda size: make(size).encode()


CASES: Final[dict[str, tuple[Callable[[Any], None], Input]]] = {
    "unknown fields": (
        read_submission,
        lambda size: a_submission(**{f"stable_at_{place}": 1 for place in range(size)}),
    ),
    "unknown fields in settings": (
        read_submission,
        _document(settings=lambda size: [a_setting(**{f"s{n}": 1}) for n in range(size)]),
    ),
    "long unknown fields": (
        read_submission,
        lambda size: a_submission(**{"Stable At " * size: 1}),
    ),
    "an unknown list": (read_submission, _document(x=lambda size: [[]] * size)),
    "values that are not numbers": (
        read_body_of,
        _text(lambda size: f'{{"x": [{",".join(["NaN"] * size)}]}}'),
    ),
    "repeated keys": (
        read_body_of,
        _text(lambda size: "{" + ",".join(f'"k{n}":1,"k{n}":2' for n in range(size)) + "}"),
    ),
    "open brackets": (read_body_of, _text(lambda size: "[" * size)),
    "open texts": (read_body_of, _text(lambda size: '"\\"' * size)),
    "many values": (read_body_of, _text(lambda size: "[" + "[]," * 1_000 * size + "0]")),
    "many texts": (read_submission, _document(x=lambda size: ["A.b-c"] * size)),
    "long texts": (read_submission, _document(x=lambda size: ["a.b-" * size] * 20)),
    "personal data": (
        read_submission,
        _document(x=lambda size: [f"{n}@mail.example" for n in range(size)]),
    ),
    "objects with personal data as their names": (
        read_submission,
        _document(x=lambda size: [{f"{n}@mail.example": "/home/a"} for n in range(size)]),
    ),
    "wrong locks": (read_submission, _document(locks=lambda size: [{}] * size)),
    "wrong trials": (
        read_submission,
        _document(trials=lambda size: [{"settings": [{}] * 16}] * size),
    ),
    "trials that are no objects": (read_submission, _document(trials=lambda size: [1] * size)),
    "repeated choices": (
        read_submission,
        _document(settings=lambda size: [a_setting(loads=["all_cores"] * size)]),
    ),
    "settings": (read_submission, _document(settings=_settings)),
    "settings with trials": (
        read_submission,
        _document(settings=_settings, trials=lambda _: _trials(64)),
    ),
    "settings with readings": (
        read_submission,
        _document(
            settings=lambda n: _without_failures(_settings(n)), readings=lambda _: _readings(64)
        ),
    ),
    "the same setting again": (
        read_submission,
        _document(settings=lambda size: [a_setting()] * size),
    ),
    "trials": (read_submission, _document(trials=_trials)),
    "trials with settings": (
        read_submission,
        _document(settings=lambda _: _settings(16), trials=_trials),
    ),
    "settings in force": (
        read_submission,
        _document(settings=lambda _: _settings(4), trials=lambda size: _trials(20, size)),
    ),
    "trials that contradict": (
        read_submission,
        _document(
            trials=lambda size: [
                {**one, "settings": [{"domain": "core", "control": "voltage_offset", "value": -9}]}
                for one in _trials(size)
            ]
        ),
    ),
    "readings": (read_submission, _document(readings=_readings)),
    "readings with settings": (
        read_submission,
        _document(settings=lambda _: _without_failures(_settings(16)), readings=_readings),
    ),
    "locks": (read_submission, _document(locks=lambda size: [_LOCK] * size)),
    "locks with settings": (
        read_submission,
        _document(settings=lambda _: _settings(16), locks=lambda size: [_LOCK] * size),
    ),
    "runs of a question": (
        read_question,
        lambda size: {"chip": "norvane-sable-7-4820mx", "trials": _trials(size)},
    ),
    "unknown parameters": (
        read_query,
        lambda size: {"chip": ["x"], **{f"stable_share_{n}": ["1"] for n in range(size)}},
    ),
    "repeated parameters": (
        read_query,
        lambda size: {f"stable_share_{n}": ["1", "2"] for n in range(size)},
    ),
    "repeated values of a parameter": (read_query, lambda size: {"chip": ["x"] * size}),
    "a long list in a parameter": (
        read_query,
        lambda size: {"chip": ["x"], "moved_with": ["ring," * size]},
    ),
    **{
        f"chip texts: {piece!r}": (
            identify_chip,
            lambda size, piece=piece: (piece * 250)[:size],
        )
        for piece in ("a ", "a/", "7800 / ", "x/x ", "1 laptop ", "core i7 9", "[a(", "unknown 1 ")
    },
    "a chip text of many lists": (
        identify_chip,
        lambda size: ("a " * size)[: size // 2] + ("/x" * size)[: size // 2],
    ),
}
