"""The client for scripts: one file, which stands alone and imports nothing of the rest."""

from kbapi.client.kbapi_client import (
    Client,
    MachineNotNamed,
    NotAcknowledged,
    NotKbapi,
    Outbox,
    Refused,
    SenderFile,
    Unreachable,
)

__all__ = [
    "Client",
    "MachineNotNamed",
    "NotAcknowledged",
    "NotKbapi",
    "Outbox",
    "Refused",
    "SenderFile",
    "Unreachable",
]
