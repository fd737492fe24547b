"""What was answered to a request that carried an Idempotency-Key."""

from dataclasses import dataclass

from sqlalchemy import Connection, delete, insert, select

from kbapi.storage.tables import IdempotencyRecord, Submission


@dataclass(frozen=True, slots=True)
class StoredOutcome:
    """The first answer under a key, and a fingerprint of the request it answered."""

    fingerprint: bytes
    public_id: str
    answer: str


def find_outcome(connection: Connection, scope_hash: bytes, now_s: int) -> StoredOutcome | None:
    """What this key was answered before, unless that is too long ago."""
    row = connection.execute(
        select(IdempotencyRecord.fingerprint, Submission.public_id, IdempotencyRecord.answer)
        .join(Submission, Submission.id == IdempotencyRecord.submission_id)
        .where(IdempotencyRecord.scope_hash == scope_hash, IdempotencyRecord.expires_at > now_s)
    ).one_or_none()
    return StoredOutcome(*row) if row else None


def save_outcome(
    connection: Connection,
    *,
    scope_hash: bytes,
    fingerprint: bytes,
    submission_id: int,
    expires_at: int,
    answer: str,
    now_s: int,
) -> None:
    """Keep an answer under its key, and forget those whose time has passed."""
    connection.execute(delete(IdempotencyRecord).where(IdempotencyRecord.expires_at <= now_s))
    connection.execute(
        insert(IdempotencyRecord).values(
            scope_hash=scope_hash,
            fingerprint=fingerprint,
            submission_id=submission_id,
            expires_at=expires_at,
            answer=answer,
        )
    )
