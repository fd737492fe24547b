"""Identities are found wherever a document can hold them, named by field, and never repeated."""

import json
import logging
import re
from ipaddress import IPv6Address
from itertools import chain
from pathlib import Path
from typing import Any

import pytest
from flask.testing import FlaskClient
from hypothesis import given, settings
from hypothesis import strategies as st

from kbapi.bounds import MOST_TEXTS
from kbapi.documents.personal_data import (
    _COMMON_ENDS,
    _E_MAIL,
    _HOME_FOLDER,
    _HOST_NAME,
    _IPV6,
    _LOCAL_ENDS,
    _NAMED_SERIAL,
    _OF_ANY,
    _OF_CHIPS,
    _OF_MACHINES,
    _OF_MICROCODE,
    _OF_VERSIONS,
    Shape,
    _in_plain_characters,
    _Table,
    find_personal_data,
    is_personal_data,
    safe_pointer,
)
from kbapi.errors import DocumentRefused
from kbapi.instance.instance import Instance
from tests.documents.test_personal_data_strings import strings
from tests.intake.whole_document import a_whole_document
from tests.makers import rows_of, send

CHIP_STRINGS = Path(__file__).parents[1] / "chips" / "data" / "chip_strings.jsonl"

IDENTITIES = {
    "e-mail": ["anna@mail.example", "mail anna.b@mail.example now", "anna@mailbox"],
    "phone": [
        "+49 170 1234567",
        "(555) 123-4567",
        "555-123-4567",
        "0170/1234567",
        "01 23 45 67 89",
    ],
    "IP address": [
        "192.0.2.17",
        "at 198.51.100.4 port 80",
        "2001:db8::1",
        "fe80::1ff:fe23:4567:890a",
    ],
    "MAC address": ["00:1a:2b:3c:4d:5e", "00-1A-2B-3C-4D-5E", "001a.2b3c.4d5e"],
    "UUID": ["123e4567-e89b-12d3-a456-426614174000", "123e4567e89b12d3a456426614174000"],
    "serial": ["PF3A2B1C", "5CD1234XYZ", "C02XK1ZZJG5J", "S/N 1234", "service tag 8XK3Z12"],
    "long number": ["12345678", "order 356938035643809"],
    "home folder": [
        "/home/anna/logs",
        "C:\\Users\\anna",
        "~anna/logs",
        "/Users/anna",
        "\\\\nas\\a",
    ],
    "host name": [
        "DESKTOP-AB12CD3",
        "annas-macbook",
        "Anna's laptop",
        "nas.lan",
        "a.bench.example",
    ],
}
HARMLESS = [
    "harbour-15",
    "Harbour 15 G6 (2024)",
    "gaming laptop",
    "mini pc",
    "15ACH6H",
    "B650E board",
    "model 82XW",
    "rev 1.2.3",
    "1234567",
    "12:30:45",
    "256.1.1.1",
    "Kite 13 2-in-1",
]
VERSIONS = [
    "F.12",
    "N3HET82W (1.54 )",
    "31.0.101.5590",
    "10.0.26100.1",
    "20230601",
    "6.8.0-49-generic",
    "GCCN31WW(V1.21)",
    "A.40 05/12/2025",
]


@pytest.mark.parametrize("shape", IDENTITIES)
def test_each_form_of_personal_data_is_named_and_not_repeated(shape: str) -> None:
    for text in IDENTITIES[shape]:
        (problem,) = find_personal_data({"platform": {"machine": text}})
        assert problem.pointer == "/platform/machine"
        assert problem.code == "personal_data_found"
        assert text not in problem.detail


@pytest.mark.parametrize("text", HARMLESS)
def test_harmless_texts_pass(text: str) -> None:
    assert find_personal_data({"platform": {"machine": text}}) == ()


@pytest.mark.parametrize("field", ["firmware", "driver", "microcode"])
@pytest.mark.parametrize("text", VERSIONS)
def test_versions_may_look_like_addresses_and_long_numbers(field: str, text: str) -> None:
    assert find_personal_data({"platform": {field: text}}) == ()


@pytest.mark.parametrize("text", ["anna@mail.example", "annas-macbook.local", "/home/anna"])
def test_other_personal_data_in_versions_is_found(text: str) -> None:
    for document in ({"client": text}, {"platform": {"firmware": text}}):
        assert [problem.code for problem in find_personal_data(document)] == ["personal_data_found"]


def test_an_address_is_found_in_every_other_field() -> None:
    assert find_personal_data({"readings": [{"temp_sensor": "192.0.2.17"}]})
    assert find_personal_data({"settings": [{"domain": "192.0.2.17"}]})
    assert find_personal_data({"unheard_of": {"deep": ["192.0.2.17"]}})


def test_no_string_of_a_real_chip_is_a_false_alarm() -> None:
    strings = [json.loads(line)["raw"] for line in CHIP_STRINGS.read_text().splitlines()]
    assert len(strings) > 500
    assert [text for text in strings if find_personal_data({"chip": text})] == []


def test_an_address_in_the_text_of_a_chip_is_found() -> None:
    for text in ("Norvane Sable 7 4820MX anna@mail.example", "Sable 192.0.2.17", "/home/anna/cpu"):
        assert find_personal_data({"chip": text})


def test_tokens_are_not_searched() -> None:
    token = "12345678-anna.local"
    assert find_personal_data({"unit_token": token, "contributor_token": token}) == ()
    assert find_personal_data({"settings": [{"unit_token": token}]})


def refusal_of(instance: Instance, document: Any) -> DocumentRefused:
    with pytest.raises(DocumentRefused) as refused:
        send(instance, document)
    return refused.value


def test_personal_data_in_a_field_name_points_to_its_object(
    instance: Instance,
) -> None:
    for name in ("anna@mail.example", "DESKTOP-AB12CD3", "x" * 90 + "anna@mail.example"):
        document = a_whole_document(platform={name: {"machine": "12345678"}})
        refused = refusal_of(instance, document)
        assert "personal_data_found" in {problem.code for problem in refused.problems}
        shown = repr(refused.problems)
        assert "anna" not in shown
        assert "DESKTOP" not in shown
        assert "12345678" not in shown
        assert {problem.pointer for problem in refused.problems} == {"/platform"}


def test_a_pointer_ends_before_personal_data() -> None:
    assert safe_pointer("/platform/machine") == "/platform/machine"
    assert safe_pointer("/platform/anna@mail.example/x") == "/platform"
    assert safe_pointer("/~1home~1anna") == ""


def test_answer_and_log_contain_neither_value_nor_name(
    client: FlaskClient, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.DEBUG)
    for text in chain.from_iterable(IDENTITIES.values()):
        document = a_whole_document(platform={"machine": text, text: text}, client=text)
        response = client.post("/v1/submissions", json=document)
        assert response.status_code == 422
        assert text not in response.get_data(as_text=True)
        assert json.dumps(text)[1:-1] not in response.get_data(as_text=True)
        assert text not in caplog.text


def test_nothing_of_a_refused_document_is_stored(instance: Instance) -> None:
    refusal_of(instance, a_whole_document(platform={"machine": "anna@mail.example"}))
    assert not any(rows_of(instance).values())


def test_too_many_texts_are_refused_unread() -> None:
    texts = [f"A{number}" for number in range(MOST_TEXTS)]
    assert find_personal_data(texts) == ()
    (problem,) = find_personal_data([*texts, "A"])
    assert problem.code == "too_many_texts"


def test_a_text_that_is_slow_to_search_is_searched_in_time() -> None:
    for hard in ("a@" * 200, "1-" * 200, "a." * 200, ":" * 400, "0:" * 200, "s pc" * 100):
        is_personal_data(hard)


PLAIN_FORMS = {
    "e-mail": r"[^\s@\"'<>]+@[^\s@\"'<>]+\.[a-z]{2,}|\w@[a-z]{2,}",
    "IP address": r"[0-9A-Fa-f:]*:[0-9A-Fa-f:]*:[0-9A-Fa-f:.]*",
    "serial": r"\b(?:serial|s/n|sn|service[ _-]?tag|asset[ _-]?tag|imei)\b[ _.:#=-]*"
    r"(?:(?:no|nr|number)\b[ .:#=-]*)?\w*\d",
    "home folder": r"/(?:home|users)/[^\s/]|[/\\](?:users|documents and settings)\\+[^\s\\]"
    r"|\b[a-z]:\\+users\\|(?:^|[\s=:])~\w*/|\\\\\w+\\|/root(?:/|\b)|%userprofile%|\$home\b",
    "host name": r"https?://|\bwww\.|\b(?:desktop|laptop|win|pc)-[a-z0-9]{6,15}\b(?<!-desktop)"
    r"(?<!-laptop)"
    rf"|\b[a-z0-9][a-z0-9-]*\.(?:{_LOCAL_ENDS})(?![\w-])"
    rf"|\b[a-z][a-z0-9-]*(?:\.[a-z0-9-]+)*\.(?:{_COMMON_ENDS})\b"
    r"|\b(?!v\d)[a-z][a-z0-9-]*(?:\.[a-z0-9-]+)+\.[a-z]{2,}(?![\w-])"
    r"|\b\w+(?:['’]s|(?<!busines)s)[ _-]?(?:-|_| )(?:pc|laptop|desktop|notebook|macbook|imac|mac"
    r"|computer|workstation|rig)\b",
}
"""The forms as one reads them, whose steps can grow like the square of a text."""
FORMS = {
    "e-mail": _E_MAIL,
    "IP address": _IPV6,
    "serial": _NAMED_SERIAL,
    "home folder": _HOME_FOLDER,
    "host name": _HOST_NAME,
}
PARTS = [
    "serial",
    "s/n",
    "sn",
    "service",
    "tag",
    "asset",
    "imei",
    "no",
    "nr",
    "number",
    "home",
    "users",
    "root",
    "documents",
    "and",
    "settings",
    "desktop",
    "laptop",
    "win",
    "pc",
    "local",
    "lan",
    "com",
    "net",
    "example",
    "bench",
    "mail",
    "anna",
    "annas",
    "anna's",
    "’s",
    "s",
    "notebook",
    "rig",
    "www.",
    "https://",
    "v1",
    "v2",
    "fe80",
    "2001",
    "db8",
    "ff",
    "c:",
    "d:",
    "~",
    "\\",
    "\\\\",
    "/",
    ".",
    "..",
    "-",
    "--",
    "_",
    ":",
    "::",
    "@",
    "(",
    ",",
    "=",
    "#",
    "$home",
    "%userprofile%",
    "é",
    "ſ",
    "K",
    "1",
    "7",
    "a",
    "b",
    "z",
    "A",
    "x9",
    "de",
    "co",
]


def is_found_plainly(form: str, text: str) -> bool:
    found = re.finditer(PLAIN_FORMS[form], text, re.IGNORECASE)
    if form != "IP address":
        return any(True for _ in found)
    return any(match.group() != "::" and _is_ipv6(match.group().rstrip(".")) for match in found)


def _is_ipv6(text: str) -> bool:
    try:
        IPv6Address(text)
    except ValueError:
        return False
    return True


texts_of_parts = st.lists(
    st.sampled_from(PARTS) | st.sampled_from([" ", ".", "-", "_"]), max_size=14
).map("".join)


@pytest.mark.parametrize("form", PLAIN_FORMS)
@given(text=texts_of_parts | st.text("ab1.-_:@/\\~ s'", max_size=30))
@settings(max_examples=400, deadline=None)
def test_the_patterns_find_what_plain_ones_find(form: str, text: str) -> None:
    assert FORMS[form].is_in(text) is is_found_plainly(form, text)


TABLES = {
    "any": _OF_ANY,
    "version": _OF_VERSIONS,
    "microcode": _OF_MICROCODE,
    "machine": _OF_MACHINES,
    "chip": _OF_CHIPS,
}
PLANTED = [one["text"] for one in strings("strings_planted.jsonl")]
halves = st.sampled_from(PLANTED).flatmap(
    lambda text: st.integers(0, len(text)).map(lambda cut: (text[:cut], text[cut:]))
)


def shape_without_signs(table: _Table, text: str) -> Shape | None:
    plain = table.without_paths(_in_plain_characters(text))
    return next((shape for shape in table.shapes if shape.is_in(plain)), None)


@pytest.mark.parametrize("table", TABLES)
def test_every_planted_string_of_a_form_has_its_sign(table: str) -> None:
    found = [(text, TABLES[table].find(text)) for text in PLANTED]
    assert [shape for _, shape in found] == [
        shape_without_signs(TABLES[table], text) for text in PLANTED
    ]
    assert sum(shape is not None for _, shape in found) > (200 if table == "chip" else 380)


@pytest.mark.parametrize("table", TABLES)
@given(
    text=texts_of_parts
    | st.text("0123456789abcdefABGHXYZ .:-_/@#\\()+'", max_size=24)
    | st.tuples(halves, st.sampled_from(["", " ", "-", "\n"]), halves).map(
        lambda cut: cut[0][0] + cut[1] + cut[2][1]
    )
)
@settings(max_examples=300, deadline=None)
def test_a_text_without_a_sign_has_no_form(table: str, text: str) -> None:
    assert TABLES[table].find(text) == shape_without_signs(TABLES[table], text)
