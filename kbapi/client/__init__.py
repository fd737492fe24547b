"""The client for scripts: one file, which stands alone and imports nothing of the rest."""

from kbapi.client.kbapi_client import (
    Client,
    NotAcknowledged,
    Outbox,
    Refused,
    SenderFile,
    Unreachable,
)

__all__ = ["Client", "NotAcknowledged", "Outbox", "Refused", "SenderFile", "Unreachable"]
