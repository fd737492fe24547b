"""Makers for tests of curation: a curator, decisions, waiting results."""

from typing import Any

from kbapi.access.keys import KeyHolder, give_key
from kbapi.curation.decisions import DecisionsResponse, accept_decisions
from kbapi.instance.instance import Instance
from kbapi.intake.responses import Accepted
from kbapi.storage.notes import EarlierNote, KeptNote, load_history, load_notes
from tests.makers import a_body, a_setting, a_submission, send


def a_curator(instance: Instance) -> KeyHolder:
    """A holder of a key for curators."""
    return KeyHolder(give_key(instance, "evening shift", ("curate",)).id, ("curate",))


def a_decision(
    sent: Accepted | str, decision: str, reason: str, ordinal: int = 0
) -> dict[str, Any]:
    """An entry about one setting of a result."""
    submission = sent if isinstance(sent, str) else sent.id
    return {"submission": submission, "ordinal": ordinal, "decision": decision, "reason": reason}


def decide(
    instance: Instance, curator: KeyHolder | None, *entries: dict[str, Any]
) -> DecisionsResponse:
    """The response to these decisions, confirmed with what a dry run answers."""
    body: dict[str, Any] = {"decisions": list(entries)}
    if any("submission" not in entry for entry in entries):
        body["confirm"] = dry_run(instance, *entries).confirm
    return accept_decisions(instance, curator, a_body(body))


def dry_run(instance: Instance, *entries: dict[str, Any]) -> DecisionsResponse:
    """What these decisions would change."""
    return accept_decisions(instance, None, a_body({"decisions": list(entries)}), dry_run=True)


def send_deep(instance: Instance, number: int = 1, **changes: Any) -> Accepted:
    """A result that is excluded only for its depth."""
    deep = a_setting(stable_at=-200, unstable_at=-210)
    return send(instance, a_submission(deep, number=number, **changes))


def notes_in(instance: Instance) -> list[KeptNote]:
    """All notes of an instance, in the order of keys."""
    with instance.reading() as connection:
        return load_notes(connection)


def history_in(instance: Instance, key: str) -> list[EarlierNote]:
    """The earlier texts of a note, oldest first."""
    with instance.reading() as connection:
        return load_history(connection, key)
