"""The answer to a request that came before: kept under its Idempotency-Key for a day."""

from dataclasses import dataclass
from datetime import timedelta
from typing import Final

from sqlalchemy import Connection

from kbapi.errors import IdempotencyKeyReused
from kbapi.storage import idempotency
from kbapi.storage.idempotency import StoredOutcome
from kbapi.storage.instance import Instance

_IDEMPOTENCY_LIFE: Final = timedelta(hours=24)


@dataclass(frozen=True, slots=True)
class Replay:
    """Under which hashes the answer to a request is kept."""

    scope_hash: bytes
    fingerprint: bytes


def replay_of(
    instance: Instance, endpoint: str, who: bytes, body: bytes, key: str | None
) -> Replay | None:
    """Where the answer to this request is kept; None for a request without a key."""
    if key is None:
        return None
    secret = instance.secret
    return Replay(
        scope_hash=secret.keyed_hash("idempotency", f"{endpoint}\n{key}\n".encode() + who),
        fingerprint=secret.keyed_hash("fingerprint", body),
    )


def find_earlier_answer(
    instance: Instance, connection: Connection, replay: Replay | None
) -> StoredOutcome | None:
    """What the same request was answered before.

    Raises
    ------
    IdempotencyKeyReused
        When the key came with another body.
    """
    if replay is None:
        return None
    now_s = int(instance.now().timestamp())
    outcome = idempotency.find_outcome(connection, replay.scope_hash, now_s)
    if outcome is not None and outcome.fingerprint != replay.fingerprint:
        raise IdempotencyKeyReused
    return outcome


def keep_answer(
    instance: Instance,
    connection: Connection,
    replay: Replay | None,
    submission_id: int,
    answer: str,
) -> None:
    """Keep an answer for a day, until its submission is withdrawn at the latest."""
    if replay is None:
        return
    now = instance.now()
    idempotency.save_outcome(
        connection,
        scope_hash=replay.scope_hash,
        fingerprint=replay.fingerprint,
        submission_id=submission_id,
        answer=answer,
        now_s=int(now.timestamp()),
        expires_at=int((now + _IDEMPOTENCY_LIFE).timestamp()),
    )
