"""`python -m tests.storage.write_rows` writes data/rows_NNNN.sql: rows in every table of today.

The rows are those of an instance in which everything was done once. Only the code of a schema can
write its rows, so run this before the next migration is added.
"""

import tempfile
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from random import Random

from kbapi.access.keys import KeyHolder, give_key, revoke_key
from kbapi.advice.start.answer import advise_start
from kbapi.curation.erasure import erase_submission
from kbapi.curation.notes import store_notes
from kbapi.demo.results import club_documents
from kbapi.instance.instance import Instance
from kbapi.intake.batch import accept_batch
from kbapi.intake.follow_up import accept_follow_up
from kbapi.intake.responses import Accepted
from kbapi.intake.submit import accept_submission
from kbapi.storage.schema import METADATA, head_revision
from kbapi.storage.sql import session_on
from kbapi.storage.tables_evidence import HealthProbe
from tests.curation.makers import a_decision, decide, send_deep
from tests.makers import (
    CHIP,
    COUNT_CHIP,
    NOON,
    HandMovedClock,
    a_body,
    a_count_submission,
    a_fixed_clock_setting,
    a_line_of_units,
    a_question,
    a_setting,
    a_submission,
    an_instance,
    send,
)

DATA = Path(__file__).parent / "data"
TABLES = tuple(table.name for table in METADATA.sorted_tables)
_CLUB_RESULTS = 24
_NOTE = f"""+++
key = "sable-cold-start"
chip = "{CHIP}"
control = "voltage_offset"
domain = "core"
source = "Tidewater Bench Club, bench note 3"
reviewed = "2026-06"
+++
The entry shows only after a {{}} start.
"""


def use_everything(instance: Instance, clock: HandMovedClock) -> None:
    """Send, follow up, decide, ask and publish, so that every table has a row at least."""
    clock.moment = NOON - timedelta(days=40)
    sent = send(instance, a_submission(number=300), key="first-try")
    send(instance, a_submission(a_fixed_clock_setting(), number=301, chip="Osmer Kestrel 640"))
    deep, junk = send_deep(instance, number=302), send_deep(instance, number=303)
    a_line_of_units(instance, [10 + number % 2 for number in range(40)])
    _send_outliers(instance)
    _send_without_tokens(instance)
    _send_vouched(instance)
    clock.moment = NOON
    accept_batch(instance, a_body(list(club_documents(_CLUB_RESULTS, Random(7)))))
    _follow_up(instance, sent)
    _decide(instance, deep, junk)
    store_notes(instance, [_NOTE.format("cold")])
    store_notes(instance, [_NOTE.format("warm")])
    store_notes(instance, [_NOTE.format("second")], as_drafts=True)
    advise_start(instance, a_question(instance))
    advise_start(instance, a_question(instance, chip=COUNT_CHIP, control="count_offset"))
    with instance.writing() as connection, session_on(connection) as session:
        session.add(HealthProbe(id=1, value=7))
        session.flush()


def _send_outliers(instance: Instance) -> None:
    """A unit far deeper than the line of units, and a contributor whose units all differ."""
    send(instance, a_count_submission(29, 30, number=400))
    for unit in range(12):
        document = a_count_submission(14, 15, number=401)
        send(instance, document | {"unit_token": f"tidewater-fleet-{unit:06}"})


def _send_without_tokens(instance: Instance) -> None:
    """One document twice, which is one unit, and another one."""
    for minutes in (60, 60, 61):
        document = a_submission(a_setting(minutes=minutes))
        send(instance, document | {"contributor_token": None, "unit_token": None})


def _send_vouched(instance: Instance) -> None:
    """A contributor for whom a key vouches, which vouches for no other."""
    key = give_key(instance, "", ("submit",))
    body = a_body(a_submission(number=500))
    accept_submission(instance, body, None, KeyHolder(key.id, ("submit",)).voucher)


def _follow_up(instance: Instance, sent: Accepted) -> None:
    setting = {"domain": "core", "control": "voltage_offset", "setting": -70}
    stable = {"outcome": "still_stable", "days": 40, "effect": {"shown_by": "read_back"}}
    for more in (stable, {"outcome": "failed_later", "days": 40}, {"outcome": "locked_later"}):
        body = a_body({**setting, **more})
        accept_follow_up(instance, sent.id, sent.receipt, body, f"{more['outcome']}")


def _decide(instance: Instance, deep: Accepted, junk: Accepted) -> None:
    key = give_key(instance, "evening shift", ("curate",))
    curator = KeyHolder(key.id, ("curate",))
    decide(instance, curator, a_decision(deep, "include", "depth_confirmed"))
    decide(instance, curator, a_decision(junk, "exclude", "testing_doubted"))
    decide(instance, curator, a_decision(junk, "undo", "decided_in_error"))
    decide(instance, None, a_decision(junk, "invalidate", "wrong_units"))
    erased = send_deep(instance, number=304)
    erase_submission(instance, curator, erased.id, {"reason": ["asked_by_sender"]})
    revoke_key(instance, give_key(instance, "", ("submit", "admin")).id)


def statements_of(instance: Instance) -> Iterator[str]:
    """An INSERT for every row, tables before those that refer to them."""
    with instance.reading() as connection:
        for table in TABLES:
            columns = [
                str(row[1]) for row in connection.exec_driver_sql(f"PRAGMA table_info({table})")
            ]
            quoted = " || ',' || ".join(f"quote({column})" for column in columns)
            keys = ", ".join(columns[:2])
            rows = connection.exec_driver_sql(f"SELECT {quoted} FROM {table} ORDER BY {keys}")
            begin = f"INSERT INTO {table} ({','.join(columns)}) VALUES "
            yield from (f"{begin}({row[0]});" for row in rows)


def rows_of_today(folder: Path) -> str:
    """The text of the dump."""
    clock = HandMovedClock()
    instance = an_instance(folder, clock)
    use_everything(instance, clock)
    statements = list(statements_of(instance))
    instance.close()
    if any(";\n" in one for one in statements):
        raise ValueError("a text holds the end of a statement")
    return "\n".join(statements) + "\n"


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as made:
        (DATA / f"rows_{head_revision()}.sql").write_text(rows_of_today(Path(made)))
