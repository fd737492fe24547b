"""Tokens become keyed hashes at the door, and an id becomes the receipt that only we can make."""

import base64
import hmac

from kbapi.storage.secret import Secret

RECEIPT_PREFIX = "kbr_"


def receipt_of(secret: Secret, public_id: str) -> str:
    """The receipt of a submission: derived from its id, so never stored anywhere."""
    made = secret.keyed_hash("receipt", public_id.encode())
    return RECEIPT_PREFIX + base64.urlsafe_b64encode(made[:24]).decode()


def is_receipt_of(secret: Secret, public_id: str, shown: str) -> bool:
    """Whether this is the submission's receipt, compared in constant time."""
    return hmac.compare_digest(receipt_of(secret, public_id).encode(), shown.encode())


def unit_hash(
    secret: Secret, contributor_token: str | None, unit_token: str | None
) -> bytes | None:
    """The keyed hash that stands for a unit, None where each result is a unit of its own.

    The contributor is part of it, so that a stranger who guesses a unit token changes nothing.
    """
    if contributor_token is None or unit_token is None:
        return None
    return secret.keyed_hash("unit", f"{contributor_token}\n{unit_token}".encode())
