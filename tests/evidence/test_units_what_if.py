"""Evidence read as if a word had been said equals what stands there once it is said."""

import random
from dataclasses import fields, is_dataclass, replace
from typing import Any

import numpy as np
import pytest
from sqlalchemy import Connection

from kbapi.advice.evidence_found import EvidenceFound, find_evidence
from kbapi.advice.start.query import Question, parse_question
from kbapi.curation.decisions import store_decisions
from kbapi.evidence.comparisons import dated_rows
from kbapi.instance.instance import Instance
from kbapi.intake.follow_up import accept_follow_up
from kbapi.storage.decisions import DecisionRow, SettingAt, find_setting_at
from kbapi.storage.evidence import read_results
from kbapi.storage.pools import WhatIf, load_pools_of_line
from kbapi.storage.sql import find_rows
from tests.curation.makers import a_curator, a_decision, decide
from tests.makers import a_body, a_fixed_clock_setting, a_setting, a_submission, send

GRAPHICS = "Osmer Kestrel 640 Laptop Graphics"
WORDS = ("include", "exclude")


def fill(instance: Instance, dice: random.Random) -> list[tuple[str, int]]:
    """Results that meet in units, eras, conditions and pools, followed up and decided about."""
    curator, settings = a_curator(instance), []
    for number in range(30):
        unit = dice.randrange(14)
        document = a_random_document(dice, number, unit)
        sent = send(instance, document)
        settings += [(sent.id, place) for place in range(len(document["settings"]))]
        if dice.random() < 0.4:
            body = a_body(a_random_follow_up(dice, document["settings"][0]))
            accept_follow_up(instance, sent.id, sent.receipt, body)
        if dice.random() < 0.3:
            word, reason = dice.choice(
                (
                    ("include", "depth_confirmed"),
                    ("exclude", "testing_doubted"),
                    ("invalidate", "not_measured"),
                )
            )
            decide(instance, curator, a_decision(sent, word, reason))
    return settings


def a_random_follow_up(dice: random.Random, setting: dict[str, Any]) -> dict[str, Any]:
    about = {name: setting[name] for name in ("domain", "control", "clock_mhz") if name in setting}
    later = dice.choice(
        (
            {"outcome": "failed_later", "failure": "wrong_result"},
            {
                "outcome": "still_stable",
                "effect": {"shown_by": "less_power"},
                "changed": ["firmware"],
            },
        )
    )
    return {**about, "setting": setting["stable_at"], "days": 40, **later}


def a_random_document(dice: random.Random, number: int, unit: int) -> dict[str, Any]:
    values = {"number": unit, "client": f"script-{number}"}
    if unit >= 10:
        settings = [
            a_fixed_clock_setting(
                clock_mhz=clock, stable_at=900 - depth, unstable_at=890 - depth, stock_mv=stock
            )
            for clock, depth, stock in (
                (1800, dice.choice((60, 100, 240)), 900),
                (2100, dice.choice((70, 230)), dice.choice((900, 950))),
            )[: dice.randint(1, 2)]
        ]
        return a_submission(*settings, chip=GRAPHICS, **values)
    depth = dice.choice((60, 70, 80, 90, 170, 210))
    supply = dice.choice(({}, {"supply": "battery"}, {"supply": "mains", "firmware": "1.14"}))
    setting = a_setting(stable_at=-depth, unstable_at=-depth - dice.choice((5, 10)))
    return a_submission(setting, platform=supply, **values)


@pytest.mark.parametrize("seed", range(3))
def test_a_what_if_equals_the_decision_for_every_decision_on_every_setting(
    instance: Instance, seed: int
) -> None:
    compared = set()
    for public_id, ordinal in fill(instance, random.Random(seed)):
        with instance.reading() as connection:
            at = find_setting_at(connection, public_id, ordinal)
            assert at is not None
            asked = question_about(instance, connection, at)
        for word in WORDS:
            if word == "include" and not at.has_end:
                continue
            with instance.reading() as connection:
                what_if = WhatIf(at.submission_id, at.ordinal, word)
                found = find_evidence(connection, asked, instance, what_if=what_if)
                more = units_more(connection, at, what_if)
            assert_alike(plain(found), plain(said(instance, at, word, asked)), (at, word))
            compared.add((word, more))
    # Every way in which a pool may change was met.
    assert compared >= {("include", 0), ("include", 1), ("exclude", 0), ("exclude", -1)}


def test_a_what_if_also_changes_the_results_used_for_drift(
    instance: Instance,
) -> None:
    for public_id, ordinal in fill(instance, random.Random(7)):
        with instance.reading() as connection:
            at = find_setting_at(connection, public_id, ordinal)
            assert at is not None
        for word in WORDS[not at.has_end :]:
            what_if = WhatIf(at.submission_id, at.ordinal, word)
            with instance.reading() as connection:
                rows = dated(connection, at, what_if)
            with instance.dry_run() as connection:
                say(instance, connection, at, word)
                assert rows == dated(connection, at)


def units_more(connection: Connection, at: SettingAt, what_if: WhatIf) -> int:
    """How many units more the setting's pool would have."""
    now, then = (
        {pool.id: pool.units for pool in load_pools_of_line(connection, at.line_id, one)}
        for one in (None, what_if)
    )
    assert {pool for pool in now if now[pool] != then[pool]} <= {at.place.pool_id}
    return then[at.place.pool_id] - now[at.place.pool_id]


def dated(
    connection: Connection, at: SettingAt, what_if: WhatIf | None = None
) -> list[tuple[int, ...]]:
    rows = dated_rows(read_results(connection, at.place.pool_id, what_if), np.zeros(0, int))
    return sorted(zip(*(getattr(rows, field.name) for field in fields(rows)), strict=True))


def question_about(instance: Instance, connection: Connection, at: SettingAt) -> Question:
    ((key, control, domains, clock_mhz, domain),) = find_rows(
        connection,
        "SELECT chip.key, pool.control, pool.domains, setting.clock_mhz, setting.domain "
        "FROM setting_result AS setting JOIN pool ON pool.id = setting.pool_id "
        "JOIN chip ON chip.id = pool.chip_id WHERE submission_id = ? AND ordinal = ?",
        (at.submission_id, at.ordinal),
    )
    others = ",".join(one for one in domains.split("+") if one != domain)
    asked = {"chip": key, "domain": domain, "control": control, "moved_with": others}
    if clock_mhz is not None:
        asked["clock_mhz"] = f"{clock_mhz}"
    return parse_question({name: [value] for name, value in asked.items()}, instance.catalogue)


def said(instance: Instance, at: SettingAt, word: str, asked: Question) -> EvidenceFound:
    """The same the plain way: the word is said, everything rebuilt and read, and all undone."""
    with instance.dry_run() as connection:
        say(instance, connection, at, word)
        return find_evidence(connection, asked, instance)


def say(instance: Instance, connection: Connection, at: SettingAt, word: str) -> None:
    reason = {"include": "depth_confirmed", "exclude": "testing_doubted"}[word]
    row = DecisionRow(at.submission_id, at.ordinal, word, reason, 1, instance.today())
    store_decisions(connection, [(at, row)])


def plain(found: EvidenceFound) -> EvidenceFound:
    """Without the line's revision, which every word raises, and the locks, read as they stand."""
    return replace(found, line=None, locks=None)


def assert_alike(one: Any, other: Any, where: object) -> None:
    if isinstance(one, np.ndarray):
        np.testing.assert_array_equal(one, other, str(where))
    elif is_dataclass(one):
        assert type(one) is type(other), where
        # The rows that units are merged from come in no order; every word raises a line's revision.
        for field in (field for field in fields(one) if field.name not in ("rows", "line")):
            assert_alike(getattr(one, field.name), getattr(other, field.name), (where, field.name))
    elif isinstance(one, tuple):
        assert len(one) == len(other), where
        for mine, theirs in zip(one, other, strict=True):
            assert_alike(mine, theirs, where)
    else:
        assert one == other or (one != one and other != other), where
